"""JSON as a request may hold it (RFC 8259): UTF-8, no name twice, no NaN, nested no deeper than anybody means."""

import json
import re
from typing import Any, NoReturn

from qsyd_daemon.api.problem import ProblemError

DEPTH_MAX = 32
_STRINGS = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_BRACKETS = re.compile(r"[][{}]")
_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]")


def parse_object(data: bytes) -> dict[str, Any]:
    """The object that a request is. Raises `ProblemError`."""
    try:
        text = data.decode("utf-8")
        if _depth(text) > DEPTH_MAX:
            raise ProblemError(400, f"the request is nested deeper than {DEPTH_MAX}")
        body = json.loads(text, object_pairs_hook=_once, parse_constant=_no_number)
        if _SURROGATE.search(text):
            json.dumps(body, ensure_ascii=False).encode("utf-8")  # half of a pair is no character
    except UnicodeError:
        raise ProblemError(400, "the request is not UTF-8") from None
    except (ValueError, RecursionError):
        raise ProblemError(400, "the request is not JSON, or names something twice") from None
    if not isinstance(body, dict):
        raise ProblemError(400, "the request must be a JSON object")
    return body


def _depth(text: str) -> int:
    """How deep brackets are nested, outside of strings; the parser itself recurses, so this comes first."""
    depth = deepest = 0
    for bracket in _BRACKETS.findall(_STRINGS.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name twice")
    return found


def _no_number(word: str) -> NoReturn:
    raise ValueError(word)
