"""The journal of events: rows with a sequence number that has no gaps, in a database of its own.

It has its own file so that its size never slows the start, the check or the backup of the presets, and its damage
never touches them. Loss of power may take the last second of it, never a row from the middle.
"""

import contextlib
import json
import sqlite3
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from qsyd_daemon.store.apart import read_apart
from qsyd_daemon.store.database_file import Schema, connect, create_database, open_database, set_aside
from qsyd_daemon.store.errors import DamagedError, NewerSchemaError, StoreError, in_words, is_damage

_Value = TypeVar("_Value")

JOURNAL_FILE = "journal.sqlite3"
PRUNE_ROWS_MAX = 1_000
"""Most rows deleted in one go beyond what was added, so that pruning never takes long."""
_BUSY_MS = 200
_TRIES = 3
_CHECK_BYTES_MAX = 32 << 20
"""Above this size pages are not all looked over at start: on a slow card it would delay the station by seconds."""

SCHEMA = Schema(
    application_id=0x7173796A,
    migrations=(
        (
            "CREATE TABLE notes (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",
            """CREATE TABLE journal (
                sequence INTEGER PRIMARY KEY, time TEXT NOT NULL, event TEXT NOT NULL, json TEXT NOT NULL
            ) STRICT""",
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One event as it was journalled. `time` is the event's own, RFC 3339 UTC; `text_json` is the whole event."""

    sequence: int
    """1 for the first event of a journal, then up by one."""
    time: str
    event: str
    text_json: str


class JournalDatabase:
    """The journal of a state directory, for one thread at a time. Calls may raise `StoreError`, changing nothing."""

    def __init__(self, directory: Path, rows_max: int, tell: Callable[[str], None]) -> None:
        """Keeps at most `rows_max` rows; `tell` is given, in words, what the operator should know of an opening."""
        self._tell = tell
        self.path = directory / JOURNAL_FILE
        self._rows_max = rows_max
        self._connection: sqlite3.Connection | None = None
        self._first = 1
        self._last = 0
        self._opened_before = False

    def open(self) -> None:
        """Open the file, or make it."""
        try:
            self._open()
        except (sqlite3.Error, OSError) as error:
            raise StoreError(in_words(error, self.path)) from None

    def append(self, events: Sequence[Mapping[str, Any]]) -> None:
        """Append events in one commit, and delete some of the oldest rows where there are too many."""
        connection = self._connection
        if connection is None or not self.path.exists():
            self.open()
            connection = self._connection
        assert connection is not None
        last = self._last + len(events)
        first = max(self._first, min(last - self._rows_max + 1, self._first + len(events) + PRUNE_ROWS_MAX))
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(
                "INSERT INTO journal VALUES (?, ?, ?, ?)",
                (_row(sequence, event) for sequence, event in enumerate(events, self._last + 1)),
            )
            if first > self._first:
                connection.execute("DELETE FROM journal WHERE sequence < ?", (first,))
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            self.close()
            raise StoreError(in_words(error, self.path)) from None
        self._first, self._last = first, last

    def close(self) -> None:
        """Close the file; the next call opens it again."""
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None

    def _open(self) -> None:
        self.close()
        try:
            self._connect()
        except FileNotFoundError:
            create_database(self.path, SCHEMA)
            self._connect()
        except DamagedError as damage:
            aside = set_aside(self.path)
            create_database(self.path, SCHEMA)
            self._tell(f"{self.path}: {damage}; kept as {aside.name}; a new journal is begun")
            self._connect()
        self._opened_before = True

    def _connect(self) -> None:
        # Later, a reader of this process may have the file open.
        header = not self._opened_before
        connection = open_database(self.path, SCHEMA, "NORMAL", _BUSY_MS, _CHECK_BYTES_MAX, header=header)
        try:
            bounds = connection.execute("SELECT coalesce(min(sequence), 1), coalesce(max(sequence), 0) FROM journal")
            self._first, self._last = bounds.fetchone()
        except sqlite3.Error as error:
            connection.close()
            if is_damage(error):
                raise DamagedError(str(error)) from None
            raise
        self._connection = connection


def read_journal(
    directory: Path,
    since_sequence: int = 1,
    since_time: str | None = None,
    events: Collection[str] | None = None,
    limit: int = 1_000,
    until_time: str | None = None,
) -> list[JournalRow]:
    """The newest `limit` rows that match, oldest first: from a sequence number, from a time, of these event names, up to a time.

    For the process that has the journal open. Makes nothing: no journal is an empty one. Raises `StoreError`.
    """
    return with_journal(
        directory,
        lambda connection: select_rows(connection, since_sequence, since_time, events, limit, until_time),
        [],
    )


def with_journal(directory: Path, read: Callable[[sqlite3.Connection], _Value], nothing: _Value) -> _Value:
    """What `read` makes of the journal, for the process that has it open; `nothing` where there is none.

    Raises `StoreError`.
    """
    path = directory / JOURNAL_FILE
    if not path.exists():
        return nothing
    try:
        with contextlib.closing(connect(path, "ro", _BUSY_MS)) as connection:
            connection.execute("BEGIN")
            return read(connection)
    except sqlite3.Error as error:
        raise StoreError(in_words(error, path)) from None


def with_journal_apart(directory: Path, read: Callable[[sqlite3.Connection], _Value], nothing: _Value) -> _Value:
    """The same for any other process: a daemon that runs is not disturbed, and no file is made. Raises `StoreError`."""
    path = directory / JOURNAL_FILE
    for left in reversed(range(_TRIES)):
        try:
            return read_apart(path, SCHEMA, _BUSY_MS, read)
        except FileNotFoundError:
            return nothing
        except NewerSchemaError:
            raise
        except DamagedError as damage:
            if not left:
                raise StoreError(f"{path}: {damage}") from None
        except (sqlite3.Error, OSError) as error:
            if not left:
                raise StoreError(in_words(error, path)) from None
    raise AssertionError("the last try returns or raises")


def select_rows(
    connection: sqlite3.Connection,
    since_sequence: int = 1,
    since_time: str | None = None,
    events: Collection[str] | None = None,
    limit: int = 1_000,
    until_time: str | None = None,
) -> list[JournalRow]:
    """The rows that `read_journal` describes."""
    names = None if events is None else json.dumps(sorted(events))
    rows = connection.execute(
        "SELECT sequence, time, event, json FROM journal WHERE sequence >= :sequence "
        "AND (:time IS NULL OR time >= :time) "
        "AND (:until IS NULL OR time <= :until) "
        "AND (:names IS NULL OR event IN (SELECT value FROM json_each(:names))) "
        "ORDER BY sequence DESC LIMIT :limit",
        {"sequence": since_sequence, "time": since_time, "until": until_time, "names": names, "limit": limit},
    ).fetchall()
    return [JournalRow(*row) for row in reversed(rows)]


def _row(sequence: int, event: Mapping[str, Any]) -> tuple[int, str, str, str]:
    """An event as a row. One that cannot be JSON is journalled by name with what was wrong, so none is missing."""
    name, when = (_plain(event.get(key, "")) for key in ("event", "time"))
    try:
        text = json.dumps(dict(event))
    except Exception as error:  # noqa: BLE001 - whatever is odd about one event must not hold up the others
        text = json.dumps({"time": when, "event": name, "error": f"not JSON: {error}"})
    return sequence, when, name, text


def _plain(value: object) -> str:
    return str(value).encode("utf-8", "backslashreplace").decode("utf-8")
