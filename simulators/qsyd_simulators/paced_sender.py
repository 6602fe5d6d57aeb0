"""Sends what a voice says when it is due: late, or in pieces, where the voice's faults ask for it; else at once."""

import asyncio
from collections import deque
from collections.abc import Callable

from qsyd_simulators.voice import Voice

FRAGMENT_GAP_S = 0.002
"""Between two pieces of one answer, so that a reader meets them apart."""


class PacedSender:
    """One direction of one connection: nothing overtakes what was said before it."""

    def __init__(self, voice: Voice, write: Callable[[bytes], None]) -> None:
        """Needs a running loop; `write` must not block."""
        self._voice = voice
        self._write = write
        self._loop = asyncio.get_running_loop()
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._timer: asyncio.TimerHandle | None = None

    def hear(self, data: bytes) -> None:
        """Give received bytes to the voice, send its answers, then have its reports sent that come of them."""
        answer = self._voice.received(data, int(self._loop.time() * 1_000_000))
        self._send(answer, self._voice.answer_delay_s)
        if self._voice.on_report is not None:
            self._voice.on_report()

    def report(self) -> None:
        """Send what the voice has to say unasked."""
        self.send_report(self._voice.reports())

    def send_report(self, data: bytes) -> None:
        """Send what was taken from the voice already, for it goes to several connections."""
        self._send(data, 0.0)

    def cancel(self) -> None:
        """Forget what has not been sent."""
        self._waiting.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _send(self, data: bytes, delay_s: float) -> None:
        if not data:
            return
        size = self._voice.fragment_bytes or len(data)
        due_s = self._loop.time() + delay_s
        for start in range(0, len(data), size):
            self._waiting.append((due_s, data[start : start + size]))
            due_s += FRAGMENT_GAP_S
        if self._timer is None:
            self._send_what_is_due()

    def _send_what_is_due(self) -> None:
        self._timer = None
        while self._waiting and self._waiting[0][0] <= self._loop.time():
            self._write(self._waiting.popleft()[1])
        if self._waiting:
            self._timer = self._loop.call_at(self._waiting[0][0], self._send_what_is_due)
