"""Transceivers of our own at real pseudo-terminals and TCP ports, each in a thread of the test process.

A rig keeps every byte that it hears, and `assert_never_keyed` searches them for anything that would key a transmitter
or change a setting. How it talks is its voice's business (`foreign_voices`).
"""

import contextlib
import os
import select
import socket
import threading
import time
import tty
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path
from typing import Self

from foreign_voices import Panel, Voice

LOOK_EVERY_S = 0.05
"""The longest that a rig's thread sleeps without looking whether it should end."""
READ_BYTES = 4096


class Wire(ABC):
    """The far end of a link: `descriptor` is readable and writable while somebody may be there."""

    link: str
    """The address as a station file writes it."""

    @abstractmethod
    def descriptor(self) -> int | None:
        """What to read from and write to; None while nobody has connected."""

    @abstractmethod
    def lose(self) -> None:
        """The other side has gone."""

    @abstractmethod
    def cut(self) -> None:
        """Break the link; nobody can connect until `mend`."""

    @abstractmethod
    def mend(self) -> None:
        """Let the link be opened again, under the same address."""


class TcpWire(Wire):
    """A TCP port of 127.0.0.1; the newest client is served."""

    def __init__(self) -> None:
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._port = 0
        self.connections = 0
        """How often somebody has connected."""
        self.mend()
        self.link = f"tcp:127.0.0.1:{self._port}"

    def mend(self) -> None:
        listener = socket.create_server(("127.0.0.1", self._port))
        listener.setblocking(False)
        self._port = listener.getsockname()[1]
        self._listener = listener

    def descriptor(self) -> int | None:
        if self._listener is not None:
            with contextlib.suppress(OSError):
                client, _ = self._listener.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.lose()
                self.connections += 1
                self._client = client
        return self._client.fileno() if self._client is not None else None

    def lose(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def cut(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        self.lose()


class PtyWire(Wire):
    """A pseudo-terminal reached by a path that stays the same."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._master: int | None = None
        self._slave = -1
        self.mend()
        self.link = f"serial:{path}"

    def mend(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._path.unlink(missing_ok=True)
        self._path.symlink_to(os.ttyname(self._slave))

    def descriptor(self) -> int | None:
        return self._master

    def lose(self) -> None:
        pass  # the rig keeps its own end open, so nothing is lost when the host goes

    def cut(self) -> None:
        if self._master is not None:
            os.close(self._master)
            os.close(self._slave)
            self._master = None
            self._path.unlink(missing_ok=True)


@dataclass
class Delivery:
    """How answers reach the wire: in pieces of `fragment` bytes, `delay_s` late, with `noise` before some of them."""

    fragment: int = 0
    delay_s: float = 0.0
    noise: Sequence[bytes] = (b"",)


@dataclass
class ForeignRig:
    """A rig at work. Use as a context manager; leaving it asserts that it was never keyed."""

    voice: Voice
    wire: Wire
    delivery: Delivery = field(default_factory=Delivery)
    silent: bool = False
    heard: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self._lock = threading.RLock()
        self._ending = threading.Event()
        self._noise: Iterator[bytes] = cycle(self.delivery.noise)
        self._thread = threading.Thread(target=self._serve, name="foreign rig", daemon=True)

    @property
    def panel(self) -> Panel:
        return self.voice.panel

    @property
    def link(self) -> str:
        return self.wire.link

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._ending.set()
        self._thread.join(5)
        assert not self._thread.is_alive(), "the rig's thread did not end"
        self.wire.cut()
        if kind is None:
            self.assert_never_keyed()

    def assert_never_keyed(self) -> None:
        """Nothing that it was sent would key a transmitter or set anything."""
        found = self.voice.keying.search(bytes(self.heard))
        assert found is None, f"the daemon keys the rig: {found}"
        assert not self.voice.unexpected, f"the daemon sends what is not a read: {self.voice.unexpected[:5]}"

    def tune(self, hertz: int) -> float:
        """Turn the dial; the rig reports it unasked where it was asked to. The monotonic time of it, in seconds."""
        with self._lock:
            self.panel.a_hz = hertz
            at_s = time.monotonic()
            if not self.silent:
                self._say(self.voice.report())
        return at_s

    def cut(self) -> float:
        """Break the link; the monotonic time of it, in seconds."""
        with self._lock:
            self.wire.cut()
            return time.monotonic()

    def mend(self) -> None:
        """Let the link be opened again."""
        with self._lock:
            self.wire.mend()

    def _serve(self) -> None:
        while not self._ending.is_set():
            with self._lock:
                descriptor = self.wire.descriptor()
            if descriptor is None:
                time.sleep(0.005)
                continue
            with contextlib.suppress(OSError, ValueError):
                if not select.select([descriptor], [], [], LOOK_EVERY_S)[0]:
                    continue
            with self._lock:
                if self.wire.descriptor() != descriptor:
                    continue
                try:
                    data = os.read(descriptor, READ_BYTES)
                except BlockingIOError:
                    continue
                except OSError:
                    data = b""
                if not data:
                    self.wire.lose()
                    continue
                self.heard += data
                answers = self.voice.hear(data)
                if not self.silent:
                    self._say(answers)

    def _say(self, answers: list[bytes]) -> None:
        for answer in answers:
            if self.delivery.delay_s:
                time.sleep(self.delivery.delay_s)
            data = next(self._noise) + answer
            size = self.delivery.fragment or len(data)
            for start in range(0, len(data), size):
                descriptor = self.wire.descriptor()
                if descriptor is None:
                    return
                try:
                    os.write(descriptor, data[start : start + size])
                except BlockingIOError:
                    return  # nobody reads: the rest is lost, as on a wire
                except OSError:
                    self.wire.lose()
                    return
                if self.delivery.fragment:
                    time.sleep(0.0005)
