"""Copies of the preset database, and the way back from them when the database is damaged or gone."""

import contextlib
import sqlite3
import time
from pathlib import Path

from qsyd_daemon.store.database_file import (
    Schema,
    check_header,
    check_identity,
    check_pages,
    connect,
    put_in_place,
    remove,
    sync,
)
from qsyd_daemon.store.errors import DamagedError, is_damage
from qsyd_daemon.store.preset_rows import read_rows

BACKUP_FILES = ("qsyd.backup.sqlite3", "qsyd.backup-older.sqlite3")
"""Newest first; the older one serves when the newest is damaged too."""


def back_up(connection: sqlite3.Connection, directory: Path) -> None:
    """Copy the database behind `connection`; the backup before it is kept as the older one.

    Raises `sqlite3.Error` or `OSError`; the backups there were are then still there.
    """
    newest, older = (directory / name for name in BACKUP_FILES)
    new = newest.with_name(newest.name + ".new")
    remove(new)
    _copy(connection, new)
    with contextlib.suppress(FileNotFoundError):
        newest.replace(older)
        sync(directory)
    put_in_place(new, newest)


def restore_newest(path: Path, schema: Schema) -> str | None:
    """Put the newest good backup in the place of `path`; says in words what it was, or None if there is none.

    Raises `NewerSchemaError`, `sqlite3.Error` or `OSError`.
    """
    for name in BACKUP_FILES:
        backup = path.with_name(name)
        if not backup.exists():
            continue
        new = path.with_name(path.name + ".new")
        remove(new)
        try:
            check_header(backup)
            # A backup has no log and nobody writes to it; immutable, so that looking leaves no file behind.
            with contextlib.closing(connect(backup, "ro", 0, immutable=True)) as connection:
                check_identity(connection, backup, schema)
                check_pages(connection)
                count = len(read_rows(connection))
                _copy(connection, new)
        except (DamagedError, UnicodeDecodeError):
            continue
        except sqlite3.Error as error:
            if is_damage(error):
                continue
            raise
        made = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(backup.stat().st_mtime))
        put_in_place(new, path)
        return f"the backup of {made} with {count} preset{'' if count == 1 else 's'}"
    return None


def has_backup(directory: Path) -> bool:
    """Whether a backup is there, good or not."""
    return any((directory / name).exists() for name in BACKUP_FILES)


def _copy(connection: sqlite3.Connection, new: Path) -> None:
    with contextlib.closing(connect(new, "rwc", 0)) as copy:
        copy.execute("PRAGMA synchronous=FULL")
        connection.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE").fetchone()  # one file, without a log beside it
