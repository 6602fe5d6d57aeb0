"""How a command ends, for scripts. 64 and above follow sysexits.h (from memory)."""

from enum import IntEnum


class ExitCode(IntEnum):
    DONE = 0
    FAILED = 1
    """Refused, or failed while running."""
    WRONG_USE = 2
    NO_DAEMON = 69
    ALREADY_RUNNING = 75
    BAD_FILE = 78
