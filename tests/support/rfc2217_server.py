"""A serial port served over RFC 2217, in threads: pyserial's own server side over a real pseudo-terminal.

What `serial.rfc2217.PortManager` takes for a rate, a line or a byte is what the daemon's link said. It is of the same
library as the client of that link, so that both may share an error; the test against ser2net, where that is installed,
has another author. A pseudo-terminal has no control lines, so the levels that it is told are written down instead.
"""

import contextlib
import select
import socket
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import serial
from foreign_rigs import PtyWire
from serial import rfc2217

LOOK_EVERY_S = 0.02


class PortOfLevels(serial.Serial):
    """A pseudo-terminal whose lines are remembered: `levels` has each that was set, in order."""

    def __init__(self, path: str) -> None:
        self.levels: list[tuple[str, bool]] = []
        super().__init__(path, timeout=0)

    def _update_rts_state(self) -> None:
        self.levels.append(("rts", bool(self.rts)))

    def _update_dtr_state(self) -> None:
        self.levels.append(("dtr", bool(self.dtr)))

    cts = dsr = ri = cd = False


class Client:
    """One connection, as `PortManager` wants it: with `write`."""

    def __init__(self, connected: socket.socket) -> None:
        self.socket = connected

    def write(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self.socket.sendall(data)


class DeafManager(rfc2217.PortManager):
    """Sets what it is asked to set, but never acknowledges flow control, DTR and RTS."""

    def rfc2217_send_subnegotiation(self, option: bytes, value: bytes = b"") -> None:
        if option != rfc2217.SERVER_SET_CONTROL:
            super().rfc2217_send_subnegotiation(option, value)


@dataclass
class PortServer:
    """Serves the port at `path`, one client at a time, the newest. Use as a context manager."""

    path: str
    answers_lines: bool = True
    connections: int = 0
    levels: list[tuple[str, bool]] = field(default_factory=list)
    """Each level that a client has set."""
    settings: list[tuple[int, float]] = field(default_factory=list)
    """Baud and stop bits, as they were at the first byte of data of each client."""

    def __post_init__(self) -> None:
        self.number = 0
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._ending = threading.Event()
        self._lock = threading.Lock()
        self.mend()
        self._thread = threading.Thread(target=self._serve, name="rfc2217 server", daemon=True)

    @property
    def client(self) -> socket.socket | None:
        """Who is served, or was last."""
        return self._client

    @property
    def link(self) -> str:
        return f"rfc2217:127.0.0.1:{self.number}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(5)
        assert not self._thread.is_alive(), "the server's thread did not end"
        self.cut()

    def mend(self) -> None:
        """Accept clients, on the same port as ever."""
        with self._lock:
            self._listener = socket.create_server(("127.0.0.1", self.number))
            self.number = self._listener.getsockname()[1]

    def cut(self) -> None:
        """Hang up, and refuse whoever comes, until `mend`."""
        with self._lock:
            for each in (self._listener, self._client):
                if each is not None:
                    with contextlib.suppress(OSError):
                        each.shutdown(socket.SHUT_RDWR)
                    each.close()
            self._listener = self._client = None

    def _serve(self) -> None:
        while not self._ending.is_set():
            with self._lock:
                listener = self._listener
            if listener is None or not _readable(listener):
                self._ending.wait(LOOK_EVERY_S if listener is None else 0)
                continue
            with contextlib.suppress(OSError):
                connected, _ = listener.accept()
                connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                with self._lock:
                    self._client = connected
                self.connections += 1
                self._serve_one(connected)

    def _serve_one(self, connected: socket.socket) -> None:
        port = PortOfLevels(self.path)
        port.levels = self.levels
        client: Any = Client(connected)
        manager = (rfc2217.PortManager if self.answers_lines else DeafManager)(port, client)  # type: ignore[arg-type]
        is_new = True
        try:
            while not self._ending.is_set():
                readable, _, _ = select.select([connected.fileno(), port.fileno()], [], [], LOOK_EVERY_S)
                if connected.fileno() in readable:
                    received = connected.recv(1024)
                    if not received:
                        return
                    if data := b"".join(manager.filter(received)):
                        if is_new:
                            self.settings.append((port.baudrate, port.stopbits))
                            is_new = False
                        port.write(data)
                if port.fileno() in readable and (answer := port.read(4096)):
                    client.write(b"".join(manager.escape(answer)))
        except (OSError, ValueError):
            pass  # hung up, or closed by `cut`
        finally:
            port.close()
            connected.close()


class ServedWire(PtyWire):
    """The wire of a rig that is reached over the network: a pseudo-terminal with a server at its far end."""

    def __init__(self, path: Path, answers_lines: bool = True) -> None:
        super().__init__(path)
        self.server = PortServer(str(path), answers_lines).__enter__()
        self.link = self.server.link

    def cut(self) -> None:
        self.server.__exit__()
        super().cut()


def _readable(listener: socket.socket) -> bool:
    try:
        return bool(select.select([listener], [], [], LOOK_EVERY_S)[0])
    except (OSError, ValueError):
        return False  # closed by `cut`
