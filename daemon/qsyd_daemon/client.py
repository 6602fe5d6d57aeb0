"""Talks to the running daemon over its control socket. Standard library only, so that a command starts at once."""

import http.client
import json
import socket
from pathlib import Path
from typing import Any

from qsyd_daemon.control_path import control_path

ANSWER_WITHIN_S = 10.0


class NoDaemonError(Exception):
    """No daemon answers for this state directory."""


class SocketConnection(http.client.HTTPConnection):
    """HTTP over the control socket at a path."""

    def __init__(self, path: Path, within_s: float = ANSWER_WITHIN_S) -> None:
        super().__init__("localhost", timeout=within_s)
        self._path = path
        self._within_s = within_s

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(self._within_s)
        self.sock.connect(str(self._path))


def call(
    directory: Path, method: str, target: str, body: object = None, within_s: float = ANSWER_WITHIN_S
) -> tuple[int, dict[str, Any]]:
    """One request: the HTTP status and the JSON object of the answer. Raises `NoDaemonError`."""
    try:
        path = control_path(directory)
    except ValueError as error:
        raise NoDaemonError(str(error)) from None
    connection = SocketConnection(path, within_s)
    try:
        headers = {"Content-Type": "application/json"} if body is not None else {}
        connection.request(method, target, json.dumps(body) if body is not None else None, headers)
        response = connection.getresponse()
        answer = json.loads(response.read() or b"{}")
    except (FileNotFoundError, NotADirectoryError, ConnectionRefusedError):
        raise NoDaemonError(
            f"no daemon answers in {directory}; start one with `qsyd run`, or name its --state directory"
        ) from None
    except PermissionError:
        raise NoDaemonError(f"{path}: the daemon belongs to another user") from None
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NoDaemonError(f"the daemon in {directory} does not answer as it should: {error}") from None
    finally:
        connection.close()
    return response.status, answer if isinstance(answer, dict) else {}


def reason_of(answer: dict[str, Any]) -> str:
    """Why a request was not done, of an answer that says so (RFC 9457)."""
    return str(answer.get("detail") or answer.get("text") or "the daemon gave no reason")
