"""Reads a file of events: one JSON object a line, as `--events` writes them. Standard library only."""

import json
from collections.abc import Iterator, Mapping
from math import isfinite
from pathlib import Path
from typing import Any

LONGEST_LINE = 1 << 20
"""Longest line that is read, in bytes; the longest that is written has a few thousand."""


class _NotJsonError(ValueError):
    """A line that is no JSON: torn off by a crash, or never an event."""


class EventFileError(Exception):
    """The file cannot be read, or is no file of events; the text names it, and the line."""


def read_events(path: str) -> Iterator[Mapping[str, Any]]:
    """The events in their order, read line by line: each has text `event`, and but for `events-dropped` a number `at`.

    A line that a crash tore off is passed over: it is the last, or `station-started` follows it. Raises `EventFileError`.
    """
    torn: EventFileError | None = None
    for number, raw in _lines(path):
        if not raw.strip():
            continue
        try:
            event = _event(raw)
        except ValueError as error:
            wrong = EventFileError(f"{path}:{number}: error: {error}")
            if torn is not None or not isinstance(error, _NotJsonError) or not raw.startswith(b"{"):
                raise torn or wrong from None
            torn = wrong
            continue
        if torn is not None and event["event"] != "station-started":
            raise torn
        torn = None
        yield event


def _lines(path: str) -> Iterator[tuple[int, bytes]]:
    try:
        with Path(path).open("rb") as file:
            number = 0
            while raw := file.readline(LONGEST_LINE + 1):
                number += 1
                if len(raw) > LONGEST_LINE:
                    raise EventFileError(f"{path}:{number}: error: the line is longer than {LONGEST_LINE} bytes")
                yield number, raw
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise EventFileError(f"{path}: error: cannot be read: {reason}") from None


def _event(raw: bytes) -> Mapping[str, Any]:
    """Raises `ValueError`, in words for the user."""
    try:
        event: Any = json.loads(raw)
    except (ValueError, RecursionError):  # ValueError: also bytes that are not UTF-8
        raise _NotJsonError("not JSON; a file of events has one JSON object a line") from None
    name = event.get("event") if isinstance(event, dict) else None
    if type(name) is not str:
        raise ValueError("not an event; each line is a JSON object with `event` and `at`")
    at = event.get("at")
    told = isinstance(at, int | float) and not isinstance(at, bool) and abs(at) < 1e12 and isfinite(at)
    if not told and name != "events-dropped":
        raise ValueError("`at` must be a number of seconds")
    known: Mapping[str, Any] = event
    return known
