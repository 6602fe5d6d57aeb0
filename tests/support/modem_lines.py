"""Stands in for the control lines of a serial port at the boundary to the kernel; pseudo-terminals have none."""

import threading
import time
from dataclasses import dataclass, field


@dataclass
class RecordedLines:
    """Lines that remember: `high` are the bits that are high now, `moves` what was done, when, and by which thread.

    Faults are fields: `error` is raised by `set` and `clear`, `get_error` by `get`; bits in `stuck` stay low; with
    `hold` set, moves wait for it.
    """

    high: int = 0
    moves: list[tuple[str, int, float, str]] = field(default_factory=list)
    error: OSError | None = None
    get_error: OSError | None = None
    stuck: int = 0
    looks: int = 0
    hold: threading.Event | None = None
    entered: threading.Event = field(default_factory=threading.Event)

    def set(self, descriptor: int, bits: int) -> None:
        self._move("set", bits)
        self.high |= bits & ~self.stuck

    def clear(self, descriptor: int, bits: int) -> None:
        self._move("clear", bits)
        self.high &= ~bits

    def get(self, descriptor: int) -> int:
        self.looks += 1
        if self.get_error is not None:
            raise self.get_error
        return self.high

    def _move(self, what: str, bits: int) -> None:
        self.entered.set()
        if self.hold is not None:
            self.hold.wait(5)
        if self.error is not None:
            raise self.error
        self.moves.append((what, bits, time.monotonic(), threading.current_thread().name))
