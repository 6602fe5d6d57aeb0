"""A serial port as a link: pyserial opens and sets it up in a thread, the event loop reads and writes its descriptor.

pyserial itself never runs on the loop: opening can hang in a driver, and its non-blocking write spins for as long as
the far end takes nothing.

Two locks guard a port. flock holds between all programs that ask for it and ends with the process, however that ends.
The tty's exclusive mode also keeps out programs that do not ask, but a pseudo-terminal keeps it for as long as
anybody has the other end open, a killed holder notwithstanding; so only real ports get it.
"""

import asyncio
import contextlib
import errno
import fcntl
import grp
import os
import stat
import termios
import threading
from collections.abc import Callable
from functools import partial

import serial

from qsyd_daemon.links.link import SerialAddress
from qsyd_daemon.links.off_loop import off_loop
from qsyd_daemon.links.open_error import OpenError
from qsyd_daemon.links.port_holder import lock_holder, open_holder

READ_BYTES_MAX = 4096
UNSENT_BYTES_MAX = 64 * 1024
"""What may wait for a far end that takes nothing, in bytes; beyond it the link is given up."""

_CFLAG, _CC = 2, 6  # places in the list that termios.tcgetattr returns


async def open_serial(
    address: SerialAddress, received: Callable[[bytes], None], closed: Callable[[str], None]
) -> "SerialLink":
    """Open the port for this program alone, with its lines at the wanted levels; raises OpenError.

    `received` is called with bytes as they arrive, `closed` once, with the reason, when the port is lost; both on the
    event loop, and neither before this function has returned.
    """
    descriptor = await open_descriptor(address)
    return SerialLink(descriptor, address.path, received, closed)


async def open_descriptor(address: SerialAddress) -> int:
    """Open and set up the port: its descriptor, which the caller owns. Raises OpenError."""
    return await off_loop(partial(_open_port, address), _give_back)


