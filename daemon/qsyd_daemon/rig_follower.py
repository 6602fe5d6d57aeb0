"""Follows one rig: gives its conversation a link, a clock and a timer.

The session decides what to ask and when; this module carries bytes and time to it, and its readings onward. That a rig
has fallen silent is judged by who gets the readings, for it can tell a useful answer from any other.
"""

import asyncio
import time
from collections.abc import Callable, Mapping

from qsyd_daemon.links.guard import Guard
from qsyd_daemon.links.link import Link
from qsyd_daemon.protocols.session import RigReading, RigSession

OVERDUE_US = 1_000
"""The pause before a session that wants to be woken in the past is asked again, in microseconds."""
STOOD_STILL_US = 150_000
"""Woken this much later than the session wanted, in microseconds: the loop has stood still, and what waited to be read
is as old as that. With the longest wait for an answer it is still well under the age that evidence of a key may have."""


def monotonic_us() -> int:
    """Microseconds on the clock that asyncio's loop runs by."""
    return time.monotonic_ns() // 1_000


class RigFollower:
    """Speaks with one rig through `session`; a `link.Speaker`.

    `opened` and `closed` tell of the link, `reading` hands out each reading with the time its last byte arrived. These
    must not raise; what they or the session raise nevertheless goes to `crashed`, and the following goes on.
    `clock` counts microseconds and has to have the same zero as the event loop's own clock.
    """

    def __init__(
        self,
        name: str,
        session: RigSession,
        reading: Callable[[RigReading, int], None],
        closed: Callable[[str], None],
        opened: Callable[[], None],
        *,
        crashed: Callable[[Exception], None],
        clock: Callable[[], int] = monotonic_us,
    ) -> None:
        self.name = name
        self._session = session
        self._reading = reading
        self._closed = closed
        self._opened = opened
        self._guard = Guard(crashed)
        self._clock = clock
        self._link: Link | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at_us = 0
        self._wake_at_us = 0

    def link_opened(self, link: Link) -> None:
        """The link is open: the session starts anew."""
        self._link = link
        with self._guard:
            self._session.opened(self._clock())
            self._opened()
        self._send_due()

    def bytes_received(self, data: bytes) -> None:
        """Bytes arrived: readings go out first, the next query after them."""
        at_us = self._clock()
        with self._guard:
            if at_us > self._wake_at_us + STOOD_STILL_US:
                self._session.opened(at_us)  # somebody may have keyed since these were sent: everything is asked anew
            else:
                for reading in self._session.received(data, at_us):
                    self._reading(reading, at_us)
        self._send_due()

    def link_closed(self, reason: str) -> None:
        """The link broke: nothing is asked until it has opened again."""
        self._link = None  # a timer still set finds no link and is not set again
        with self._guard:
            self._closed(reason)

    def read_now(self) -> None:
        """Ask the rig at once, not at the next poll. Without a link, opening it will do that."""
        if self._link is None:
            return
        with self._guard:
            self._session.read_now(self._clock())
        self._send_due()

    @property
    def errors(self) -> Mapping[str, int]:
        """What went wrong with questions so far, by kind."""
        return self._session.errors

    def set_frequency(self, frequency_hz: int) -> str | None:
        """Set the transmit frequency once; why it is not tried, in words, or None. What is read back counts."""
        if self._link is None:
            return "the rig's link is down"
        refusal: str | None = "qsyd has failed"
        with self._guard:
            refusal = self._session.set_frequency(frequency_hz, self._clock())
        self._send_due()
        return refusal

    def _send_due(self) -> None:
        """Send what the session has to send now, and be here again when it wants to be."""
        if self._link is None:
            return
        at_us = self._clock()
        with self._guard:
            data = self._session.due(at_us)
            if data:
                self._link.write(data)
            wake_at_us = self._session.wake_at_us(at_us)
            self._wake_at_us = wake_at_us if wake_at_us > at_us else at_us + OVERDUE_US
            # A timer that comes earlier is left alone: it looks at the clock when it fires.
            if self._timer is None or self._timer_at_us > self._wake_at_us:
                self._arm()

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer_at_us = self._wake_at_us
        self._timer = asyncio.get_running_loop().call_at(self._wake_at_us / 1e6, self._timer_fired)

    def _timer_fired(self) -> None:
        self._timer = None
        if self._link is not None and self._clock() < self._wake_at_us:
            self._arm()  # left over from an earlier wish, or fired early
        else:
            self._send_due()
