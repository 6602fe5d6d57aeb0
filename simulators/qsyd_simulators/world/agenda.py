"""The virtual clock: what is to happen, in order of time, and of entry where two happen at once."""

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any

MS = 1_000
S = 1_000_000
"""Microseconds."""
NEVER_US = 1 << 62

Action = Callable[[Any], None]


class Agenda:
    """Time goes only forward, and only by `take`. Nothing is ever taken out again: an action that has become pointless
    has to notice that by itself."""

    __slots__ = ("_entries", "_heap", "now_us")

    def __init__(self) -> None:
        self.now_us = 0
        self._heap: list[tuple[int, int, Action, Any]] = []
        self._entries = 0

    def at(self, at_us: int, action: Action, argument: Any = None) -> None:
        """Call `action(argument)` at this time; a time that has passed means now."""
        self._entries += 1
        heappush(self._heap, (max(self.now_us, at_us), self._entries, action, argument))

    def after(self, delay_us: int, action: Action, argument: Any = None) -> None:
        """Call `action(argument)` so much later."""
        self._entries += 1
        heappush(self._heap, (self.now_us + delay_us, self._entries, action, argument))

    @property
    def next_us(self) -> int:
        """When the next thing happens."""
        return self._heap[0][0] if self._heap else NEVER_US

    def take(self) -> None:
        """Let the next thing happen."""
        at_us, _, action, argument = heappop(self._heap)
        self.now_us = at_us
        action(argument)
