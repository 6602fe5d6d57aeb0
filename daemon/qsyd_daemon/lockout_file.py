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
    """The lockout could not be made durable, or not ended; nothing has changed."""


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
    """Make a lockout durable: on disk, file and directory both, before this returns. Raises `LockoutError`."""
    path = directory / LOCKOUT_FILE
    fresh = directory / f"{LOCKOUT_FILE}.new"
    text = json.dumps({"operator": lockout.operator, "reason": lockout.reason, "since": lockout.since})
    try:
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            os.write(descriptor, text.encode())
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        os.replace(fresh, path)
        _sync(directory)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise LockoutError(f"{path}: {error.strerror}; the lockout does not stand") from None


def end_lockout(directory: Path) -> None:
    """Remove the lockout, durably. Raises `LockoutError`."""
    path = directory / LOCKOUT_FILE
    try:
        path.unlink(missing_ok=True)
        _sync(directory)
    except OSError as error:
        raise LockoutError(f"{path}: {error.strerror}; the lockout still stands") from None


def _sync(directory: Path) -> None:
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
