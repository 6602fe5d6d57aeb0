"""What the log says of requests over TCP that were turned away: the first of a kind, then counts.

Nothing that a caller wrote is logged, and nobody can fill the log: a line a minute for each kind, and a kind is a status.
"""

import asyncio
from collections import Counter

from structlog.typing import FilteringBoundLogger

WINDOW_S = 60.0
ORDINARY = frozenset({404, 409})
"""What an honest caller meets: a name that is none, a station that is not ready."""


class Refusals:
    """The lines of one listener."""

    def __init__(self, log: FilteringBoundLogger) -> None:
        self._log = log
        self._untold: Counter[int] = Counter()
        self._window: asyncio.TimerHandle | None = None

    def turned_away(self, status: int, peer: str) -> None:
        """A request was answered with this status; `peer` is the address that it came from."""
        if status in ORDINARY:
            return
        if self._window is None:
            self._untold.clear()
            self._window = asyncio.get_running_loop().call_later(WINDOW_S, self._tell)
        if status not in self._untold:
            self._log.warning("api refused a request", status=status, peer=peer)
            self._untold[status] = 0
        else:
            self._untold[status] += 1

    def close(self) -> None:
        """Say what is left to be said."""
        if self._window is not None:
            self._window.cancel()
            self._tell()

    def _tell(self) -> None:
        self._window = None
        for status, count in sorted(self._untold.items()):
            if count:
                self._log.warning("api refused requests", status=status, more=count, within_s=WINDOW_S)
