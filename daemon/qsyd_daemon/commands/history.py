"""`qsyd history`: what happened, from the journal of the running daemon, with why each decision fell."""

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from qsyd_daemon.client import NoDaemonError, call, reason_of
from qsyd_daemon.commands.state_option import directory_of
from qsyd_daemon.event_words import stamped
from qsyd_daemon.exit_code import ExitCode

LOOK_EVERY_S = 0.5


def run(arguments: argparse.Namespace) -> int:
    """Print the events that match; with `--follow`, those that come too."""
    directory = directory_of(arguments)
    if directory is None:
        return ExitCode.FAILED
    asked = {"since": arguments.since, "until": arguments.until, "limit": arguments.limit}
    asked["event"] = ",".join(arguments.event) or None
    try:
        rows = _rows(directory, asked)
        if isinstance(rows, str):
            print(f"error: {rows}", file=sys.stderr)
            return ExitCode.FAILED
        if arguments.json and not arguments.follow:
            print(json.dumps(rows, ensure_ascii=False, indent=2))
            return ExitCode.DONE
        _print(rows, arguments)
        while arguments.follow:
            last = rows[-1]["sequence"] if rows else asked.get("after", 0)
            time.sleep(LOOK_EVERY_S)
            asked |= {"after": last, "since": None, "limit": 10_000}
            found = _rows(directory, asked)
            if isinstance(found, str):
                print(f"error: {found}", file=sys.stderr)
                return ExitCode.FAILED
            rows = found
            _print(rows, arguments)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    return ExitCode.DONE


def _rows(directory: Path, asked: dict[str, Any]) -> list[dict[str, Any]] | str:
    query = urlencode({name: value for name, value in asked.items() if value is not None})
    status, answer = call(directory, "GET", f"/v1/history?{query}")
    if status != 200:
        return reason_of(answer)
    rows: list[dict[str, Any]] = answer["rows"]
    return rows


def _print(rows: list[dict[str, Any]], arguments: argparse.Namespace) -> None:
    for row in rows:
        print(json.dumps(row, ensure_ascii=False) if arguments.json else stamped(row))
    sys.stdout.flush()
