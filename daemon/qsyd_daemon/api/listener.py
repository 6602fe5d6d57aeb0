"""Where callers come in: the control socket, and TCP where the station file opens it."""

import asyncio
import contextlib
import errno
import os
import socket
import ssl
from pathlib import Path

from qsyd_daemon.api.door import DoorServer, Doorway
from qsyd_daemon.api.problem import ProblemError
from qsyd_daemon.station_file.settings import ApiSettings

BACKLOG = 128
ACCEPT_PAUSE_S = 0.5
"""After an accept that failed, as when the process has no descriptor left."""


class AddressError(Exception):
    """The station file's address cannot be listened on."""

    def __init__(self, text: str, *, in_use: bool) -> None:
        super().__init__(text)
        self.in_use = in_use


def bind_unix(path: Path) -> socket.socket:
    """Bind with the mode already right: there is no instant at which others could connect."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    mask = os.umask(0o177)
    try:
        listener.bind(str(path))
    finally:
        os.umask(mask)
    listener.setblocking(False)
    return listener


def bind_tcp(settings: ApiSettings) -> socket.socket:
    """Listen where the station file says. Raises `AddressError`."""
    listener = socket.socket(socket.AF_INET6 if ":" in settings.host else socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if listener.family == socket.AF_INET6:
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listener.bind((settings.host, settings.port))
        listener.listen(BACKLOG)
    except OSError as error:
        listener.close()
        in_use = error.errno == errno.EADDRINUSE
        hint = "; another program serves there: stop it, or write another port under `api: listen`" if in_use else ""
        raise AddressError(f"api: cannot listen on {settings.shown}: {error.strerror}{hint}", in_use=in_use) from None
    listener.setblocking(False)
    return listener


class TcpDoor:
    """Takes connections one by one, and turns away those that are too many before they cost anything."""

    def __init__(self, listener: socket.socket, tls: ssl.SSLContext | None, doorway: Doorway, server: DoorServer):
        self._listener = listener
        self._tls = tls
        self._doorway = doorway
        self._server = server
        host, port = listener.getsockname()[:2]
        self.address = (str(host), int(port))
        """Where it listens."""
        self._taking: asyncio.Task[None] | None = None
        self._entering: set[asyncio.Task[None]] = set()

    def start(self) -> None:
        """Begin to take connections."""
        self._taking = asyncio.get_running_loop().create_task(self._take())

    def close(self) -> None:
        """Take no more."""
        for task in (self._taking, *self._entering):
            if task is not None:
                task.cancel()
        self._listener.close()

    async def _take(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                connection, _ = await loop.sock_accept(self._listener)
            except OSError:
                await asyncio.sleep(ACCEPT_PAUSE_S)
                continue
            if self._doorway.connections >= self._doorway.limits.connections_max:
                self._turn_away(connection)
                await asyncio.sleep(0)
                continue
            self._doorway.handshaking += 1
            task = loop.create_task(self._enter(connection))
            self._entering.add(task)
            task.add_done_callback(self._entering.discard)

    async def _enter(self, connection: socket.socket) -> None:
        try:
            if self._tls is None:
                await asyncio.get_running_loop().connect_accepted_socket(self._server, connection)
            else:
                limit_s = self._doorway.limits.handshake_s
                await asyncio.get_running_loop().connect_accepted_socket(
                    self._server, connection, ssl=self._tls, ssl_handshake_timeout=limit_s, ssl_shutdown_timeout=1.0
                )
        except (TimeoutError, OSError, ssl.SSLError):
            connection.close()  # spoke no TLS, or took too long
            self._doorway.handshaking -= 1

    def _turn_away(self, connection: socket.socket) -> None:
        self._doorway.refused += 1
        with contextlib.suppress(OSError):
            connection.setblocking(False)
            if self._tls is None:
                with contextlib.suppress(BlockingIOError):
                    connection.recv(64 * 1024)  # what was sent and is not read makes a reset of the answer
                connection.send(ProblemError(503, "too many connections", {"Retry-After": "5"}).bytes())
                connection.shutdown(socket.SHUT_WR)
        connection.close()
