"""Follows the daemon's events (WHATWG HTML, section 9.2). Standard library only."""

import http.client
import json
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from typing import Any

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, authority_of, connection_to, reason_of, why_not

SILENT_S = 40.0
"""Longer than two pings: whoever is silent for so long is gone."""


@dataclass(frozen=True, slots=True)
class Told:
    """One event of the stream: `event` names it, `number` is its id where it has one."""

    event: str
    data: dict[str, Any]
    number: str | None


def follow(
    way: Way, last_id: str | None = None, target: str = "/v1/events", heard: Callable[[], None] = lambda: None
) -> Generator[Told, None, None]:
    """Every event until the stream ends; `heard` is called for every line of it, those that tell nothing too.

    Raises `NoDaemonError` where none begins, `RefusedError` where this caller may not follow, or there is nothing to.
    """
    connection = connection_to(way)
    try:
        headers = {"Accept": "text/event-stream"} | ({"Last-Event-ID": last_id} if last_id is not None else {})
        connection.request("GET", target, headers=headers | authority_of(way))
        assert connection.sock is not None
        connection.sock.settimeout(SILENT_S)
        response = connection.getresponse()
        if response.status != 200:
            reason = reason_of(json.loads(response.read() or b"{}"))
            raise RefusedError(reason) if response.status in {400, 401, 403, 404} else NoDaemonError(reason)
    except (OSError, http.client.HTTPException, ValueError) as error:
        connection.close()
        raise NoDaemonError(why_not(way, error)) from None
    except (NoDaemonError, RefusedError):
        connection.close()
        raise
    try:
        yield from _events(response, heard)
    except (OSError, http.client.HTTPException):
        return
    finally:
        connection.close()


def _events(response: http.client.HTTPResponse, heard: Callable[[], None]) -> Iterator[Told]:
    event, data, number = "message", "", None
    while line := response.readline():
        heard()
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
