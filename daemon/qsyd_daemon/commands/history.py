"""`qsyd history`: what happened, from the journal of the running daemon, with why each decision fell."""

import argparse
import json
import sys
import time
from typing import Any
from urllib.parse import urlencode

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, look
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.event_words import stamped
from qsyd_daemon.exit_code import ExitCode

LOOK_EVERY_S = 0.5
AGAIN_S = 2.0


def run(arguments: argparse.Namespace) -> int:
    """Print the events that match; with `--follow`, those that come too."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    asked = {"since": arguments.since, "until": arguments.until, "limit": arguments.limit}
    asked["event"] = ",".join(arguments.event) or None
    try:
        newest = _rows(way, {"limit": 1}) if arguments.follow else []
        rows = _rows(way, asked)
        if arguments.json and not arguments.follow:
            print(json.dumps(rows, ensure_ascii=False, indent=2))
            return ExitCode.DONE
        _print(rows, arguments)
        if arguments.follow:
            after = max((row["sequence"] for row in (*newest, *rows)), default=0)
            _follow(way, asked | {"since": None, "limit": 10_000}, after, arguments)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except RefusedError as refused:
        print(f"error: {refused}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


def _follow(way: Way, asked: dict[str, Any], after: int, arguments: argparse.Namespace) -> None:
    """What comes, through every cut: the journal's numbers go on even where the daemon has begun anew."""
    cut_s: float | None = None
    heard_s = time.time()
    while True:
        time.sleep(LOOK_EVERY_S if cut_s is None else AGAIN_S)
        try:
            rows = _rows(way, asked | {"after": after})
        except NoDaemonError as error:
            if cut_s is None:
                cut_s = heard_s
                print(f"history: cut since {_clock(cut_s)}: {error}; trying again", file=sys.stderr, flush=True)
            continue
        heard_s = time.time()
        if cut_s is not None:
            gone = f"was cut since {_clock(cut_s)}, for {heard_s - cut_s:.0f} s"
            print(f"history: connected again; {gone}; what was missed follows", file=sys.stderr, flush=True)
            cut_s = None
        after = rows[-1]["sequence"] if rows else after
        _print(rows, arguments)


def _rows(way: Way, asked: dict[str, Any]) -> list[dict[str, Any]]:
    query = urlencode({name: value for name, value in asked.items() if value is not None})
    rows: list[dict[str, Any]] = look(way, f"/v1/history?{query}")["rows"]
    return rows


def _clock(moment_s: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(moment_s))


def _print(rows: list[dict[str, Any]], arguments: argparse.Namespace) -> None:
    for row in rows:
        print(json.dumps(row, ensure_ascii=False) if arguments.json else stamped(row))
    sys.stdout.flush()
