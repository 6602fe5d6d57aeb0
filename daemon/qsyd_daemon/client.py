"""Talks to the running daemon: over its control socket, or to one on another machine. Standard library only, so that a
command starts at once."""

import http.client
import ipaddress
import json
import socket
import threading
from pathlib import Path
from typing import Any, TypeAlias

from qsyd_daemon.control_path import control_path
from qsyd_daemon.remote import Remote
from qsyd_daemon.remote_trouble import trouble

ANSWER_WITHIN_S = 10.0

Way: TypeAlias = Path | Remote
"""How a daemon is reached: the state directory that holds its control socket, or a server."""


class NoDaemonError(Exception):
    """No daemon answers there, or none that proves to be the one meant."""


class RefusedError(Exception):
    """The daemon said no; the text says why."""


class SocketConnection(http.client.HTTPConnection):
    """HTTP over the control socket at a path."""

    def __init__(self, path: Path, within_s: float = ANSWER_WITHIN_S) -> None:
        super().__init__("localhost", timeout=within_s)
        self._path = path
        self._within_s = within_s

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self.timeout)
        self.sock.connect(str(self._path))


class LoopbackConnection(http.client.HTTPConnection):
    """HTTP without TLS, which never leaves this machine, whatever a name resolves to."""

    def connect(self) -> None:
        super().connect()
        address = ipaddress.ip_address(self.sock.getpeername()[0].partition("%")[0])
        if not address.is_loopback:
            self.close()
            raise NoDaemonError(f"{self.host} is not this machine but {address}; nothing was sent: write https://")


class _Kept(threading.local):
    """Connections to servers that go on after an answer; each thread has its own."""

    def __init__(self) -> None:
        self.connections: dict[Remote, http.client.HTTPConnection] = {}


_kept = _Kept()


def connection_to(way: Way, within_s: float = ANSWER_WITHIN_S) -> http.client.HTTPConnection:
    """A connection that is not made yet. Raises `NoDaemonError`."""
    if isinstance(way, Remote):
        if way.tls is None:
            return LoopbackConnection(way.host, way.port, timeout=within_s)
        return http.client.HTTPSConnection(way.host, way.port, timeout=within_s, context=way.tls)
    try:
        return SocketConnection(control_path(way), within_s)
    except ValueError as error:
        raise NoDaemonError(str(error)) from None


def authority_of(way: Way) -> dict[str, str]:
    """The header that shows the token, where there is one."""
    return {"Authorization": f"Bearer {way.token}"} if isinstance(way, Remote) and way.token is not None else {}


def why_not(way: Way, error: Exception) -> str:
    """What an exception of a connection means, for people."""
    if isinstance(way, Remote):
        return trouble(way, error)
    if isinstance(error, FileNotFoundError | NotADirectoryError | ConnectionRefusedError):
        return f"no daemon answers in {way}; start one with `qsyd run`, or name its --state directory"
    if isinstance(error, PermissionError):
        return f"{way}: the daemon belongs to another user"
    return f"the daemon in {way} does not answer as it should: {error}"


def call(
    way: Way, method: str, target: str, body: object = None, within_s: float = ANSWER_WITHIN_S
) -> tuple[int, dict[str, Any]]:
    """One request: the HTTP status and the JSON object of the answer. Raises `NoDaemonError`."""
    data = json.dumps(body) if body is not None else None
    try:
        answered = _again(way, target) if method == "GET" else None
        status, text = answered or _exchange(way, connection_to(way, within_s), method, target, data)
        answer = json.loads(text or b"{}")
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NoDaemonError(why_not(way, error)) from None
    answer = answer if isinstance(answer, dict) else {}
    if status == 401 and isinstance(way, Remote) and way.token is None:
        answer |= {"detail": f"{way.shown} wants a token; give the file that holds one: --token-file FILE"}
    return status, answer


def look(way: Way, target: str) -> dict[str, Any]:
    """What a GET tells. Raises `NoDaemonError`, and `RefusedError` where it tells nothing."""
    status, answer = call(way, "GET", target)
    if status != 200:
        raise RefusedError(reason_of(answer))
    return answer


def reason_of(answer: dict[str, Any]) -> str:
    """Why a request was not done, of an answer that says so (RFC 9457)."""
    return str(answer.get("detail") or answer.get("text") or "the daemon gave no reason")


def _again(way: Way, target: str) -> tuple[int, bytes] | None:
    """Ask over the connection of an earlier answer, where there is one and the other end has not closed it.

    Only what changes nothing is asked so: whether a request over a connection that ended was done, nobody can say.
    """
    if not isinstance(way, Remote) or (kept := _kept.connections.pop(way, None)) is None:
        return None
    try:
        return _exchange(way, kept, "GET", target, None)
    except TimeoutError:
        raise
    except (OSError, http.client.HTTPException):
        return None


def _exchange(
    way: Way, connection: http.client.HTTPConnection, method: str, target: str, data: str | None
) -> tuple[int, bytes]:
    headers = authority_of(way) | ({"Content-Type": "application/json"} if data is not None else {})
    goes_on = False
    try:
        connection.request(method, target, data, headers)
        response = connection.getresponse()
        text = response.read()
        goes_on = isinstance(way, Remote) and method == "GET" and not response.will_close
    finally:
        if not goes_on:
            connection.close()
    if isinstance(way, Remote) and goes_on:
        _kept.connections[way] = connection
    return response.status, text
