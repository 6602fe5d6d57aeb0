"""A database file of ours: made in one piece, checked before it is trusted, moved aside when it cannot be.

A file appears under its name only when it is complete, so an empty or half-made one is always damage and never a
first start. A file counts as damaged only for what is in it; a disk that fails or a lock held by another program
leaves it where it is.
"""

import contextlib
import os
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from qsyd_daemon.store.errors import DamagedError, NewerSchemaError, is_damage

NAMES_DAMAGED = "the names of its tables are damaged"
"""What a `UnicodeDecodeError` of a statement means: SQLite complains, and quotes a name that is no text any more."""
_HEADER_BYTES = 100
_MAGIC = b"SQLite format 3\0"
WAL_BYTES_MAX = 4 << 20
"""The write-ahead log is cut back to this once its content is in the database."""


@dataclass(frozen=True, slots=True)
class Schema:
    """Whose file it is and how its tables came to be: `migrations[n]` leads from version n to n + 1."""

    application_id: int
    migrations: tuple[tuple[str, ...], ...]

    @property
    def version(self) -> int:
        """The version this program writes."""
        return len(self.migrations)


Synchronous = Literal["FULL", "NORMAL"]
"""FULL: a commit is on the disk when it returns. NORMAL: loss of power may take the last commits, never the order."""


def open_database(
    path: Path, schema: Schema, synchronous: Synchronous, busy_ms: int, check_bytes_max: int, *, header: bool = True
) -> sqlite3.Connection:
    """Open an existing file for writing, checked and brought to this program's schema.

    The pages are checked in files of up to `check_bytes_max` bytes. With `header`, the file is also read past SQLite,
    which must not be while this process has it open: closing a file drops all of the process's locks on it
    (POSIX.1-2017, fcntl, from memory). Raises `DamagedError`, `NewerSchemaError`, `FileNotFoundError`,
    `sqlite3.Error` or `OSError` for the disk.
    """
    size = path.stat().st_size
    if header:
        check_header(path)
    connection = connect(path, "rw", busy_ms)
    try:
        connection.execute(f"PRAGMA synchronous={synchronous}")
        check_identity(connection, path, schema)
        if size <= check_bytes_max:
            check_pages(connection)
        migrate(connection, schema)
        connection.execute(f"PRAGMA journal_size_limit={WAL_BYTES_MAX}")
        connection.execute("PRAGMA journal_mode=WAL").fetchone()
    except sqlite3.Error as error:
        connection.close()
        if is_damage(error):
            raise DamagedError(str(error)) from None
        raise
    except UnicodeDecodeError:
        connection.close()
        raise DamagedError(NAMES_DAMAGED) from None
    except BaseException:
        connection.close()
        raise
    return connection


def connect(
    path: Path, mode: Literal["rw", "ro", "rwc"], busy_ms: int, *, immutable: bool = False
) -> sqlite3.Connection:
    """A connection without implied transactions. In mode `rw` or `ro` a missing file is an error, not a new one."""
    address = f"{path.absolute().as_uri()}?mode={mode}{'&immutable=1' if immutable else ''}"
    return sqlite3.connect(
        address, uri=True, timeout=busy_ms / 1000, isolation_level=None, check_same_thread=False, cached_statements=32
    )


def create_database(path: Path, schema: Schema) -> None:
    """Make an empty database under `path`, in one piece. Raises `sqlite3.Error` or `OSError`."""
    new = path.with_name(path.name + ".new")
    remove(new)
    with contextlib.closing(connect(new, "rwc", 0)) as connection:
        connection.execute(f"PRAGMA application_id={schema.application_id}")
        connection.execute("PRAGMA synchronous=FULL")
        migrate(connection, schema)
        connection.execute("PRAGMA journal_mode=WAL").fetchone()
    put_in_place(new, path)


def put_in_place(new: Path, path: Path) -> None:
    """Give a complete, closed file its name, durably.

    A log that an earlier file left there is not its own: it has to be gone for good before, or after a loss of power
    both could be there, and SQLite would read them as one.
    """
    left = [path.with_name(path.name + suffix) for suffix in ("-wal", "-shm", "-journal")]
    if any(each.exists() for each in left):
        for each in left:
            each.unlink(missing_ok=True)
        sync(path.parent)
    sync(new)
    new.replace(path)
    sync(path.parent)


def sync(path: Path) -> None:
    """Wait until a file, or the names in a directory, are on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def remove(path: Path) -> None:
    """Remove a database of ours with its log, if it is there."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def set_aside(path: Path) -> Path:
    """Move a damaged database, with its log, to a dated name beside it; says where it is now.

    The database goes first, and durably: without its log it could pass for a good one, only older.
    """
    dated = f"{path.stem}.damaged-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}"
    aside = path.with_name(f"{dated}{path.suffix}")
    count = 1
    while aside.exists():
        count += 1
        aside = path.with_name(f"{dated}-{count}{path.suffix}")
    for suffix in ("", "-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
            sync(path.parent)
    return aside


def files_set_aside(path: Path) -> list[Path]:
    """The damaged files that lie beside `path`, oldest first."""
    return sorted(path.parent.glob(f"{path.stem}.damaged-*{path.suffix}"))


def check_header(path: Path) -> None:
    """Refuse what SQLite would take for a new database, or open for reading only, without saying so.

    Offsets: SQLite, Database File Format, section 1.3 (from memory). Raises `DamagedError`, `OSError`.
    """
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if not header:
        raise DamagedError("it is empty")
    if not any(header):
        raise DamagedError("it is all zeros")
    if len(header) < _HEADER_BYTES or not header.startswith(_MAGIC):
        raise DamagedError("it is not a database")
    if header[18] not in (1, 2) or header[19] not in (1, 2):
        raise DamagedError("its header is damaged")


def check_identity(connection: sqlite3.Connection, path: Path, schema: Schema) -> None:
    """Refuse a database of another program, or of a newer version of this one.

    The version is kept twice, in the header and in a table: only when both agree is a newer one believed. Raises
    `DamagedError`, `NewerSchemaError`, `sqlite3.Error`.
    """
    application_id = connection.execute("PRAGMA application_id").fetchone()[0]
    if application_id != schema.application_id:
        raise DamagedError("it belongs to another program")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    noted = connection.execute("SELECT value FROM notes WHERE name = 'schema'").fetchone()
    if noted is None or noted[0] != str(version):
        raise DamagedError("its schema version does not match its content")
    if version > schema.version:
        raise NewerSchemaError(
            f"{path}: made by a newer qsyd (schema {version}; this one knows up to {schema.version}); "
            "run that version, or another state directory with --state"
        )


def check_pages(connection: sqlite3.Connection) -> None:
    """Have SQLite look over every page. Raises `DamagedError`, `sqlite3.Error`."""
    found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise DamagedError(found.replace("\n", " "))


def migrate(connection: sqlite3.Connection, schema: Schema) -> None:
    """Bring the tables from the version they have to this program's, in one transaction."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version < schema.version:
            for statements in schema.migrations[version:]:
                for statement in statements:
                    connection.execute(statement)
            connection.execute("INSERT OR REPLACE INTO notes VALUES ('schema', ?)", (str(schema.version),))
            connection.execute(f"PRAGMA user_version={schema.version}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
