"""pyserial's RFC 2217 client, with its thread, its waiting and its memory kept in bounds.

pyserial negotiates, doubles and undoubles 0xFF, and reads in a thread of its own. What it leaves open is closed here:

- What it reads goes to `Arrivals`, which hold a bounded number of bytes; the server then has to wait.
- Why the connection ended is kept, whatever it was; a peer that sends nonsense ends the thread, not more.
- Who waits for an answer of the server hears at once that the connection has ended, not after 3 s.

`_telnet_read_loop` and the other names with an underscore are those of pyserial 3.5, the last release of its line.
"""

import contextlib
import socket
import threading
from collections.abc import Callable
from typing import Any

from serial import rfc2217

from qsyd_daemon.links.link import Rfc2217Address
from qsyd_daemon.links.tcp import loss, set_options

ARRIVED_BYTES_MAX = 4096
"""What may wait for the event loop, in bytes (give or take one read of 1 KiB); beyond it the server waits."""
UNFINISHED_BYTES_MAX = 64 * 1024
"""So many bytes without any data or finished Telnet command, and the peer speaks no Telnet."""
SEND_S_MAX = 5.0
"""How long the connection may take no bytes until it is given up, in seconds."""


class TelnetError(Exception):
    """What the peer sends is no Telnet."""


class ClosedError(Exception):
    """This end has closed the connection: what reads it ends."""


def not_spoken(peer: str) -> str:
    """Why a server is of no use, in words."""
    return f"{peer}: no RFC 2217 is spoken there; for a server that passes raw bytes write tcp:HOST:PORT"


class Arrivals:
    """Data on its way from pyserial's thread to the event loop; stands where pyserial has a queue of single bytes.

    `wake` is called whenever there is something to `take`, in pyserial's thread.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._data = bytearray()
        self._ended_because: str | None = None
        self._is_closed = False
        self._wake: Callable[[], None] | None = None
        self.has_had_data = False
        """Whether anything has been put; reset by who looks."""

    def attach(self, wake: Callable[[], None]) -> None:
        """Call this from now on; at once, if there is something already."""
        with self._changed:
            self._wake = wake
            waits = bool(self._data) or self._ended_because is not None
        if waits:
            wake()

    def put(self, byte: bytes | None) -> None:
        """Called by pyserial: one byte of data, or None at the end, which `end` tells better."""
        if byte is not None:
            self.has_had_data = True
            with self._changed:
                self._data += byte

    def qsize(self) -> int:
        """Called by pyserial when it discards what arrived for an earlier user: whether there is any."""
        return len(self._data)

    def get(self, block: bool = True) -> None:
        """Called by pyserial to discard a byte; it wants to be rid of all."""
        with self._changed:
            self._data.clear()

    def flush(self) -> None:
        """Hand on what has been put; waits while too much of it is still here. Raises ClosedError.

        Nobody takes anything while the port is being opened: what is too much then is thrown away.
        """
        with self._changed:
            wake = self._wake
            if wake is None and len(self._data) >= ARRIVED_BYTES_MAX:
                self._data.clear()
        if wake is not None and self._data:
            wake()
        with self._changed:
            self._changed.wait_for(lambda: self._is_closed or len(self._data) < ARRIVED_BYTES_MAX)
            if self._is_closed:
                raise ClosedError

    def end(self, reason: str) -> None:
        """No more will come."""
        with self._changed:
            self._ended_because = reason
            wake = self._wake
        if wake is not None:
            wake()

    def take(self) -> tuple[bytes, str | None]:
        """What has arrived, and why nothing will come after it; None while more may come."""
        with self._changed:
            data = bytes(self._data)
            self._data.clear()
            self._changed.notify_all()
            return data, self._ended_because

    def close(self) -> None:
        """Nobody takes any more: nothing waits for that either."""
        with self._changed:
            self._is_closed = True
            self._changed.notify_all()


class Connection:
    """The socket, as far as pyserial uses it."""

    def __init__(self, connected: socket.socket, peer: str, arrivals: Arrivals) -> None:
        self._socket = connected
        self._peer = peer
        self._arrivals = arrivals
        self.ended_because: str | None = None
        """Why the peer is lost, in words; None when it is not, or this end closed the connection."""
        self.is_over = False
        self.unfinished_bytes = 0
        """Bytes read since data or a whole command of Telnet came."""
        set_options(connected)
        connected.settimeout(SEND_S_MAX)

    def recv(self, size: int) -> bytes:
        """Called in pyserial's thread, each time that it has looked at all that it read before."""
        self._arrivals.flush()
        if self._arrivals.has_had_data:
            self._arrivals.has_had_data = False
            self.unfinished_bytes = 0
        try:
            data = self._socket.recv(size)
        except OSError as error:
            if isinstance(error, TimeoutError) and error.errno is None:
                raise  # nothing has come for a while; pyserial goes on
            self.lost(loss(self._peer, error))
            # Not that error itself: ETIMEDOUT, a silent far end, is a TimeoutError too.
            raise ConnectionError("the connection has ended") from error
        if not data:
            self.lost(loss(self._peer, None))
        self.unfinished_bytes += len(data)
        if self.unfinished_bytes > UNFINISHED_BYTES_MAX:
            raise TelnetError
        return data

    def sendall(self, data: bytes) -> None:
        """Send all of it within `SEND_S_MAX`; raises OSError."""
        if self.is_over:
            raise ConnectionError("the connection has ended")
        try:
            self._socket.sendall(data)
        except OSError as error:
            if isinstance(error, TimeoutError) and error.errno is None:
                self.lost(f"{self._peer}: the far end has taken no bytes for {SEND_S_MAX:.0f} s")
            else:
                self.lost(loss(self._peer, error))
            raise

    def shutdown(self, how: int) -> None:
        """End both directions; does not block, and raises nothing, lest pyserial should leave out `close`."""
        self.is_over = True
        with contextlib.suppress(OSError):
            self._socket.shutdown(how)

    def setsockopt(self, level: int, name: int, value: int) -> None:
        """Set an option; raises OSError."""
        self._socket.setsockopt(level, name, value)

    def close(self) -> None:
        """Give the descriptor back."""
        self._socket.close()

    def is_to_itself(self) -> bool:
        """With nobody listening, TCP can connect a local port to itself."""
        with contextlib.suppress(OSError):
            return bool(self._socket.getsockname() == self._socket.getpeername())
        return False

    def lost(self, reason: str) -> None:
        """The peer is lost; the first reason counts, and none once this end has closed the connection."""
        if not self.is_over and self.ended_because is None:
            self.ended_because = reason