class SerialLink:
    """An open port; see `link.Link`."""

    __slots__ = ("_closed", "_descriptor", "_loop", "_path", "_received", "_unsent", "tapped")

    def __init__(
        self, descriptor: int, path: str, received: Callable[[bytes], None], closed: Callable[[str], None]
    ) -> None:
        self._descriptor = descriptor
        """Negative once the link has closed."""
        self.tapped: Callable[[bytes], None] | None = None
        """Who is shown what is written; nobody, mostly."""
        self._path = path
        self._received = received
        self._closed: Callable[[str], None] | None = closed
        self._unsent = bytearray()
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(descriptor, self._readable)

    def write(self, data: bytes) -> None:
        """Send `data`, keeping what the port does not take yet."""
        if self._descriptor < 0:
            return
        if self.tapped is not None:
            self.tapped(data)
        if not self._unsent:
            try:
                sent = os.write(self._descriptor, data)
            except BlockingIOError:
                sent = 0
            except OSError as error:
                self._lose(f"{self._path}: cannot write: {error.strerror}")
                return
            if sent == len(data):
                return
            data = data[sent:]
            self._loop.add_writer(self._descriptor, self._writable)
        if len(self._unsent) + len(data) > UNSENT_BYTES_MAX:
            self._lose(f"{self._path}: the far end takes no bytes, {UNSENT_BYTES_MAX // 1024} KiB are waiting")
            return
        self._unsent += data

    def close(self) -> None:
        """Close at once, dropping unsent bytes; `closed` is not called."""
        self._closed = None
        self._release()

    def _readable(self) -> None:
        try:
            data = os.read(self._descriptor, READ_BYTES_MAX)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(f"{self._path}: cannot read: {error.strerror}")
            return
        if data:
            self._received(data)
        else:
            # VMIN is 1, so no bytes means hung up, never just "nothing yet".
            self._lose(f"{self._path}: hung up")

    def _writable(self) -> None:
        try:
            sent = os.write(self._descriptor, self._unsent)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(f"{self._path}: cannot write: {error.strerror}")
            return
        del self._unsent[:sent]
        if not self._unsent:
            self._loop.remove_writer(self._descriptor)

    def _lose(self, reason: str) -> None:
        self._release()
        # Not at once: `write` may have been called by whoever is told.
        self._loop.call_soon(self._tell_closed, reason)

    def _tell_closed(self, reason: str) -> None:
        closed, self._closed = self._closed, None
        if closed is not None:
            closed(reason)

    def _release(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor < 0:
            return
        # Off the loop before anything else: a hung-up descriptor is for ever ready.
        self._loop.remove_reader(descriptor)
        self._loop.remove_writer(descriptor)
        self._unsent.clear()
        _give_back(descriptor)


def _give_back(descriptor: int) -> None:
    """Discard what is unsent and close; each step whatever the one before did, nothing that blocks the caller."""
    with contextlib.suppress(OSError, termios.error):
        termios.tcflush(descriptor, termios.TCIOFLUSH)
    # Both locks go now, not when `close` gets through, so that the port can be opened again at once.
    with contextlib.suppress(OSError):
        fcntl.ioctl(descriptor, termios.TIOCNXCL)
    with contextlib.suppress(OSError):
        fcntl.flock(descriptor, fcntl.LOCK_UN)
    # A driver may wait seconds in `close` for bytes that its hardware still has.
    threading.Thread(target=_close, args=(descriptor,), name="close-port", daemon=True).start()


def _close(descriptor: int) -> None:
    with contextlib.suppress(OSError):
        os.close(descriptor)


def _open_port(address: SerialAddress) -> int:
    """Open and set up the port; a non-blocking descriptor. Blocks; raises OpenError."""
    # Asked before opening, because opening alone raises DTR and RTS under whoever holds the port.
    if holder := lock_holder(address.path):
        raise OpenError(_in_use(address.path, holder))
    port = serial.Serial()
    try:
        port.port = address.path
        port.baudrate = address.baud
        port.stopbits = address.stop_bits
        port.timeout = 0
        port.exclusive = True  # flock
        # Set beforehand, pyserial applies the levels first thing after opening.
        port.dtr = address.dtr_high
        port.rts = address.rts_high
        port.open()  # throws away, last, what arrived for an earlier user
    except (OSError, ValueError, termios.error) as error:
        raise OpenError(_open_failure(address, error)) from error
    descriptor = -1
    try:
        with contextlib.suppress(OSError, ValueError):
            port.set_low_latency_mode(True)  # some adapters otherwise hold bytes back for 16 ms
        # A second descriptor for the same open port: pyserial's own, and its four pipe ends, go.
        descriptor = os.dup(port.fileno())
        _prepare(descriptor, address.drop_on_close)
    except (OSError, termios.error) as error:
        if descriptor >= 0:
            _close(descriptor)
        raise OpenError(_open_failure(address, error)) from error
    finally:
        port.close()
    return descriptor


def _prepare(descriptor: int, drop_on_close: bool) -> None:
    attributes = termios.tcgetattr(descriptor)
    if drop_on_close:
        attributes[_CFLAG] |= termios.HUPCL
    else:
        attributes[_CFLAG] &= ~termios.HUPCL  # closing leaves DTR and RTS as they are
    attributes[_CC][termios.VMIN] = 1  # nothing to read is EAGAIN, and only a hang-up reads as no bytes
    attributes[_CC][termios.VTIME] = 0
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    if _has_modem_lines(descriptor):
        fcntl.ioctl(descriptor, termios.TIOCEXCL)


def _has_modem_lines(descriptor: int) -> bool:
    """Whether this is a port with lines, not a pseudo-terminal."""
    try:
        fcntl.ioctl(descriptor, termios.TIOCMGET, bytes(4))
    except OSError:
        return False
    return True


def _in_use(path: str, holder: str | None) -> str:
    return f"{path} is in use by {holder or 'another program'}; stop that first"


def _open_failure(address: SerialAddress, error: Exception) -> str:
    path = address.path
    if isinstance(error, ValueError):
        return f"{path} cannot do {address.baud} baud with {address.stop_bits} stop bits"
    code = error.errno if isinstance(error, OSError) else None
    match code:
        case errno.ENOENT | errno.ENOTDIR:
            return f"no such port {path}"
        case errno.EACCES | errno.EPERM:
            return f"permission denied for {path}: {_who_may(path)}"
        case errno.EAGAIN | errno.EBUSY:
            return _in_use(path, lock_holder(path) or open_holder(path))
        case errno.ENXIO | errno.ENODEV | errno.EIO:
            return f"no device behind {path}"
        case None | errno.ENOTTY | errno.EISDIR:
            # pyserial names no number when the terminal settings cannot be read or set.
            return f"{path} is not a serial port"
        case _:
            return f"cannot open {path}: {os.strerror(code)}"


def _who_may(path: str) -> str:
    """Which group opens the port for its members; `dialout` on most systems."""
    try:
        status = os.stat(path)
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "join group dialout"
    if status.st_mode & stat.S_IRGRP and status.st_mode & stat.S_IWGRP:
        return f"join group {group}"
    return f"its mode is {stat.filemode(status.st_mode)}, its group {group}"
