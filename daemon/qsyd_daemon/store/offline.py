"""Reads the presets where no daemon answers, or beside one that runs, and leaves no trace of having looked."""

import contextlib
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from qsyd_daemon.store.ageing_rows import read_marks
from qsyd_daemon.store.database_file import NAMES_DAMAGED, check_identity, connect, files_set_aside
from qsyd_daemon.store.errors import DamagedError, StoreError, in_words, is_damage
from qsyd_daemon.store.preset_backup import has_backup
from qsyd_daemon.store.preset_database import BUSY_MS, PRESET_FILE, SCHEMA
from qsyd_daemon.store.preset_rows import read_rows
from qsyd_rules.preset import Preset
from qsyd_rules.preset_ageing import Mark

_TRIES = 3


@dataclass(frozen=True, slots=True)
class Stored:
    """What a state directory holds of presets, and which of them no longer fit."""

    presets: dict[tuple[str, str], Preset]
    marks: dict[tuple[str, str], Mark]


def read_presets(directory: Path) -> dict[tuple[str, str], Preset]:
    """The presets of a state directory alone: `read_stored`."""
    return read_stored(directory).presets


def read_stored(directory: Path) -> Stored:
    """What is stored; nothing where there is no directory, or nothing was ever saved in it.

    Raises `StoreError`, also when the database is damaged or gone: `qsyd run` would restore a backup, and an empty
    answer would be a false one.
    """
    path = directory / PRESET_FILE
    for tries in range(_TRIES):
        try:
            return _read(path)
        except FileNotFoundError:
            if has_backup(directory) or files_set_aside(path):
                raise StoreError(f"{path}: is gone; {_ADVICE}") from None
            return Stored({}, {})
        except DamagedError as damage:
            # A daemon that started or stopped meanwhile looks like damage for a moment.
            if tries == _TRIES - 1:
                raise StoreError(f"{path}: {damage}; {_ADVICE}") from None
        except (sqlite3.Error, OSError) as error:
            if tries == _TRIES - 1:
                raise StoreError(in_words(error, path)) from None
    raise AssertionError("the last try returns or raises")


_ADVICE = "`qsyd run` moves it aside and restores the newest good backup"


def _read(path: Path) -> Stored:
    """Without a log nothing is under way and the file alone is the database; opening it otherwise would make a log.

    With a log but no index of it, such as in a copy of a directory, SQLite would make the index: read a copy instead.
    """
    path.stat()
    log, index = (path.with_name(path.name + suffix) for suffix in ("-wal", "-shm"))
    if not log.exists():
        return _read_from(path, immutable=True)
    if index.exists():
        return _read_from(path, immutable=False)
    import shutil  # here, since both are rarely needed and slow to import
    import tempfile

    with tempfile.TemporaryDirectory(prefix="qsyd-") as temporary:
        copy = Path(temporary) / path.name
        shutil.copyfile(path, copy)
        shutil.copyfile(log, copy.with_name(log.name))
        return _read_from(copy, immutable=False)


def _read_from(path: Path, *, immutable: bool) -> Stored:
    with contextlib.closing(connect(path, "ro", BUSY_MS, immutable=immutable)) as connection:
        try:
            connection.execute("BEGIN")  # one state for all that is read
            check_identity(connection, path, SCHEMA)
            return Stored(read_rows(connection), read_marks(connection))
        except sqlite3.Error as error:
            if is_damage(error):
                raise DamagedError(str(error)) from None
            raise
        except UnicodeDecodeError:
            raise DamagedError(NAMES_DAMAGED) from None
