"""Follows the daemon's events over its control socket (WHATWG HTML, section 9.2). Standard library only."""

import http.client
import json
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qsyd_daemon.client import NoDaemonError, SocketConnection, reason_of
from qsyd_daemon.control_path import control_path

SILENT_S = 40.0
"""Longer than two pings: whoever is silent for so long is gone."""


@dataclass(frozen=True, slots=True)
class Told:
    """One event of the stream: `event` names it, `number` is its id where it has one."""

    event: str
    data: dict[str, Any]
    number: str | None


class StreamRefusedError(NoDaemonError):
    """The daemon answers, and does not let this be followed."""


def follow(directory: Path, last_id: str | None = None, target: str = "/v1/events") -> Generator[Told, None, None]:
    """Every event until the stream ends. Raises `NoDaemonError` where none begins."""
    try:
        connection = SocketConnection(control_path(directory))
        headers = {"Accept": "text/event-stream"} | ({"Last-Event-ID": last_id} if last_id is not None else {})
        connection.request("GET", target, headers=headers)
        assert connection.sock is not None
        connection.sock.settimeout(SILENT_S)
        response = connection.getresponse()
        if response.status != 200:
            raise StreamRefusedError(reason_of(json.loads(response.read() or b"{}")))
    except (FileNotFoundError, NotADirectoryError, ConnectionRefusedError):
        raise NoDaemonError(
            f"no daemon answers in {directory}; start one with `qsyd run`, or name its --state directory"
        ) from None
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NoDaemonError(f"the daemon in {directory} does not answer as it should: {error}") from None
    try:
        yield from _events(response)
    except (OSError, http.client.HTTPException):
        return
    finally:
        connection.close()


def _events(response: http.client.HTTPResponse) -> Iterator[Told]:
    event, data, number = "message", "", None
    while line := response.readline():
        text = line.decode("utf-8", "replace").rstrip("\r\n")
        name, _, value = text.partition(":")
        value = value.removeprefix(" ")
        match name:
            case "event":
                event = value
            case "data":
                data += value
            case "id":
                number = value
            case "" if not text:
                if data:
                    yield Told(event, json.loads(data), number)
                event, data, number = "message", "", None
            case _:
                pass  # a comment, or how soon to come back
