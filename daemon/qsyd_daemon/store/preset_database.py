"""The durable half of the store: presets, their marks, intents and the tube's account, on the disk when a call returns.

Used by one thread at a time. The mirror in memory changes only after a commit, so it is what was reported saved. That
makes it the authority over the file from the first good opening on: after any failure the file is opened anew, and
made to say what the mirror says.
"""

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from qsyd_daemon.store.ageing_rows import AGEING_TABLE, delete_marks, put_marks, read_marks, replace_marks
from qsyd_daemon.store.database_file import (
    Schema,
    create_database,
    files_set_aside,
    open_database,
    set_aside,
)
from qsyd_daemon.store.errors import DamagedError, RefusedError, StoreError, in_words, is_damage, is_refusal
from qsyd_daemon.store.preset_backup import back_up, has_backup, restore_newest
from qsyd_daemon.store.preset_rows import PRESET_TABLE, checksum, delete_row, note_checksum, put_rows, read_rows
from qsyd_daemon.store.tube_rows import (
    OLD_TUBES_TABLE,
    TUBE_DAYS_TABLE,
    TUBE_TABLE,
    put_tube,
    read_old_tubes,
    read_tube,
    replace_tubes,
    retire_tube,
)
from qsyd_rules.preset import Preset, Presets
from qsyd_rules.preset_ageing import Mark, Marks, kept
from qsyd_rules.tube_account import OldTube, TubeAccount

PRESET_FILE = "qsyd.sqlite3"
BUSY_MS = 2_000
CLOSED_INTENTS_MAX = 1_000
"""Closed intents that are kept, newest first; the journal has them all."""

SCHEMA = Schema(
    application_id=0x71737964,
    migrations=(
        (
            "CREATE TABLE notes (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",
            PRESET_TABLE,
            "CREATE TABLE intents (id INTEGER PRIMARY KEY, intent TEXT NOT NULL, outcome TEXT) STRICT",
            f"INSERT INTO notes VALUES ('presets', '{checksum(())}')",  # noqa: S608 - our own constant
        ),
        (AGEING_TABLE, TUBE_TABLE, TUBE_DAYS_TABLE),
        (OLD_TUBES_TABLE,),
    ),
)
_CHECK_BYTES_MAX = 1 << 40  # always: this file is small


@dataclass(frozen=True, slots=True)
class OpenIntent:
    """A change-over that was begun and of which no end is known; `text_json` is what was recorded."""

    intent_id: int
    text_json: str


