"""Copies of the station files that were in force, in the state directory, so that a night can be judged by its own rules.

A copy is a help, never needed: one that is missing or altered is as if it had never been, and a disk that takes none
keeps nobody off the air.
"""

import asyncio
import contextlib
import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path

KEPT_DIRECTORY = "station-files"
KEPT_MOST = 50
"""The newest are kept; one is a few kilobytes."""
_MODE, _DIRECTORY_MODE = 0o600, 0o700


def keep_station_file(directory: Path, file: Path, sha256: str) -> str | None:
    """Keep a copy of a station file that has this digest; in words, what kept it from being done. Blocks on the disk."""
    kept = directory / KEPT_DIRECTORY / f"{sha256}.yaml"
    fresh = kept.with_suffix(".new")
    try:
        if kept_station_file(directory, sha256) is not None:
            os.utime(kept)
            return None
        data = file.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            return f"{file} has changed since it was read; no copy of what is in force was kept"
        kept.parent.mkdir(mode=_DIRECTORY_MODE, exist_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, _MODE), "wb") as copy:
            copy.write(data)
        fresh.replace(kept)
        for old in sorted(kept.parent.glob("*.yaml"), key=lambda path: path.stat().st_mtime)[:-KEPT_MOST]:
            old.unlink(missing_ok=True)
    except OSError as error:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        return f"no copy of the station file was kept: {error.strerror}"
    return None


def kept_station_file(directory: Path, sha256: str) -> Path | None:
    """The copy with this digest, if it is there and still has it."""
    path = directory / KEPT_DIRECTORY / f"{sha256}.yaml"
    try:
        whole = hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    except (OSError, ValueError):
        return None
    return path if whole else None


def keep_soon(directory: Path, file: Path, sha256: str, told: Callable[[str], object]) -> None:
    """The same on a thread that nobody waits for: a disk that hangs must neither hold up the station nor the end.

    `told` hears on the event loop what kept it from being done.
    """
    loop = asyncio.get_running_loop()

    def keep() -> None:
        failed = keep_station_file(directory, file, sha256)
        if failed is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                loop.call_soon_threadsafe(told, failed)

    threading.Thread(target=keep, daemon=True).start()
