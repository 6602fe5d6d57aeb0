"""Marks of presets that no longer fit, as rows of a table."""

import sqlite3
from collections.abc import Iterable

from qsyd_rules.preset_ageing import Cause, Mark, Marks

AGEING_TABLE = """CREATE TABLE ageing (
    antenna TEXT NOT NULL, segment TEXT NOT NULL, cause TEXT NOT NULL, text TEXT NOT NULL, since TEXT NOT NULL,
    PRIMARY KEY (antenna, segment)
) STRICT, WITHOUT ROWID"""
"""Since version 2. A mark is an advice, so no checksum guards it; it goes when its preset is saved again or removed."""


def read_marks(connection: sqlite3.Connection) -> dict[tuple[str, str], Mark]:
    """All marks; one that cannot be understood is left out, for it only advises. Raises `sqlite3.Error`."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'ageing'").fetchone():
        return {}  # a file of version 1 that is only read
    rows = connection.execute("SELECT antenna, segment, cause, text, since FROM ageing").fetchall()
    causes = {str(cause): cause for cause in Cause}
    return {
        (antenna, segment): Mark(antenna, segment, causes[cause], text, since)
        for antenna, segment, cause, text, since in rows
        if cause in causes
    }


def put_marks(connection: sqlite3.Connection, marks: Iterable[Mark]) -> None:
    """Insert or replace; inside a transaction of the caller's."""
    connection.executemany(
        "INSERT OR REPLACE INTO ageing VALUES (?, ?, ?, ?, ?)",
        ((mark.antenna, mark.segment, str(mark.cause), mark.text, mark.since) for mark in marks),
    )


def delete_marks(connection: sqlite3.Connection, keys: Iterable[tuple[str, str]]) -> None:
    """Delete those of these presets; inside a transaction of the caller's."""
    connection.executemany("DELETE FROM ageing WHERE antenna = ? AND segment = ?", keys)


def replace_marks(connection: sqlite3.Connection, marks: Marks) -> None:
    """Make the table say just this; inside a transaction of the caller's."""
    connection.execute("DELETE FROM ageing")
    put_marks(connection, marks.values())
