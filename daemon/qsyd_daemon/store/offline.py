"""Reads the presets where no daemon answers, or beside one that runs, and leaves no trace of having looked."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from qsyd_daemon.store.ageing_rows import read_marks
from qsyd_daemon.store.apart import read_apart
from qsyd_daemon.store.database_file import files_set_aside
from qsyd_daemon.store.errors import DamagedError, StoreError, in_words
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
    return read_apart(path, SCHEMA, BUSY_MS, lambda connection: Stored(read_rows(connection), read_marks(connection)))
