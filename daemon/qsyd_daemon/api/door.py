"""One connection of the API: how long a caller may take, how much may come before a request is understood.

aiohttp reads the requests. This stands in front of it and bounds what it leaves open: the time for a request's head,
the head's size, line ends that others read differently, and peers that never take what they asked for.
"""

import asyncio
import contextlib
import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web
from aiohttp.http_exceptions import LineTooLong

from qsyd_daemon.api.problem import ProblemError

_BARE_LINE_END = re.compile(rb"(?<!\r)\n")
_HEAD_END = b"\r\n\r\n"
STREAM_BUFFER = 16 * 1024
"""What waits in this process for one who follows the events, beyond which nothing more is written to it, in bytes."""
STREAM_SYSTEM_BUFFER = 64 * 1024
"""What the system is asked to hold for it; Linux takes twice as much, for its own accounts (socket(7), from memory)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of one listener; times in seconds."""

    head_bytes: int = 16 * 1024
    body_bytes: int = 64 * 1024
    head_s: float = 5.0
    body_s: float = 10.0
    idle_s: float = 30.0
    handshake_s: float = 5.0
    """For TLS to begin."""
    unread_s: float = 30.0
    """How long a peer may leave an answer unread."""
    closing_s: float = 3.0
    """How long a closed connection may linger."""
    connections_max: int = 32
    """Beside those that follow events."""
    streams_max: int = 16
    requests_max: int = 100
    """On one connection; then it is closed, so that nobody fills the loop with one long pipeline."""
    ping_s: float = 15.0
    lag_events: int = 1_000
    lag_bytes: int = 1024 * 1024


@dataclass(slots=True)
class Doorway:
    """What the connections of one listener share."""

    limits: Limits
    is_tcp: bool
    doors: set["Door"] = field(default_factory=set)
    handshaking: int = 0
    """Taken over TCP, and not yet a door."""
    streams: int = 0
    refused: int = 0
    """Connections turned away because there were too many."""
    _sweep: asyncio.TimerHandle | None = None

    @property
    def connections(self) -> int:
        """Open ones, those that follow events apart."""
        return len(self.doors) + self.handshaking - self.streams

    def entered(self, door: "Door") -> None:
        """A connection has been made."""
        self.doors.add(door)
        if self.is_tcp:
            self.handshaking -= 1
        if self._sweep is None:
            self._arm()

    def close(self) -> None:
        """Look after nobody any more, and cut whoever is still there."""
        if self._sweep is not None:
            self._sweep.cancel()
        for door in list(self.doors):
            door.cut()

    def _arm(self) -> None:
        shortest_s = min(self.limits.head_s, self.limits.unread_s, self.limits.closing_s)
        self._sweep = asyncio.get_running_loop().call_later(shortest_s / 10, self._look)

    def _look(self) -> None:
        now_s = time.monotonic()
        for door in list(self.doors):
            door.look(now_s)
        self._sweep = None
        if self.doors:
            self._arm()


