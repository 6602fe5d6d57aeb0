"""`qsyd tune`: the guided tune-up, told step by step. Standard library only; what is typed goes to the daemon."""

import argparse
import json
import os
import re
import selectors
import sys
from typing import Any

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, call, look, reason_of
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.terminal_lines import fitted

LOOK_EVERY_S = 0.25
INDENT = 2
"""Where a line goes on that the terminal is too narrow for."""
HELP = "Enter or `next`: done · `again`: this segment anew · `skip` · `stop` · numbers as `forward_w=1400 grid_ma=45`, positions as `matching=12,40,1`"


class _NotUnderstoodError(RefusedError):
    """What was said is no word and no number of a tune-up; says what is."""


def run(arguments: argparse.Namespace) -> int:
    """Begin or go on with a tune-up, or say one word to it."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        if arguments.say is not None or arguments.json:
            return _once(way, arguments)
        return _guide(way, arguments)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except _NotUnderstoodError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    except RefusedError as refused:
        print(f"refused: {refused}", file=sys.stderr)
        return ExitCode.FAILED


def _once(way: Way, arguments: argparse.Namespace) -> int:
    seen = _look(way)
    if arguments.say is not None:
        words = " ".join(arguments.say)
        seen = _begin(way, arguments) if words == "begin" else _say(way, words)
    if arguments.json:
        print(json.dumps({"tune_up": seen}))
    elif seen is not None:
        _print(_line(seen))
    return ExitCode.DONE


def _guide(way: Way, arguments: argparse.Namespace) -> int:
    seen = _look(way)
    if seen is None or seen["step"] == "ended":
        seen = _begin(way, arguments)
    else:
        print("a tune-up is under way: going on with it")
    for caution in seen["cautions"]:
        _print(f"! {caution}")
    for each in seen.get("left_out", []):
        _print(f"left out: {each}")
    _print(HELP)
    try:
        return _follow(way, seen)
    except KeyboardInterrupt:
        seen = _say(way, "stop")
        print()
        _print(_line(seen))
        return ExitCode.FAILED


def _follow(way: Way, seen: dict[str, Any]) -> int:
    """Print what changes, and hand on what is typed, until it ends."""
    typed = _Typed()
    last = None
    while True:
        line = _line(seen)
        if line != last:
            _print(line)
            last = line
        if seen["step"] == "ended":
            return ExitCode.DONE if seen["saved"] == seen["of"] else ExitCode.FAILED
        for words in typed.lines(LOOK_EVERY_S):
            try:
                _say(way, words.strip() or "next")
            except RefusedError as refused:
                _print(f"  no: {refused}")
        seen = _look(way) or seen


class _Typed:
    """Lines of standard input, without waiting for them; where it has ended, none come any more."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._rest = b""
        self._selectable = True
        try:
            self._selector.register(0, selectors.EVENT_READ)
        except (OSError, ValueError):  # an ordinary file is always ready, and cannot be registered
            self._selectable = False

    def lines(self, wait_s: float) -> list[str]:
        """The lines typed within `wait_s`."""
        if not self._selector.get_map():
            self._selector.select(wait_s)
            if self._selectable:
                return []
        elif not self._selector.select(wait_s):
            return []
        data = os.read(0, 65536)
        if not data:
            if self._selectable and self._selector.get_map():
                self._selector.unregister(0)
            self._selectable = True
            return []
        *whole, self._rest = (self._rest + data).split(b"\n")
        return [line.decode(errors="replace") for line in whole]


def _print(line: str) -> None:
    print("\n".join(fitted([line], INDENT)), flush=True)


def _line(seen: dict[str, Any] | None) -> str:
    if seen is None:
        return "no tune-up is under way"
    minutes = f", {_time_left(seen['left_s'])} left" if seen["left_s"] else ""
    where = f"{seen['antenna']} {seen['segment']}: " if seen["antenna"] else ""
    return f"[{seen['done']} of {seen['of']}{minutes}] {where}{seen['text']}"


def _time_left(left_s: float) -> str:
    """As exact as such a guess is worth."""
    if left_s < 60:
        return "under a minute"
    if left_s < 5_400:
        return f"about {left_s / 60:.0f} min"
    return f"about {left_s / 3600:.1f} h"


def _look(way: Way) -> dict[str, Any] | None:
    seen: dict[str, Any] | None = look(way, "/v1/tune").get("tune_up")
    return seen


def _begin(way: Way, arguments: argparse.Namespace) -> dict[str, Any]:
    body = {
        "say": "begin",
        "antenna": arguments.antenna,
        "segment": arguments.segment,
        "everything": arguments.all,
    }
    return _post(way, body)


def _say(way: Way, words: str) -> dict[str, Any]:
    if "=" not in words:
        try:
            return _post(way, {"say": words})
        except _NotUnderstoodError:
            raise _NotUnderstoodError(f"{words!r} is not understood; {HELP}") from None
    return _post(way, {"say": "numbers", "numbers": _numbers(words)})


def _numbers(words: str) -> dict[str, float | list[float]]:
    """`forward_w=1400 grid_ma=45`, blanks or commas between; a name with several values has a list of them."""
    lists: dict[str, list[float]] = {}
    values: list[float] | None = None
    for word in re.sub(r"\s*=\s*", "= ", words).replace(",", " ").split():
        if word.endswith("=") and word != "=":
            values = lists[word[:-1]] = []
            continue
        try:
            if values is None:
                raise ValueError
            values.append(float(word))
        except ValueError:
            raise _NotUnderstoodError(
                f"{word!r}: write numbers as forward_w=1400, positions as matching=12,40,1"
            ) from None
    empty = next((name for name, values in lists.items() if not values), None)
    if empty is not None:
        raise _NotUnderstoodError(f"{empty!r} has no number; write it as {empty or 'forward_w'}=1400")
    return {name: values[0] if len(values) == 1 else values for name, values in lists.items()}


def _post(way: Way, body: dict[str, Any]) -> dict[str, Any]:
    status, answer = call(way, "POST", "/v1/tune", body)
    if status == 400:
        raise _NotUnderstoodError(reason_of(answer))
    if status != 200:
        raise RefusedError(reason_of(answer))
    seen: dict[str, Any] = answer["tune_up"]
    return seen
