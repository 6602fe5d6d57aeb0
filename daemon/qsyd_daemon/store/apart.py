"""Reads a database of a state directory where no daemon answers, or beside one that runs, and leaves no trace of it."""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from qsyd_daemon.store.database_file import NAMES_DAMAGED, Schema, check_identity, connect
from qsyd_daemon.store.errors import DamagedError, is_damage

_Value = TypeVar("_Value")


def read_apart(path: Path, schema: Schema, busy_ms: int, read: Callable[[sqlite3.Connection], _Value]) -> _Value:
    """What `read` makes of one state of the database; its rows must be fetched when it returns.

    Without a log nothing is under way and the file alone is the database; opening it otherwise would make a log. With a
    log but no index of it, such as in a copy of a directory, SQLite would make the index: a copy is read instead.
    Raises `FileNotFoundError`, `DamagedError`, `sqlite3.Error`, `OSError`. A daemon that starts or stops meanwhile
    looks like damage for a moment: try again.
    """
    path.stat()
    log, index = (path.with_name(path.name + suffix) for suffix in ("-wal", "-shm"))
    if not log.exists():
        return _read_from(path, path, schema, busy_ms, read, immutable=True)
    if index.exists():
        return _read_from(path, path, schema, busy_ms, read, immutable=False)
    import shutil  # here, since both are rarely needed and slow to import
    import tempfile

    with tempfile.TemporaryDirectory(prefix="qsyd-") as temporary:
        copy = Path(temporary) / path.name
        shutil.copyfile(path, copy)
        shutil.copyfile(log, copy.with_name(log.name))
        return _read_from(copy, path, schema, busy_ms, read, immutable=False)


def _read_from(
    at: Path,
    path: Path,
    schema: Schema,
    busy_ms: int,
    read: Callable[[sqlite3.Connection], _Value],
    *,
    immutable: bool,
) -> _Value:
    with contextlib.closing(connect(at, "ro", busy_ms, immutable=immutable)) as connection:
        try:
            connection.execute("BEGIN")  # one state for all that is read
            check_identity(connection, path, schema)
            return read(connection)
        except sqlite3.Error as error:
            if is_damage(error):
                raise DamagedError(str(error)) from None
            raise
        except UnicodeDecodeError:
            raise DamagedError(NAMES_DAMAGED) from None
