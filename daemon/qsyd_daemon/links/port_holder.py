"""Who holds a port: a name and a process number, for the message that refuses it.

The kernel's own tables are read, no lock files: those go stale when their writer is killed.
"""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path


def lock_holder(path: str) -> str | None:
    """Who has `path` locked with flock, as `NAME (process N)`, without opening the port.

    Works for processes of other users too. None when nobody has, or where the system does not tell.
    """
    try:
        status = os.stat(path)
        table = Path("/proc/locks").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # Fields of a line, proc_locks(5): number, kind, ADVISORY, READ or WRITE, process, device:inode, start, end;
    # the device as MAJOR:MINOR in hexadecimal.
    wanted = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    for line in table.splitlines():
        fields = line.split()
        if len(fields) >= 6 and fields[1] == "FLOCK" and fields[5] == wanted:
            return _described(fields[4])
    return None


def open_holder(path: str) -> str | None:
    """Who has `path` open, locked or not; only processes that this user may look into are seen."""
    target = os.path.realpath(path)
    for process in _processes():
        with contextlib.suppress(OSError):  # gone meanwhile, or not ours to look into
            for descriptor in os.scandir(f"/proc/{process}/fd"):
                with contextlib.suppress(OSError):
                    if os.readlink(descriptor.path) == target:
                        return _described(process)
    return None


def _processes() -> Iterator[str]:
    with contextlib.suppress(OSError):
        own = str(os.getpid())  # our own attempt has the port open too
        yield from (name for name in os.listdir("/proc") if name.isdigit() and name != own)


def _described(process: str) -> str:
    try:
        name = Path(f"/proc/{process}/comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return f"process {process}"
    return f"{name} (process {process})"
