"""`qsyd watch`: the station live. Redraws in place on a terminal, writes plain lines into a pipe."""

import argparse
import json
import queue
import shutil
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

from qsyd_daemon.client import NoDaemonError, call
from qsyd_daemon.commands.state_option import directory_of
from qsyd_daemon.commands.status import lines
from qsyd_daemon.event_source import Told, follow
from qsyd_daemon.event_words import stamped
from qsyd_daemon.exit_code import ExitCode

REDRAW_S = 1.0
REDRAW_LEAST_S = 0.1
AGAIN_S = 2.0
_HOME, _CLEAR_LINE, _CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
_CLEAR = "\x1b[2J"
"""Control sequences of ECMA-48 (CUP, EL, ED)."""


def run(arguments: argparse.Namespace) -> int:
    """Watch until interrupted. When the daemon ends, wait for it to come back."""
    directory = directory_of(arguments)
    if directory is None:
        return ExitCode.FAILED
    try:
        _, status = call(directory, "GET", "/v1/status")
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    told: queue.SimpleQueue[Told | str] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(directory, told), daemon=True).start()
    if sys.stdout.isatty() and not arguments.json:
        _draw_on(directory, told, status)
    else:
        _write_on(told, status, as_json=arguments.json)
    return ExitCode.DONE


def _read(directory: Path, told: "queue.SimpleQueue[Told | str]") -> None:
    """On a thread: whatever the stream says, and in words when there is none."""
    last_id: str | None = None
    while True:
        try:
            for each in follow(directory, last_id):
                last_id = each.number or last_id
                told.put(each)
            told.put("the daemon has ended the connection")
        except NoDaemonError as error:
            told.put(str(error))
        time.sleep(AGAIN_S)


def _write_on(told: "queue.SimpleQueue[Told | str]", status: dict[str, Any], *, as_json: bool) -> None:
    trouble: str | None = None
    if not as_json:
        print("\n".join(lines(status)), flush=True)
    while True:
        each = told.get()
        if isinstance(each, str):
            if each != trouble:
                print(f"watch: {each}; trying again", file=sys.stderr)
            trouble = each
            continue
        trouble = None
        if each.event not in {"snapshot", "gap", "lagged"}:
            print(json.dumps(each.data, ensure_ascii=False) if as_json else stamped(each.data), flush=True)


def _draw_on(directory: Path, told: "queue.SimpleQueue[Told | str]", status: dict[str, Any]) -> None:
    events: deque[str] = deque(maxlen=100)
    lost_s: float | None = None
    drawn_s = 0.0
    sys.stdout.write(_CLEAR)
    while True:
        _draw(status, list(events), lost_s)
        drawn_s = time.monotonic()
        until_s = drawn_s + REDRAW_S
        while (left_s := until_s - time.monotonic()) > 0:
            try:
                each = told.get(timeout=left_s)
            except queue.Empty:
                break
            if isinstance(each, Told) and each.event not in {"snapshot", "gap", "lagged"}:
                events.append(stamped(each.data))
            until_s = min(until_s, drawn_s + REDRAW_LEAST_S)
        try:
            _, status = call(directory, "GET", "/v1/status")
            lost_s = None
        except NoDaemonError:
            lost_s = lost_s or time.monotonic()


def _draw(status: dict[str, Any], events: list[str], lost_s: float | None) -> None:
    """The status above, the newest events below, cut to what the terminal shows."""
    columns, rows = shutil.get_terminal_size()
    shown = lines(status)
    if lost_s is not None:
        gone_s = time.monotonic() - lost_s
        shown = [f"CONNECTION LOST {gone_s:.0f} s ago: what follows is old", *shown]
    room = max(0, rows - len(shown) - 2)
    shown += ["", *(events[-room:] if room else [])]
    cut = [line[: columns - 1] for line in shown[: rows - 1]]
    sys.stdout.write(_HOME + "".join(f"{line}{_CLEAR_LINE}\n" for line in cut) + _CLEAR_BELOW)
    sys.stdout.flush()
