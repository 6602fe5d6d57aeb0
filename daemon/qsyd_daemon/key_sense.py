"""Reads the line of a serial port that tells whether a rig is keyed.

The line is looked at every `EVERY_S` in a thread: a driver may need a transfer over USB for each look, or hang, and
the event loop must not wait for that.
"""

import asyncio
import contextlib
import threading
from collections.abc import Callable

from qsyd_daemon.links.line_port import InputLine, LinePort
from qsyd_daemon.links.link import Link, Speaker

EVERY_S = 0.01
"""Between two looks at the line, in seconds."""
UNREADABLE_EVERY_S = 1.0
"""Between two looks at a line that could not be read, in seconds."""


class KeySense:
    """Speaks over the port of the line, alone or in front of `onward`, who speaks over the same port.

    `told` hears on the event loop what the line says: on opening and on each change; None while it cannot be read,
    with the reason in `because`.
    """

    def __init__(
        self, line: InputLine, active_high: bool, told: Callable[[bool | None], None], onward: Speaker | None = None
    ) -> None:
        self._line = line
        self._active_high = active_high
        self._told = told
        self._onward = onward
        self._over: threading.Event | None = None
        self.because: str | None = None
        """Why the line cannot be read; None while it can, and before it was tried."""

    def link_opened(self, link: Link) -> None:
        """The port is open: the line is read from now on."""
        assert isinstance(link, LinePort), "the keeper's opener makes ports with lines"
        self._over = over = threading.Event()
        loop = asyncio.get_running_loop()
        threading.Thread(target=self._watch, args=(link, over, loop), name=f"sense-{self._line}", daemon=True).start()
        if self._onward is not None:
            self._onward.link_opened(link)

    def bytes_received(self, data: bytes) -> None:
        """Bytes are for who speaks over this port."""
        if self._onward is not None:
            self._onward.bytes_received(data)

    def link_closed(self, reason: str) -> None:
        """The port is gone, and with it the line."""
        self.stop()
        self.because = reason
        self._told(None)
        if self._onward is not None:
            self._onward.link_closed(reason)

    def stop(self) -> None:
        """Read the line no more."""
        if self._over is not None:
            self._over.set()
            self._over = None

    def _watch(self, port: LinePort, over: threading.Event, loop: asyncio.AbstractEventLoop) -> None:
        last: bool | str | None = None
        pause_s = EVERY_S
        while not over.wait(0 if last is None else pause_s):
            seen = self._look(port)
            pause_s = UNREADABLE_EVERY_S if isinstance(seen, str) else EVERY_S
            if seen != last:
                last = seen
                with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                    loop.call_soon_threadsafe(self._tell, over, seen)

    def _look(self, port: LinePort) -> bool | str:
        """Whether the line says keyed, or why it does not say anything."""
        try:
            return port.is_high(self._line) is self._active_high
        except OSError as error:
            return f"{self._line} cannot be read: {error.strerror or error}"

    def _tell(self, over: threading.Event, seen: bool | str) -> None:
        if over is not self._over:
            return  # of a port that has closed meanwhile
        self.because = seen if isinstance(seen, str) else None
        self._told(None if isinstance(seen, str) else seen)
