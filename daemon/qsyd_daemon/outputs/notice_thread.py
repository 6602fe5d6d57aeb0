"""A bounded queue of events and the one thread that drains it: nothing a notice output does can stall the loop.

A disk that hangs, a pipe nobody reads and a slow log sink stop this thread only. Meanwhile the oldest events are
dropped and counted.
"""

import asyncio
import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable

from qsyd_daemon.outputs.output import Event

EVENTS_QUEUED_MAX = 10_000
"""Events kept for a slow sink."""

CLOSE_S = 1.0
"""Time to write what is queued when the output is closed, in seconds."""


class NoticeThread:
    """Hands queued events to `write(events, dropped)`, in order, in batches, on a thread of its own.

    `dropped` is how many events were lost just before the first of `events`. `write` may block; it must not raise, and
    where it waits, it waits by `pause` and gives up when that says so. `ended` is called last, on the thread. After so many
    seconds as `wake_in_s` says, `write` is called without an event; it may say None.
    """

    def __init__(
        self,
        name: str,
        write: Callable[[list[Event], int], None],
        *,
        ended: Callable[[], None] = lambda: None,
        wake_in_s: Callable[[], float | None] = lambda: None,
        batch_max: int = 256,
        queued_max: int = EVENTS_QUEUED_MAX,
    ) -> None:
        self._write = write
        self._ended = ended
        self._wake_in_s = wake_in_s
        self._batch_max = batch_max
        self._queued_max = queued_max
        self._queue: deque[Event] = deque()
        self._dropped = 0
        self._changed = threading.Condition(threading.Lock())
        self._close_by_s: float | None = None
        self._deaf = False
        self._waiter: tuple[asyncio.AbstractEventLoop, asyncio.Future[None]] | None = None
        self._has_ended = False
        # A daemon thread: where a write never returns, the process must still be able to end.
        self._thread = threading.Thread(target=self._run, name=f"output {name}", daemon=True)
        self._thread.start()

    @property
    def queued(self) -> int:
        """Events that wait to be written."""
        return len(self._queue)

    def put(self, event: Event) -> None:
        """Queue one event, which must not be changed any more; the oldest is dropped for it when the queue is full."""
        with self._changed:
            if self._deaf or self._close_by_s is not None:
                return
            if len(self._queue) >= self._queued_max:
                self._queue.popleft()
                self._dropped += 1
            self._queue.append(event)
            self._changed.notify()

    def pause(self, seconds: float) -> bool:
        """Wait, on the thread; False at once when the output is closing: try once more, then give up."""
        with self._changed:
            if self._close_by_s is None:
                self._changed.wait_for(lambda: self._close_by_s is not None, seconds)
            return self._close_by_s is None

    def stop_listening(self) -> None:
        """Nobody will ever read again: forget what is queued and whatever else comes."""
        with self._changed:
            self._deaf = True
            self._queue.clear()
            self._dropped = 0

    async def close(self) -> None:
        """Let the thread write what is queued; return when it has ended, or after `CLOSE_S` whatever it does."""
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[None] = loop.create_future()
        with self._changed:
            if self._close_by_s is None:
                self._close_by_s = time.monotonic() + CLOSE_S
            if self._has_ended:
                return
            self._waiter = (loop, ended)
            self._changed.notify()
        await asyncio.wait((ended,), timeout=CLOSE_S)

    def _run(self) -> None:
        while (taken := self._take()) is not None:
            self._write(*taken)
        self._ended()
        with self._changed:
            self._has_ended = True
            waiter = self._waiter
        if waiter is not None:
            loop, future = waiter
            with contextlib.suppress(RuntimeError):  # the loop was closed while this thread was held up
                loop.call_soon_threadsafe(_resolve, future)

    def _take(self) -> tuple[list[Event], int] | None:
        """The next batch; None when all is written, or the time to write it is over."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._queue or self._close_by_s is not None, self._wake_in_s()):
                return [], 0
            if not self._queue or (self._close_by_s is not None and time.monotonic() >= self._close_by_s):
                return None
            events = [self._queue.popleft() for _ in range(min(len(self._queue), self._batch_max))]
            dropped, self._dropped = self._dropped, 0
            return events, dropped


def _resolve(future: asyncio.Future[None]) -> None:
    if not future.done():
        future.set_result(None)
