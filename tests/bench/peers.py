"""The far ends of a station on TCP loopback: a rig, devices, and any other peer, served by one thread of ours.

They do the least that keeps the daemon content, so that what is measured is the daemon. Times are nanoseconds of the
system's monotonic clock: a message counts as sent just before it is handed to the system, and as arrived as soon as
it has been read.
"""

import contextlib
import selectors
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass


class Loop:
    """Waits for all peers at once; their work is done only while `run` or `wait` is being called."""

    def __init__(self) -> None:
        self.selector = selectors.DefaultSelector()

    def run(self, until: Callable[[], bool], within_s: float, what: str) -> None:
        """Serve until something has come about; raises `TimeoutError` that names it when that takes too long."""
        end_ns = time.monotonic_ns() + int(within_s * 1e9)
        while not until():
            left_s = (end_ns - time.monotonic_ns()) / 1e9
            if left_s <= 0:
                raise TimeoutError(f"{what}: not within {within_s:g} s")
            self._serve(left_s)

    def wait(self, seconds: float) -> None:
        """Serve for so long."""
        end_ns = time.monotonic_ns() + int(seconds * 1e9)
        while (left_s := (end_ns - time.monotonic_ns()) / 1e9) > 0:
            self._serve(left_s)

    def close(self) -> None:
        """Stop serving; peers close their own sockets."""
        self.selector.close()

    def _serve(self, at_most_s: float) -> None:
        for key, _ in self.selector.select(at_most_s):
            key.data()


class Peer:
    """Listens on a port of its own and speaks with the newest that connects."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._connection: socket.socket | None = None
        self.port: int = self._listener.getsockname()[1]
        self._rest = b""
        loop.selector.register(self._listener, selectors.EVENT_READ, self._accept)

    @property
    def connected(self) -> bool:
        """Whether anyone is there."""
        return self._connection is not None

    def send(self, data: bytes) -> int:
        """Send; when that was, in nanoseconds."""
        assert self._connection is not None, "nobody is connected"
        at_ns = time.monotonic_ns()
        self._connection.sendall(data)
        return at_ns

    def close(self) -> None:
        """Close every socket."""
        self._drop()
        self._loop.selector.unregister(self._listener)
        self._listener.close()

    def arrived(self, message: bytes, at_ns: int) -> None:
        """A whole message has arrived; by default nothing comes of it."""

    end = b"\n"
    """What ends a message."""

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._drop()
        self._connection, self._rest = connection, b""
        self._loop.selector.register(connection, selectors.EVENT_READ, self._read)

    def _read(self) -> None:
        assert self._connection is not None
        try:
            data = self._connection.recv(4096)
        except ConnectionError:
            data = b""
        at_ns = time.monotonic_ns()
        if not data:
            self._drop()
            return
        *messages, self._rest = (self._rest + data).split(self.end)
        with contextlib.suppress(ConnectionError):
            for message in messages:
                self.arrived(message, at_ns)

    def _drop(self) -> None:
        if self._connection is not None:
            self._loop.selector.unregister(self._connection)
            self._connection.close()
            self._connection = None


class Rig(Peer):
    """A rig that speaks ASCII CAT with eleven digits: answers IF, FA and FB, and reports by itself where asked to.

    Layout of IF as makers' command references give it: 37 bytes and a semicolon (from memory).
    """

    end = b";"

    def __init__(self, loop: Loop, frequency_hz: int) -> None:
        super().__init__(loop)
        self.frequency_hz = frequency_hz
        self.reports = False
        """Whether it was asked to report changes by itself."""
        self.polls = 0
        self.told_ns = 0
        """When the present frequency was first told."""

    def turn(self, frequency_hz: int) -> None:
        """Turn the dial, and report it at once where that was asked for; else the next answer tells."""
        self.frequency_hz, self.told_ns = frequency_hz, 0
        if self.reports:
            self.told_ns = self.send(b"FA%011d;" % frequency_hz)

    def arrived(self, message: bytes, at_ns: int) -> None:
        match message:
            case b"IF":
                self.polls += 1
                self._tell(b"IF%011d     +000000000020000000;" % self.frequency_hz)
            case b"FA":
                self._tell(b"FA%011d;" % self.frequency_hz)
            case b"FB":
                self.send(b"FB%011d;" % self.frequency_hz)
            case b"AI2":
                self.reports = True
            case _:
                self.send(b"?;")

    def _tell(self, data: bytes) -> None:
        at_ns = self.send(data)
        self.told_ns = self.told_ns or at_ns


@dataclass(frozen=True, slots=True)
class Arrival:
    """A line that a device has received."""

    line: str
    at_ns: int


class Device(Peer):
    """A device that acknowledges every line at once. Devices of one station share `arrivals`."""

    def __init__(self, loop: Loop, arrivals: list[Arrival]) -> None:
        super().__init__(loop)
        self.arrivals = arrivals

    def arrived(self, message: bytes, at_ns: int) -> None:
        self.send(b"OK\n")
        self.arrivals.append(Arrival(message.decode(), at_ns))
