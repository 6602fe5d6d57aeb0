"""A serial port whose control lines are used: set as a transmit permit, read as a sensed key.

Lines are set and read by ioctl (tty_ioctl(4) and ioctl_tty(2), names from memory). A driver may take its time over
one, on USB a transfer or two, and hangs with hardware that hangs; so none is made on the event loop.
"""

import array
import contextlib
import fcntl
import os
import termios
import threading
from collections.abc import Callable
from enum import StrEnum
from typing import Protocol

from qsyd_daemon.links.link import Address, SerialAddress
from qsyd_daemon.links.serial_port import SerialLink, open_descriptor


class OutputLine(StrEnum):
    """A control line that this end sets."""

    RTS = "rts"
    DTR = "dtr"


class InputLine(StrEnum):
    """A control line that the far end sets."""

    CTS = "cts"
    DSR = "dsr"


BIT = {
    OutputLine.RTS: termios.TIOCM_RTS,
    OutputLine.DTR: termios.TIOCM_DTR,
    InputLine.CTS: termios.TIOCM_CTS,
    InputLine.DSR: termios.TIOCM_DSR,
}
"""Each line's bit; set means asserted, which is the high level (the positive voltage of ITU-T V.28, from memory)."""


class ModemLines(Protocol):
    """The calls that touch a port's lines. Each may block, may be made in any thread and raises OSError."""

    def set(self, descriptor: int, bits: int) -> None:
        """Assert these lines, leaving the others."""

    def clear(self, descriptor: int, bits: int) -> None:
        """Take these lines low, leaving the others."""

    def get(self, descriptor: int) -> int:
        """The bits of all lines that are high."""


class IoctlLines:
    """The lines of a real port."""

    def set(self, descriptor: int, bits: int) -> None:
        """Assert these lines; raises OSError, ENOTTY from what has no lines."""
        fcntl.ioctl(descriptor, termios.TIOCMBIS, array.array("i", [bits]))

    def clear(self, descriptor: int, bits: int) -> None:
        """Take these lines low; raises OSError."""
        fcntl.ioctl(descriptor, termios.TIOCMBIC, array.array("i", [bits]))

    def get(self, descriptor: int) -> int:
        """The bits of the lines that are high; raises OSError."""
        bits = array.array("i", [0])
        fcntl.ioctl(descriptor, termios.TIOCMGET, bits)
        return bits[0]


class PortClosedError(OSError):
    """The port has been closed meanwhile."""


class LinePort(SerialLink):
    """An open port with its lines. `set_line`, `is_set` and `is_high` block, are for any thread and raise OSError."""

    __slots__ = ("_address", "_line_descriptor", "_lines", "_lock")

    def __init__(
        self,
        descriptor: int,
        address: SerialAddress,
        received: Callable[[bytes], None],
        closed: Callable[[str], None],
        lines: ModemLines,
    ) -> None:
        super().__init__(descriptor, address.path, received, closed)
        self._address = address
        self._lines = lines
        self._lock = threading.Lock()
        # A descriptor of its own, given back under the lock: a thread never meets a number that another file has now.
        self._line_descriptor = os.dup(descriptor)

    def set_line(self, line: OutputLine, high: bool) -> None:
        """Take one line to this level."""
        with self._lock:
            self._set(BIT[line], high)

    def is_set(self, line: OutputLine, high: bool) -> bool:
        """Whether the driver says that a line of this end is at this level."""
        return self._is_high(BIT[line]) is high

    def is_high(self, line: InputLine) -> bool:
        """Whether the far end holds this line high."""
        return self._is_high(BIT[line])

    def _is_high(self, bit: int) -> bool:
        with self._lock:
            return bool(self._lines.get(self._open_descriptor()) & bit)

    def _set(self, bits: int, high: bool) -> None:
        change = self._lines.set if high else self._lines.clear
        change(self._open_descriptor(), bits)

    def _open_descriptor(self) -> int:
        if self._line_descriptor < 0:
            raise PortClosedError("the port is closed")
        return self._line_descriptor

    def _release(self) -> None:
        was_open = self._descriptor >= 0
        super()._release()
        if was_open:
            threading.Thread(target=self._give_back_lines, name="close-lines", daemon=True).start()

    def _give_back_lines(self) -> None:
        """Leave the lines at the levels that the address wants them held at, then close."""
        levels = ((OutputLine.RTS, self._address.rts_high), (OutputLine.DTR, self._address.dtr_high))
        with self._lock:
            for line, high in levels:
                with contextlib.suppress(OSError):
                    self._set(BIT[line], high)
            descriptor, self._line_descriptor = self._line_descriptor, -1
            os.close(descriptor)


class LineOpener:
    """Opens serial ports as `LinePort`, for a keeper of links."""

    def __init__(self, lines: ModemLines) -> None:
        self._lines = lines

    async def __call__(
        self, address: Address, received: Callable[[bytes], None], closed: Callable[[str], None]
    ) -> LinePort:
        """Open the port; raises OpenError."""
        assert isinstance(address, SerialAddress), "only serial ports have lines"
        return LinePort(await open_descriptor(address), address, received, closed, self._lines)
