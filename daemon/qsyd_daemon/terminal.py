"""The terminal that a process was started on, and whether it is still there (tty(4), from memory)."""

import os

_STANDARD = (0, 1, 2)


class Terminal:
    """As it is when this is made; a service has none."""

    def __init__(self) -> None:
        self._was_there = _is_there()
        self._ends = [descriptor for descriptor in _STANDARD if os.isatty(descriptor)]

    @property
    def is_gone(self) -> bool:
        """Whether there was one and is no more, so that nobody looks at this process any longer."""
        return self._was_there and not _is_there()

    def let_go(self) -> None:
        """What is written to it from now on goes nowhere, instead of failing."""
        nowhere = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
        for descriptor in self._ends:
            os.dup2(nowhere, descriptor)
        os.close(nowhere)


def _is_there() -> bool:
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC))
    except OSError:
        return False
    return True
