"""Files that hold a secret: read only where nobody but their owner could have. Standard library only."""

import os
import stat
from pathlib import Path


class PrivateFileError(Exception):
    """The file cannot be used; the text says why and what would help."""


def read_private(path: Path, most: int) -> bytes:
    """The file, at most `most` bytes. Raises `PrivateFileError`, and `FileNotFoundError`.

    What is judged is what is open, so that nobody can exchange the file in between.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            _judge(path, os.fstat(descriptor))
            data = file.read(most + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise PrivateFileError(f"{path}: cannot be read: {error.strerror}") from None
    if len(data) > most:
        raise PrivateFileError(f"{path}: larger than {most // 1024} KiB; it is no file of tokens")
    return data


def _judge(path: Path, found: os.stat_result) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise PrivateFileError(f"{path}: is not an ordinary file")
    if found.st_mode & 0o077:
        raise PrivateFileError(
            f"{path}: others than its owner can read or write it (mode {stat.S_IMODE(found.st_mode):04o}); "
            f"use `chmod 600 {path}`, and make new tokens if somebody may have read it"
        )
    if found.st_uid not in {os.geteuid(), 0}:
        raise PrivateFileError(f"{path}: belongs to another user; it must belong to the one that runs qsyd")
