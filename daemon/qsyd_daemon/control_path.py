"""Where the control socket of a state directory is. Standard library only: the client commands import this."""

import os
from pathlib import Path

LONGEST_BYTES = 107
"""What a Unix socket's address holds, its closing zero apart."""


def control_path(directory: Path) -> Path:
    """The socket's path in this state directory. Raises ValueError where it would be too long to bind."""
    path = directory / "control.sock"
    if len(os.fsencode(path)) > LONGEST_BYTES:
        raise ValueError(f"{path}: too long for a socket ({LONGEST_BYTES} bytes at most); choose a shorter --state")
    return path
