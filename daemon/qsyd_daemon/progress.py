"""Watches that the event loop turns and the core gets its turns with it; a loop that stands still loses its permit.

The loop leaves a mark ten times a second. A thread sees when the mark has grown old and then does the one thing that
it may do: drop the permit lines. The service manager's watchdog is fed by the loop alone, and only while the core is
not behind, so that neither a thread nor a timer of its own vouches for what has stopped.
"""

import asyncio
import threading
from collections.abc import Callable, Sequence

from qsyd_daemon.notify import Notifier
from qsyd_daemon.outputs.permit_line import PermitLine
from qsyd_daemon.rig_follower import monotonic_us

BEAT_S = 0.1
"""Between two marks, in seconds."""
STALLED_US = 500_000
"""A mark older than this means that the loop stands still."""
STATUS_EVERY_US = 1_000_000


class Progress:
    """`start` and `close` on the event loop; in between it beats."""

    def __init__(
        self,
        lines: Sequence[PermitLine],
        notifier: Notifier,
        is_on_time: Callable[[int], bool],
        stalled: Callable[[int, int], None],
        status: Callable[[], str],
    ) -> None:
        """`is_on_time(now_us)` says whether the core gets its turns; `stalled(at_us, stalled_us)` hears of a stall
        when it is over, and from then on the lines may be released again; `status` is a line for the manager."""
        self._lines = tuple(lines)
        self._notifier = notifier
        self._is_on_time = is_on_time
        self._stalled = stalled
        self._status = status
        self._beat_us = 0
        self.lag_us = 0
        """How late the last mark was."""
        self._over = threading.Event()
        self._timer: asyncio.TimerHandle | None = None
        self._fed_us = 0
        self._told_us = 0
        self._told = ""

    def guard(self, lines: Sequence[PermitLine]) -> None:
        """These are the lines to drop from now on."""
        self._lines = tuple(lines)

    def start(self) -> None:
        """Begin to watch; the manager hears that the daemon is ready."""
        self._beat_us = self._fed_us = self._told_us = monotonic_us()
        if self._notifier.is_heard:
            self._told = self._status()
            self._notifier.send("READY=1", f"STATUS={self._told}")
        self._timer = asyncio.get_running_loop().call_later(BEAT_S, self._beat)
        threading.Thread(target=self._watch, name="progress", daemon=True).start()

    def close(self) -> None:
        """End watching; the manager hears that the daemon stops."""
        self._over.set()
        if self._timer is not None:
            self._timer.cancel()
        self._notifier.send("STOPPING=1")

    def _beat(self) -> None:
        """Leave a mark."""
        now_us = monotonic_us()
        was_us, self._beat_us = self._beat_us, now_us
        self.lag_us = max(0, now_us - was_us - round(BEAT_S * 1e6))
        self._timer = asyncio.get_running_loop().call_later(BEAT_S, self._beat)
        if now_us - was_us >= STALLED_US or any(line.is_dropped for line in self._lines):
            # In one turn of the loop: no release that was decided before can come in between.
            for line in self._lines:
                line.allow()
            self._stalled(now_us, now_us - was_us)
        if self._notifier.is_heard:
            self._report(now_us)

    def _report(self, now_us: int) -> None:
        watchdog_us = self._notifier.watchdog_us
        if watchdog_us is not None and now_us - self._fed_us >= watchdog_us // 3 and self._is_on_time(now_us):
            self._fed_us = now_us
            self._notifier.send("WATCHDOG=1")
        if now_us - self._told_us >= STATUS_EVERY_US:
            self._told_us = now_us
            status = self._status()
            if status != self._told:
                self._told = status
                self._notifier.send(f"STATUS={status}")

    def _watch(self) -> None:
        """The thread: sleeps until the mark it has seen would be too old."""
        while not self._over.wait(max(0.0, (self._beat_us + STALLED_US - monotonic_us()) / 1e6)):
            mark_us = self._beat_us
            if monotonic_us() - mark_us < STALLED_US:
                continue
            for line in self._lines:  # a thread each: a driver that hangs must not keep the others from dropping
                threading.Thread(target=line.drop, name=f"drop-{line.name}", daemon=True).start()
            while self._beat_us == mark_us and not self._over.wait(BEAT_S):
                pass  # once is enough for one stall
