"""`qsyd watch`: the station live. Redraws in place on a terminal, writes plain lines into a pipe."""

import argparse
import json
import queue
import shutil
import sys
import threading
import time
from collections import deque
from typing import Any, TypeAlias

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, look
from qsyd_daemon.commands.status import INDENT, lines
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.event_following import Following, Refused, Said
from qsyd_daemon.event_source import Told
from qsyd_daemon.event_words import stamped
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.lease_keeper import LeaseKeeper
from qsyd_daemon.terminal_lines import fitted

REDRAW_S = 1.0
REDRAW_LEAST_S = 0.1
_HOME, _CLEAR_LINE, _CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
_CLEAR = "\x1b[2J"
"""Control sequences of ECMA-48 (CUP, EL, ED)."""

Queue: TypeAlias = "queue.SimpleQueue[Told | Said | Refused]"


def run(arguments: argparse.Namespace) -> int:
    """Watch until interrupted. When the daemon ends or the connection breaks, wait for it to come back."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    told: Queue = queue.SimpleQueue()
    keeper = LeaseKeeper(way, lambda text: told.put(Said(text))) if arguments.lease else None
    try:
        status = look(way, "/v1/status")
        if keeper is not None:
            keeper.begin()
        threading.Thread(target=Following(way, told.put).run, daemon=True).start()
        if sys.stdout.isatty() and not arguments.json:
            _draw_on(way, told, status, keeper)
        else:
            _write_on(told, status, keeper, as_json=arguments.json)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except RefusedError as refused:
        print(f"refused: {refused}", file=sys.stderr)
        return ExitCode.FAILED
    except KeyboardInterrupt:
        if keeper is not None:
            print(f"\nwatch: {keeper.end()}", file=sys.stderr)
        raise
    return ExitCode.DONE


def _write_on(told: Queue, status: dict[str, Any], keeper: LeaseKeeper | None, *, as_json: bool) -> None:
    if not as_json:
        print("\n".join(lines(status)), flush=True)
    while True:
        if keeper is not None:
            keeper.alive()
        try:
            each = told.get(timeout=REDRAW_S)
        except queue.Empty:
            continue
        match each:
            case Said(text):
                print(f"watch: {text}", file=sys.stderr, flush=True)
            case Refused(text):
                raise RefusedError(text)
            case Told(event, data):
                if event not in {"snapshot", "gap", "lagged"}:
                    print(json.dumps(data, ensure_ascii=False) if as_json else stamped(data), flush=True)


def _draw_on(way: Way, told: Queue, status: dict[str, Any], keeper: LeaseKeeper | None) -> None:
    events: deque[str] = deque(maxlen=100)
    lost_s: float | None = None
    seen_s = time.time()
    drawn_s = 0.0
    sys.stdout.write(_CLEAR)
    while True:
        if keeper is not None:
            keeper.alive()
        _draw(status, list(events), lost_s, keeper)
        drawn_s = time.monotonic()
        until_s = drawn_s + REDRAW_S
        while (left_s := until_s - time.monotonic()) > 0:
            try:
                each = told.get(timeout=left_s)
            except queue.Empty:
                break
            match each:
                case Said(text):
                    events.append(f"watch: {text}")
                case Refused(text):
                    raise RefusedError(text)
                case Told(event, data):
                    if event not in {"snapshot", "gap", "lagged"}:
                        events.append(stamped(data))
            until_s = min(until_s, drawn_s + REDRAW_LEAST_S)
        try:
            status = look(way, "/v1/status")
            lost_s, seen_s = None, time.time()
        except NoDaemonError:
            lost_s = seen_s


def _draw(status: dict[str, Any], events: list[str], lost_s: float | None, keeper: LeaseKeeper | None) -> None:
    """The status above, the newest events below: wrapped, and no more lines than the terminal shows."""
    columns, rows = shutil.get_terminal_size()
    shown = lines(status)
    if keeper is not None:
        shown.insert(1, f"lease      {keeper.shown}")
    if lost_s is not None:
        since = time.strftime("%H:%M:%SZ", time.gmtime(lost_s))
        shown = [f"CONNECTION LOST {time.time() - lost_s:.0f} s ago, at {since}: what follows is old", *shown]
    shown = list(fitted(shown, INDENT, columns - 1))
    told = list(fitted(events, INDENT, columns - 1))
    room = max(0, rows - len(shown) - 2)
    shown += ["", *(told[-room:] if room else [])]
    cut = [line[: columns - 1] for line in shown[: rows - 1]]
    sys.stdout.write(_HOME + "".join(f"{line}{_CLEAR_LINE}\n" for line in cut) + _CLEAR_BELOW)
    sys.stdout.flush()
