"""The maintenance lockout on disk: a small file of its own, so that no restored database can undo it.

A file that is there but cannot be read counts as a lockout: whoever made it meant one.
"""

import contextlib
import json
import os
from pathlib import Path

from qsyd_rules.event import Lockout

LOCKOUT_FILE = "lockout.json"
_UNREADABLE = Lockout("somebody", "the lockout file cannot be read; end it with `qsyd lockout off`", "unknown")


class LockoutError(Exception):
    """The lockout could not be made durable, or not ended; the text says what stands now."""


def read_lockout(directory: Path) -> Lockout | None:
    """The lockout that stands in this state directory; None where there is none."""
    try:
        written = json.loads((directory / LOCKOUT_FILE).read_text(encoding="utf-8"))
        return Lockout(str(written["operator"]), str(written["reason"]), str(written["since"]))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        return _UNREADABLE


def write_lockout(directory: Path, lockout: Lockout) -> None:
    """Make a lockout durable: on disk, file and directory both, before this returns. Raises `LockoutError`.

    It may be there then all the same, as after any loss of power in between: that errs towards safety.
    """
    path, fresh = _paths(directory)
    text = json.dumps({"operator": lockout.operator, "reason": lockout.reason, "since": lockout.since})
    try:
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            data = text.encode()
            while data:  # where room is short only a part of it is taken, and that is no error yet
                data = data[os.write(descriptor, data) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        os.replace(fresh, path)
        _sync(directory)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise LockoutError(
            f"{path}: {error.strerror}; the lockout is in force, but a restart may end it; begin it once more"
        ) from None


def end_lockout(directory: Path) -> None:
    """Remove the lockout, durably. Raises `LockoutError`: it stands then, unless the text says otherwise."""
    path, ended = _paths(directory)
    moved = False
    try:
        if path.exists():
            os.replace(path, ended)  # not deleted, so that it can come back
            moved = True
        _sync(directory)
    except OSError as error:
        if moved:
            with contextlib.suppress(OSError):
                os.replace(ended, path)
        stands = "stands" if path.exists() else "stands, but a restart may end it; begin it once more"
        raise LockoutError(f"{path}: {error.strerror}; the lockout still {stands}") from None
    with contextlib.suppress(OSError):  # it counts for nothing under this name
        ended.unlink()


def _paths(directory: Path) -> tuple[Path, Path]:
    """The file, and the name of one that does not count, because it is not complete yet or not in force any more."""
    return directory / LOCKOUT_FILE, directory / f"{LOCKOUT_FILE}.new"


def _sync(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
