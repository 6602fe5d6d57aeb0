"""Line devices of our own behind real TCP ports: they write down what they hear and when, and can fail in many ways."""

import contextlib
import select
import socket
import threading
import time
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Self


class Fault(Enum):
    """How a device misbehaves, until told otherwise."""

    NONE = auto()
    SILENT = auto()  # hears and writes down, answers nothing
    REFUSES = auto()  # answers `NO`
    STALLED = auto()  # half-open: the connection stands and nobody reads from it
    CLOSES = auto()  # hangs up as soon as it is told something


@dataclass(frozen=True, slots=True)
class Heard:
    """One line, when its last byte was read, and when its `OK` left; all on the monotonic clock, in seconds."""

    at_s: float
    line: str
    answered_s: float | None


@dataclass
class ForeignDevice:
    """Acknowledges every line with `OK`. Use as a context manager.

    `late_s` delays the acknowledgements, without keeping later lines from being heard; lines `deaf_to` get none.
    """

    fault: Fault = Fault.NONE
    late_s: float = 0.0
    deaf_to: frozenset[str] = frozenset()
    heard: list[Heard] = field(default_factory=list)
    connections: int = 0

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._port = self._listener.getsockname()[1]
        self._is_away = False
        self._client: socket.socket | None = None
        self._buffer = b""
        self._owed: list[tuple[float, int]] = []
        self._ending = threading.Event()
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._serve, name="foreign device", daemon=True)

    @property
    def link(self) -> str:
        return f"tcp:127.0.0.1:{self._port}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(5)
        assert not self._thread.is_alive(), "the device's thread did not end"
        self._hang_up()
        self._listener.close()

    @property
    def lines(self) -> list[str]:
        """All lines heard, in order."""
        return [heard.line for heard in self.heard]

    def mark(self) -> int:
        """How many lines have been heard: what `since` counts from."""
        return len(self.heard)

    def wait_for(self, line: str, within_s: float, since: int = 0) -> Heard:
        """The first such line after number `since`. Fails after `within_s` seconds."""
        end_s = time.monotonic() + within_s
        with self._changed:
            while True:
                for heard in self.heard[since:]:
                    if heard.line == line:
                        return heard
                left_s = end_s - time.monotonic()
                assert left_s > 0, f"{line!r} did not come within {within_s} s; heard {self.lines[since:]}"
                self._changed.wait(left_s)

    def answer(self, since: int, line: str) -> float:
        """When the acknowledgement of the first such line left, in seconds."""
        heard = next(heard for heard in self.heard[since:] if heard.line == line)
        assert heard.answered_s is not None, f"{line!r} was not acknowledged"
        return heard.answered_s

    def hang_up(self) -> None:
        """Close the connection; the next one is accepted."""
        client = self._client
        if client is not None:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _serve(self) -> None:
        while not self._ending.is_set():
            self._accept()
            self._acknowledge()
            if self._client is None or self.fault is Fault.STALLED:
                time.sleep(0.005)
                continue
            soonest_s = min((due_s for due_s, _ in self._owed), default=time.monotonic() + 0.02)
            wait_s = min(0.02, max(0.0, soonest_s - time.monotonic()))
            if not select.select([self._client], [], [], wait_s)[0]:
                continue
            try:
                data = self._client.recv(4096)
            except OSError:
                data = b""
            if not data:
                self._hang_up()
                continue
            self._hear(data, time.monotonic())

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            client, _ = self._listener.accept()
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._hang_up()
            self._client = client
            self.connections += 1

    def _hear(self, data: bytes, at_s: float) -> None:
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            with self._changed:
                self.heard.append(Heard(at_s, line.decode("ascii", "backslashreplace"), None))
                self._changed.notify_all()
            match self.fault:
                case _ if self.heard[-1].line in self.deaf_to:
                    pass
                case Fault.NONE:
                    self._owed.append((at_s + self.late_s, len(self.heard) - 1))
                case Fault.REFUSES:
                    self._send(b"NO\n")
                case Fault.CLOSES:
                    self._hang_up()
                case Fault.SILENT | Fault.STALLED:
                    pass
        self._acknowledge()

    def _acknowledge(self) -> None:
        for due_s, index in [owed for owed in self._owed if owed[0] <= time.monotonic()]:
            self._owed.remove((due_s, index))
            heard = self.heard[index]
            # Taken before the send: what is measured from here can only come out longer than it was.
            self.heard[index] = Heard(heard.at_s, heard.line, time.monotonic())
            self._send(b"OK\n")

    def _send(self, data: bytes) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.sendall(data)

    def _hang_up(self) -> None:
        self._owed.clear()
        self._buffer = b""
        if self._client is not None:
            self._client.close()
            self._client = None