class Door(web.RequestHandler):
    """One connection."""

    def __init__(self, doorway: Doorway, manager: web.Server, **options: Any) -> None:
        super().__init__(manager, **options)
        self.doorway = doorway
        self.requests = 0
        self.is_gone = False
        self._wire: asyncio.Transport | None = None
        self._head = bytearray()
        self._head_since_s: float | None = None
        self._in_request = False
        self._unread_since_s: float | None = None
        self._closing_since_s: float | None = None
        self.stirred: Callable[[], None] | None = None
        """Called when the peer takes again what is sent, and when it has left."""

    # What the transport tells

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Somebody is there."""
        assert isinstance(transport, asyncio.Transport)
        self._wire = transport
        self.doorway.entered(self)
        super().connection_made(transport)

    def connection_lost(self, exc: BaseException | None) -> None:
        """They are gone."""
        self.doorway.doors.discard(self)
        self.is_gone = True
        super().connection_lost(exc)
        if self.stirred is not None:
            self.stirred()

    def data_received(self, data: bytes) -> None:
        """Bytes; nothing of a head goes on that is not one."""
        if not self._in_request and self._wire is not None and not self._wire.is_closing() and not self._judge(data):
            return
        super().data_received(data)

    def pause_writing(self) -> None:
        """The peer does not take what is sent."""
        self._unread_since_s = time.monotonic()
        super().pause_writing()

    def resume_writing(self) -> None:
        """It does again."""
        self._unread_since_s = None
        super().resume_writing()
        if self.stirred is not None:
            self.stirred()

    # A stream, whose bytes pass aiohttp by

    @property
    def is_unread(self) -> bool:
        """Whether the peer leaves unread as much as may wait."""
        return self._unread_since_s is not None

    def keep_little(self) -> None:
        """From here on little is held for this peer, here and in the system: it follows for long, and is one of many."""
        if self._wire is not None:
            self._wire.set_write_buffer_limits(STREAM_BUFFER)
            connection = self._wire.get_extra_info("socket")
            if connection is not None:
                with contextlib.suppress(OSError):
                    connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, STREAM_SYSTEM_BUFFER)

    def write_raw(self, data: bytes) -> None:
        """Send at once what the system takes, and keep the rest."""
        if self._wire is not None and not self._wire.is_closing():
            self._wire.write(data)

    def close_gently(self) -> None:
        """Close once what was written has been taken, or after a while."""
        if self._wire is not None:
            self._wire.close()

    # What the API tells

    def request_began(self) -> bool:
        """A request is being served; whether there may be another on this connection."""
        self._in_request, self._head_since_s = True, None
        self.requests += 1
        return self.requests < self.doorway.limits.requests_max

    def request_ended(self) -> None:
        """It has been, and the connection goes on; what comes now is the next head."""
        self._in_request = False
        self._head.clear()

    def handle_error(
        self, request: web.BaseRequest, status: int = 500, exc: BaseException | None = None, message: str | None = None
    ) -> web.StreamResponse:
        """What could not be read at all, or broke in our hands."""
        if status >= 500:
            self.logger.error("a request failed", exc_info=exc)
            problem = ProblemError(status, "qsyd failed at this request; its log says more")
        else:
            too_long = isinstance(exc, LineTooLong)
            detail = (
                "a line of the request's head is too long" if too_long else "the request is not HTTP as it should be"
            )
            problem = ProblemError(431 if too_long else status, detail)
        response = problem.response()
        response.force_close()
        return response

    # Time

    def look(self, now_s: float) -> None:
        """Cut whoever takes too long."""
        limits, wire = self.doorway.limits, self._wire
        if wire is None:
            return
        if wire.is_closing():
            if self._closing_since_s is None:
                self._closing_since_s = now_s
            elif now_s - self._closing_since_s > limits.closing_s:
                wire.abort()
        elif self._unread_since_s is not None and now_s - self._unread_since_s > limits.unread_s:
            wire.abort()
        elif self._head_since_s is not None and now_s - self._head_since_s > limits.head_s:
            self._refuse(408, f"the request's head has not come within {limits.head_s:g} s")

    def cut(self) -> None:
        """End the connection, whatever it still holds."""
        if self._wire is not None:
            self._wire.abort()

    def _judge(self, data: bytes) -> bool:
        """Whether these bytes may be, or begin, the head of a request."""
        limits = self.doorway.limits
        if self._head_since_s is None:
            self._head_since_s = time.monotonic()
        searched = max(0, len(self._head) - len(_HEAD_END) + 1)
        self._head += data[: limits.head_bytes + len(_HEAD_END)]
        end = self._head.find(_HEAD_END, searched)
        if end > limits.head_bytes or (end < 0 and len(self._head) > limits.head_bytes):
            self._refuse(431, f"the request's head has more than {limits.head_bytes // 1024} KiB")
            return False
        if _BARE_LINE_END.search(self._head, searched, len(self._head) if end < 0 else end):
            self._refuse(400, "lines of a request end in CR LF")
            return False
        if end >= 0:
            self._in_request, self._head_since_s = True, None
            self._head.clear()
        return True

    def _refuse(self, status: int, detail: str) -> None:
        if self._wire is not None:
            self._wire.write(ProblemError(status, detail).bytes())
        self._head_since_s = None
        self.force_close()


class DoorServer(web.Server):
    """Makes the connections of one listener."""

    def __init__(self, doorway: Doorway, handler: Any) -> None:
        super().__init__(handler)
        self._doorway = doorway

    def __call__(self) -> Door:
        """One connection more."""
        return Door(
            self._doorway,
            self,
            loop=asyncio.get_running_loop(),
            keepalive_timeout=self._doorway.limits.idle_s,
            access_log=None,
            max_line_size=4096,
            max_field_size=8190,
            max_headers=64,
            lingering_time=1.0,
            auto_decompress=False,
        )
