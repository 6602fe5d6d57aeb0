"""Presets as rows of a table, and the checksum over all of them.

SQLite notices a damaged page, not a damaged number in a sound one; and a wrong tune position is a burnt tube. So the
database also keeps a checksum over its presets, changed in the same transaction as they are.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable

from qsyd_daemon.store.errors import DamagedError
from qsyd_rules.preset import Preset, Presets

PRESET_TABLE = """CREATE TABLE presets (
    antenna TEXT NOT NULL, segment TEXT NOT NULL, tune INTEGER NOT NULL, load INTEGER NOT NULL,
    matching TEXT NOT NULL, drive_w INTEGER, forward_w INTEGER, reflected_w INTEGER, grid_ma INTEGER,
    saved_at TEXT, low_hz INTEGER, high_hz INTEGER,
    PRIMARY KEY (antenna, segment)
) STRICT, WITHOUT ROWID"""
"""Version 1. `matching` is a JSON list of integers; quantities have the unit of their name."""

_COLUMNS = "antenna, segment, tune, load, matching, drive_w, forward_w, reflected_w, grid_ma, saved_at, low_hz, high_hz"
_PUT = f"INSERT OR REPLACE INTO presets ({_COLUMNS}) VALUES ({', '.join('?' * 12)})"  # noqa: S608 - constants only

Row = tuple[str, str, int, int, str, int | None, int | None, int | None, int | None, str | None, int | None, int | None]


def read_rows(connection: sqlite3.Connection) -> dict[tuple[str, str], Preset]:
    """All presets, checked. Raises `DamagedError` when they are not what was saved, `sqlite3.Error`."""
    rows = connection.execute(f"SELECT {_COLUMNS} FROM presets").fetchall()  # noqa: S608 - constants only
    noted = connection.execute("SELECT value FROM notes WHERE name = 'presets'").fetchone()
    if (noted[0] if noted else None) != checksum(rows):
        raise DamagedError("its presets do not match their checksum")
    return {(row[0], row[1]): _preset(row) for row in rows}


def put_rows(connection: sqlite3.Connection, presets: Iterable[Preset]) -> None:
    """Insert or replace; inside a transaction of the caller's, who notes the checksum."""
    connection.executemany(_PUT, (_row(preset) for preset in presets))


def delete_row(connection: sqlite3.Connection, antenna: str, segment: str) -> None:
    """Delete one; inside a transaction of the caller's, who notes the checksum."""
    connection.execute("DELETE FROM presets WHERE antenna = ? AND segment = ?", (antenna, segment))


def note_checksum(connection: sqlite3.Connection, presets: Presets) -> None:
    """Note the checksum of the presets as they will be once the caller's transaction is committed."""
    value = checksum(_row(preset) for preset in presets.values())
    connection.execute("INSERT OR REPLACE INTO notes VALUES ('presets', ?)", (value,))


def checksum(rows: Iterable[Row]) -> str:
    """SHA-256 over the rows in order of (antenna, segment), so that it does not depend on how they were stored."""
    ordered = sorted(rows, key=lambda row: row[:2])
    return hashlib.sha256(json.dumps(ordered).encode("ascii")).hexdigest()


def _row(preset: Preset) -> Row:
    return (
        preset.antenna,
        preset.segment,
        preset.tune,
        preset.load,
        json.dumps(preset.matching),
        preset.drive_w,
        preset.forward_w,
        preset.reflected_w,
        preset.grid_ma,
        preset.saved_at,
        preset.low_hz,
        preset.high_hz,
    )


def _preset(row: Row) -> Preset:
    antenna, segment, tune, load, matching, drive_w, forward_w, reflected_w, grid_ma, saved_at, low_hz, high_hz = row
    return Preset(
        antenna=antenna,
        segment=segment,
        tune=tune,
        load=load,
        matching=tuple(json.loads(matching)),
        drive_w=drive_w,
        forward_w=forward_w,
        reflected_w=reflected_w,
        grid_ma=grid_ma,
        saved_at=saved_at,
        low_hz=low_hz,
        high_hz=high_hz,
    )
