"""The one timer of the station: it rings when the core wants to be woken, never early and hardly late."""

import asyncio
from collections.abc import Callable

from qsyd_daemon.rig_follower import monotonic_us

EARLY_US = 2_000
"""How much before the time the loop's own timer is set. It waits in whole milliseconds, rounded up (epoll_wait(2)), so one
that is set for the time itself is up to one late. What is left is gone through in turns of the loop."""


class Alarm:
    """On the event loop. `wake_at_us` says when to ring, or None; `rehearse` and `ring` are handed the time."""

    def __init__(
        self, wake_at_us: Callable[[], int | None], rehearse: Callable[[int], None], ring: Callable[[int], None]
    ) -> None:
        """`rehearse` is called once about a millisecond before it is due, unless that would take too long."""
        self._wake_at_us = wake_at_us
        self._rehearse = rehearse
        self._ring = ring
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.Handle | None = None
        self._timer_us = 0
        self._rehearsed_us = 0
        self._took_us = 0

    def set(self) -> None:
        """Ring when it is due now; a timer for earlier is left to find nothing due, which is cheaper than moving it."""
        wake_us = self._wake_at_us()
        if wake_us is None or (self._timer is not None and self._timer_us <= wake_us):
            return
        self.cancel()
        self._timer_us = wake_us
        self._timer = self._loop.call_at((wake_us - EARLY_US) / 1_000_000, self._fired)

    def cancel(self) -> None:
        """Do not ring until it is set anew."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _fired(self) -> None:
        self._timer = None
        now_us = monotonic_us()
        wake_us = self._wake_at_us()
        if wake_us is not None and now_us >= wake_us:
            self._ring(now_us)
        elif wake_us is not None and now_us >= wake_us - EARLY_US:
            self._timer_us = wake_us
            self._timer = self._loop.call_soon(self._fired)  # too early: a settle time is never short
            if self._rehearsed_us != wake_us:
                self._rehearsed_us = wake_us
                self._rehearse_in(wake_us - now_us, wake_us)
        else:
            self.set()

    def _rehearse_in(self, left_us: int, wake_us: int) -> None:
        if left_us <= 2 * self._took_us:  # the last one took too long for this one to be in time
            self._took_us //= 2
            return
        began_us = monotonic_us()
        self._rehearse(wake_us)
        self._took_us = monotonic_us() - began_us
