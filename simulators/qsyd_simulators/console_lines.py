"""Lines that somebody types while the loop runs, read without a thread and without ever blocking it."""

import asyncio
import os
import stat
from collections.abc import AsyncIterator

_READ_BYTES = 4096
_BACKGROUND_PAUSE_S = 0.5
"""How often a process in the background looks whether it has come to the foreground."""


async def console_lines(descriptor: int = 0) -> AsyncIterator[str]:
    """Yield the lines of a terminal, pipe or file, without their ends, until it ends.

    The descriptor stays in blocking mode, for others may share it (a shell does); so it is read only once it is ready.
    A terminal that belongs to another process group is not read, for that would stop this process.
    """
    text = b""
    while chunk := await _read(descriptor):
        *lines, text = (text + chunk).split(b"\n")
        for line in lines:
            yield line.decode("utf-8", "replace").rstrip("\r")
    if text:
        yield text.decode("utf-8", "replace")


async def _read(descriptor: int) -> bytes:
    """The next bytes, or none at the end; a descriptor that cannot be read counts as ended."""
    try:
        while True:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                await _wait_readable(descriptor)
            if not _is_in_background(descriptor):
                return os.read(descriptor, _READ_BYTES)
            await asyncio.sleep(_BACKGROUND_PAUSE_S)
    except OSError:
        return b""


def _is_in_background(descriptor: int) -> bool:
    """Whether the descriptor is this process's terminal and another process group has it."""
    try:
        return os.tcgetpgrp(descriptor) != os.getpgrp()
    except OSError:  # no terminal, or not the one that controls this process: nobody would stop it
        return False


async def _wait_readable(descriptor: int) -> None:
    loop = asyncio.get_running_loop()
    readable = asyncio.Event()
    try:
        loop.add_reader(descriptor, readable.set)
    except PermissionError:  # the likes of /dev/null, which are always ready
        return
    try:
        await readable.wait()
    finally:
        loop.remove_reader(descriptor)