class Client(rfc2217.Serial):
    """A connection to one server. `open`, `write` and `close` block; `abort` does not, and is for any thread."""

    # Of pyserial, and not in its published types.
    _read_buffer: Any
    _telnet_options: list[rfc2217.TelnetOption]
    _rfc2217_options: dict[str, rfc2217.TelnetSubnegotiation]

    def __init__(self, address: Rfc2217Address) -> None:
        self.peer = f"{address.host}:{address.port}"
        self.arrivals = Arrivals()
        self._connection: Connection | None = None
        self._is_aborted = False
        super().__init__()  # without a port nothing is opened yet
        host = f"[{address.host}]" if ":" in address.host else address.host
        option = "" if address.lines_answered else "?ign_set_control"
        self.port = f"rfc2217://{host}:{address.port}{option}"
        self.baudrate = address.baud
        self.stopbits = address.stop_bits
        # Set beforehand, these are the first levels that the server is asked for.
        self.dtr = address.dtr_high
        self.rts = address.rts_high

    def abort(self) -> None:
        """End the connection now: whatever blocks in this client fails at once, but for a connection being made."""
        self._is_aborted = True
        self.arrivals.close()
        if self._connection is not None:
            self._connection.shutdown(socket.SHUT_RDWR)

    @property
    def _socket(self) -> Connection | None:
        """What pyserial has connected; None again once it has closed that."""
        return self._used_socket

    @_socket.setter
    def _socket(self, connected: socket.socket | None) -> None:
        self._used_socket: Connection | None = None
        if connected is not None:
            self._used_socket = self._connection = Connection(connected, self.peer, self.arrivals)

    @property
    def ended_because(self) -> str | None:
        """Why the peer is lost; None while it is not, and where this end closed the connection."""
        return None if self._connection is None else self._connection.ended_because

    def _telnet_read_loop(self) -> None:
        """Called by pyserial, in the thread that it has made for this, as soon as the connection stands."""
        connection = self._connection
        assert connection is not None, "it has been connected"
        self._read_buffer = self.arrivals
        try:
            if connection.is_to_itself():
                connection.lost(f"{self.peer}: nobody listens there")
            elif not self._is_aborted:
                super()._telnet_read_loop()  # type: ignore[misc]
        except ClosedError:
            pass
        except OSError as error:  # while answering the peer
            connection.lost(loss(self.peer, error))
        except Exception:  # noqa: BLE001 - the peer's bytes have led pyserial astray: TypeError and others
            connection.lost(f"{self.peer}: what the server sends is not Telnet")
        finally:
            connection.shutdown(socket.SHUT_RDWR)
            self._fail_what_waits()
            self.arrivals.end(connection.ended_because or f"{self.peer}: closed")

    def _fail_what_waits(self) -> None:
        """Whoever opens the port looks at these states every 50 ms; by them he sees that no answer will come."""
        for option in self._telnet_options:
            option.state, option.active = rfc2217.INACTIVE, False
        for setting in self._rfc2217_options.values():
            setting.state = rfc2217.REALLY_INACTIVE

    def _telnet_process_command(self, command: bytes) -> None:
        self._finished()
        super()._telnet_process_command(command)  # type: ignore[misc]

    def _telnet_negotiate_option(self, command: bytes, option: bytes) -> None:
        self._finished()
        if command == rfc2217.DONT and option == rfc2217.COM_PORT_OPTION and self._connection is not None:
            # pyserial would go on, and wait in vain for what the settings come to.
            self._connection.lost(not_spoken(self.peer))
            raise ClosedError
        super()._telnet_negotiate_option(command, option)  # type: ignore[misc]

    def _telnet_process_subnegotiation(self, suboption: bytes) -> None:
        self._finished()
        super()._telnet_process_subnegotiation(suboption)  # type: ignore[misc]

    def _finished(self) -> None:
        if self._connection is not None:
            self._connection.unfinished_bytes = 0
