"""A picture into a file; never over the file that it was made from. Standard library only."""

import os
import sys
from pathlib import Path

from qsyd_daemon.exit_code import ExitCode


def write_picture(path: str, picture: str, *sources: str) -> ExitCode:
    """Write it, UTF-8, or say in one line on standard error why not."""
    try:
        if any(_is_same(path, source) for source in sources):
            print(f"error: {path}: is what the picture is made from; name another file for it", file=sys.stderr)
            return ExitCode.FAILED
        Path(path).write_text(picture, encoding="utf-8", newline="")
    except (OSError, ValueError) as error:  # ValueError: a path that no system can have
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        print(f"error: {path}: the picture cannot be written: {reason}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


def _is_same(path: str, other: str) -> bool:
    try:
        return os.path.samefile(path, other)
    except FileNotFoundError:
        return False
