"""One daemon a state directory: a lock the kernel holds, and drops by itself however the process ends.

What the lock file says is only for people. Nothing is decided by it, so an empty or stale one, or a process number
that somebody else has by now, does no harm. The file is never removed: removing it would let two daemons lock two
files of the same name.
"""

import contextlib
import fcntl
import os
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from qsyd_daemon.state_directory import StateDirectoryError, make_state_directory

LOCK_FILE = "lock"


class AlreadyRunning(Exception):  # noqa: N818 - reads as what it says
    """Another process holds this state directory; `holder` is what is known of it, in words."""

    def __init__(self, directory: Path, holder: str) -> None:
        super().__init__(f"{directory}: held by {holder}; stop it, or choose another directory with --state")
        self.holder = holder


class InstanceLock:
    """The lock on a state directory, held until `close` or the end of the process. Use `acquire`."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor: int | None = descriptor

    @classmethod
    def acquire(cls, directory: Path, say_holder: str) -> Self:
        """Lock the directory, which is made if need be; never waits.

        `say_holder` is what others are told of this process: `qsyd run`. Raises `AlreadyRunning` when another process
        (or another lock of this one) holds it, `StateDirectoryError` when it cannot be locked.
        """
        make_state_directory(directory)
        path = directory / LOCK_FILE
        while True:
            descriptor = _locked(path, directory)
            if _is_still_at(descriptor, path):
                break
            os.close(descriptor)  # somebody replaced the file between open and lock: lock the one that is there now
        with contextlib.suppress(OSError):  # a full disk costs others the words, not us the lock
            started = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{say_holder}, process {os.getpid()}, since {started}\n".encode(), 0)
        return cls(descriptor)

    def close(self) -> None:
        """Let go of the directory. Does nothing the second time."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()


def _locked(path: Path, directory: Path) -> int:
    """Open and lock the file; the descriptor is closed in programs this process starts (PEP 446)."""
    descriptor = None
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        assert descriptor is not None
        try:
            raise AlreadyRunning(directory, _holder(descriptor)) from None
        finally:
            os.close(descriptor)
    except OSError as error:
        if descriptor is not None:
            os.close(descriptor)
        raise StateDirectoryError(
            f"{path}: cannot be locked ({error.strerror}); the state directory must be on a local disk and belong to "
            "the user who runs qsyd"
        ) from None
    return descriptor


def _holder(descriptor: int) -> str:
    """What the holder wrote of itself: a line for people, so anything unprintable is left out."""
    text = os.pread(descriptor, 200, 0).decode("utf-8", "replace").partition("\n")[0]
    return "".join(character for character in text if character.isprintable()) or "another process"


def _is_still_at(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), os.stat(path, follow_symlinks=False))
    except FileNotFoundError:
        return False
