"""What can go wrong with the store, in words for an operator."""

import errno
import os
import sqlite3
from pathlib import Path


class StoreError(Exception):
    """The store could not do it, and nothing has changed; the text names the file and says what would help."""


class RefusedError(StoreError):
    """What was asked cannot be stored, on any disk: the asker is at fault, the store is well."""


class NewerSchemaError(StoreError):
    """The database was made by a newer version, whose meaning this one cannot know."""


class DamagedError(Exception):
    """A database file that cannot be trusted; the text says what was seen. Never leaves the store."""


_ADVICE: dict[int | None, str] = {
    sqlite3.SQLITE_FULL: "the disk is full; free some space",
    sqlite3.SQLITE_READONLY: "the file or its file system is read-only; make it writable",
    sqlite3.SQLITE_IOERR: "the disk reports an input/output error; check the disk",
    sqlite3.SQLITE_BUSY: "another program holds the database locked; close that program",
    sqlite3.SQLITE_LOCKED: "another program holds the database locked; close that program",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; check that the directory exists and belongs to this user",
    sqlite3.SQLITE_PERM: "it may not be opened; check that it belongs to this user",
    sqlite3.SQLITE_CORRUPT: "the file is damaged",
    sqlite3.SQLITE_NOTADB: "the file is not a database",
}
NEXT_TO_NOTHING = 65_536
"""Bytes left on a disk that counts as full."""
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR, sqlite3.SQLITE_SCHEMA}


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the error tells of what is in the file, rather than of the disk or of other programs.

    A table that is not there (`SQLITE_ERROR`) counts: the statements are ours, so the file is not. So does text that
    is not UTF-8, which comes from Python and has no code.
    """
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return isinstance(error, sqlite3.OperationalError)
    return code == sqlite3.SQLITE_IOERR_SHORT_READ or code & 0xFF in _DAMAGE


def is_refusal(error: Exception) -> bool:
    """Whether the values are at fault: a number too large, text that is no Unicode, a key that is there already."""
    return isinstance(
        error,
        sqlite3.IntegrityError | sqlite3.ProgrammingError | sqlite3.InterfaceError | OverflowError | UnicodeError,
    )


def in_words(error: Exception, path: Path) -> str:
    """One line on what kept the file from being used, and what would help."""
    match error:
        case sqlite3.Error():
            # The primary code is in the low byte: SQLite, Result and Error Codes, section 3 (from memory).
            code = getattr(error, "sqlite_errorcode", None)
            primary = code & 0xFF if code is not None else None
            if primary == sqlite3.SQLITE_CANTOPEN and _is_on_read_only_disk(path):
                primary = sqlite3.SQLITE_READONLY
            # What cannot grow is not always told as such, the shared memory least of all.
            if primary == sqlite3.SQLITE_IOERR and _is_on_full_disk(path):
                primary = sqlite3.SQLITE_FULL
            text = _ADVICE.get(primary, str(error))
        case OSError(errno=errno.ENOSPC | errno.EDQUOT):
            text = _ADVICE[sqlite3.SQLITE_FULL]
        case OSError(errno=errno.EROFS):
            text = _ADVICE[sqlite3.SQLITE_READONLY]
        case OSError():
            text = error.strerror or str(error)
        case _:
            text = f"{type(error).__name__}: {error}"
    return f"{path}: {text}"


def _is_on_read_only_disk(path: Path) -> bool:
    try:
        return bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def _is_on_full_disk(path: Path) -> bool:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return False
    return disk.f_bavail * disk.f_frsize < NEXT_TO_NOTHING