class PresetDatabase:
    """The preset database of a state directory. Every call may raise `StoreError`, and then has changed nothing."""

    def __init__(self, directory: Path, tell: Callable[[str], None]) -> None:
        """`tell` is given, in words, what the operator should know of an opening."""
        self.path = directory / PRESET_FILE
        self._tell = tell
        self.presets: Presets = MappingProxyType({})
        """What is saved. Replaced, never changed in place, so any thread may read it."""
        self.marks: Marks = MappingProxyType({})
        """Presets that no longer fit. Replaced, never changed in place."""
        self.tube = TubeAccount()
        """The tube's account as it was written last."""
        self.old_tubes: tuple[OldTube, ...] = ()
        self.open_intents: tuple[OpenIntent, ...] = ()
        """Those found at the first opening."""
        self.last_intent_id = 0
        """The greatest number found at the first opening."""
        self._last_recorded = 0
        """The greatest number of an intent that was reported recorded."""
        self._connection: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None
        self._loaded = False

    def open(self) -> None:
        """Open the file, or make it."""
        try:
            self._open()
        except StoreError:
            self._let_go()
            raise
        except (sqlite3.Error, OSError) as error:
            self._let_go()
            raise StoreError(in_words(error, self.path)) from None

    def show(self, presets: Presets) -> None:
        """Give out presets that were only read, until the file can be opened."""
        self.presets = MappingProxyType(dict(presets))

    def put(self, presets: Sequence[Preset]) -> None:
        """Save presets, all or none."""
        with self._transaction() as connection:  # which may open the file, and only then is the mirror loaded
            wanted = {**self.presets, **{(preset.antenna, preset.segment): preset for preset in presets}}
            put_rows(connection, presets)
            note_checksum(connection, wanted)
            saved = [(preset.antenna, preset.segment) for preset in presets]
            delete_marks(connection, saved)
        self.presets = MappingProxyType(wanted)
        self.marks = MappingProxyType(kept(self.marks, saved))

    def remove(self, antenna: str, segment: str) -> bool:
        """Remove a preset; False when there is none."""
        with self._transaction() as connection:
            was_there = (antenna, segment) in self.presets
            wanted = {key: preset for key, preset in self.presets.items() if key != (antenna, segment)}
            delete_row(connection, antenna, segment)
            note_checksum(connection, wanted)
            delete_marks(connection, [(antenna, segment)])
        self.presets = MappingProxyType(wanted)
        self.marks = MappingProxyType(kept(self.marks, [(antenna, segment)]))
        return was_there

    def mark(self, marks: Sequence[Mark]) -> None:
        """Mark presets as no longer fitting; one that is not stored is left unmarked."""
        with self._transaction() as connection:
            stored = [mark for mark in marks if (mark.antenna, mark.segment) in self.presets]
            put_marks(connection, stored)
        self.marks = MappingProxyType({**self.marks, **{(mark.antenna, mark.segment): mark for mark in stored}})

    def put_tube(self, account: TubeAccount) -> None:
        """Write the tube's account."""
        with self._transaction() as connection:
            put_tube(connection, account, self.tube)
        self.tube = account

    def retire_tube(self, old: OldTube) -> None:
        """Keep the account of a tube that has been taken out, and begin anew."""
        with self._transaction() as connection:
            retire_tube(connection, old)
        self.tube, self.old_tubes = TubeAccount(), (*self.old_tubes, old)

    @property
    def last_recorded(self) -> int:
        """The number of the newest intent that is on the disk."""
        return self._last_recorded

    def record_intent(self, intent_id: int, text_json: str, closings: Iterable[tuple[int, str]] = ()) -> None:
        """Record what is about to be done, and how intents ended, in one commit; this one may have, where the disk is slow."""
        with self._transaction() as connection:
            connection.execute("INSERT INTO intents VALUES (?, ?, NULL)", (intent_id, text_json))
            _close_intents(connection, closings)
        self._last_recorded = max(self._last_recorded, intent_id)

    def close_intents(self, closings: Iterable[tuple[int, str]]) -> None:
        """Record how intents ended, as (number, outcome); unknown numbers are ignored."""
        with self._transaction() as connection:
            _close_intents(connection, closings)

    def probe(self) -> None:
        """Find out whether anything can be made durable, by making something durable."""
        with self._transaction() as connection:
            connection.execute("INSERT OR REPLACE INTO notes VALUES ('probe', hex(randomblob(8)))")

    def move_log_into_database(self) -> None:
        """Empty the write-ahead log: damage to a log is silently the end of it, damage to the database is seen.

        Best effort, since what is in the log is durable as well.
        """
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def back_up(self) -> None:
        """Make a backup of what is in the file now."""
        self._with(lambda connection: back_up(connection, self.path.parent))

    def has_backup(self) -> bool:
        """Whether there is a backup, good or not."""
        return has_backup(self.path.parent)

    def close(self) -> None:
        """Close the file; the next call opens it again."""
        self._let_go()

    def _open(self) -> None:
        self._let_go()
        try:
            connection, presets = self._connect()
        except FileNotFoundError:
            was_there = self._loaded or self.has_backup() or files_set_aside(self.path)
            if was_there:
                self._tell(f"{self.path}: was gone; {self._replaced()}")
            else:
                create_database(self.path, SCHEMA)
            connection, presets = self._connect()
        except DamagedError as damage:
            aside = set_aside(self.path)
            self._tell(f"{self.path}: {damage}; kept as {aside.name}; {self._replaced()}")
            connection, presets = self._connect()
        self._connection = connection
        self._file = _identity(self.path)
        if self._loaded:
            self._reconcile(connection, presets)
        else:
            self.presets = MappingProxyType(presets)
            self.marks = MappingProxyType(read_marks(connection))
            self.tube, self.old_tubes = read_tube(connection), read_old_tubes(connection)
            self._read_intents(connection)
            self._loaded = True

    def _connect(self) -> tuple[sqlite3.Connection, dict[tuple[str, str], Preset]]:
        connection = open_database(self.path, SCHEMA, "FULL", BUSY_MS, _CHECK_BYTES_MAX)
        try:
            presets = read_rows(connection)
        except sqlite3.Error as error:
            connection.close()
            if is_damage(error):
                raise DamagedError(str(error)) from None
            raise
        except DamagedError:
            connection.close()
            raise
        return connection, presets

    def _replaced(self) -> str:
        """Make the file anew, from the best there is; says from what."""
        if self._loaded:
            create_database(self.path, SCHEMA)
            return "made again with the presets in memory"
        if restored := restore_newest(self.path, SCHEMA):
            return f"restored {restored}"
        create_database(self.path, SCHEMA)
        return "there is no good backup, so there are no presets: import or save them again"

    def _reconcile(self, connection: sqlite3.Connection, presets: Presets) -> None:
        """Make the file say what was reported: not more either, such as a save whose failure was reported."""
        marks, tubes = read_marks(connection), (read_tube(connection), read_old_tubes(connection))
        (stray_intents,) = connection.execute(
            "SELECT count(*) FROM intents WHERE id > ?", (self._last_recorded,)
        ).fetchone()
        is_so = presets == self.presets and marks == self.marks and tubes == (self.tube, self.old_tubes)
        if is_so and not stray_intents:
            return
        with _committed(connection):
            connection.execute("DELETE FROM intents WHERE id > ?", (self._last_recorded,))
            replace_marks(connection, self.marks)
            replace_tubes(connection, self.tube, self.old_tubes)
            connection.execute("DELETE FROM presets")
            put_rows(connection, self.presets.values())
            note_checksum(connection, self.presets)

    def _read_intents(self, connection: sqlite3.Connection) -> None:
        rows = connection.execute("SELECT id, intent FROM intents WHERE outcome IS NULL ORDER BY id").fetchall()
        self.open_intents = tuple(OpenIntent(intent_id, text) for intent_id, text in rows)
        self.last_intent_id = connection.execute("SELECT coalesce(max(id), 0) FROM intents").fetchone()[0]
        self._last_recorded = self.last_intent_id

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        connection = self._ready()
        try:
            with _committed(connection):
                yield connection
        except (sqlite3.Error, OSError, OverflowError, UnicodeError) as error:
            raise self._failed(error) from None

    def _with(self, work: Callable[[sqlite3.Connection], None]) -> None:
        connection = self._ready()
        try:
            work(connection)
        except (sqlite3.Error, OSError) as error:
            raise StoreError(in_words(error, self.path)) from None

    def _ready(self) -> sqlite3.Connection:
        """The connection, opened anew after a failure, or when the file under it has been moved or removed."""
        if self._connection is None or self._file != _identity(self.path):
            self.open()
        assert self._connection is not None
        return self._connection

    def _failed(self, error: Exception) -> StoreError:
        if is_refusal(error):
            return RefusedError(in_words(error, self.path))
        # What a failed commit left in the log could come back after a crash: open anew, which reconciles.
        self._let_go()
        return StoreError(in_words(error, self.path))

    def _let_go(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file has this name now; None when none has."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


@contextlib.contextmanager
def _committed(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
        raise


def _close_intents(connection: sqlite3.Connection, closings: Iterable[tuple[int, str]]) -> None:
    connection.executemany(
        "UPDATE intents SET outcome = ? WHERE id = ?", ((outcome, intent_id) for intent_id, outcome in closings)
    )
    connection.execute(
        "DELETE FROM intents WHERE outcome IS NOT NULL AND id <= (SELECT max(id) FROM intents) - ?",
        (CLOSED_INTENTS_MAX,),
    )
