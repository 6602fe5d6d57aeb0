"""`qsyd history`: what happened, and why each decision fell, from the journal. Standard library only.

The running daemon is asked, for it knows also what is not written yet. Where none runs, its journal is read.
"""

import argparse
import datetime
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, call, reason_of
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.history_words import INDENT, HistoryWords
from qsyd_daemon.terminal_lines import fitted

LOOK_EVERY_S = 0.5
AGAIN_S = 2.0
LIMIT_MAX = 10_000
Rows = list[dict[str, Any]]


class _WrongUseError(Exception):
    """The question itself is wrong; says how."""


def run(arguments: argparse.Namespace) -> int:
    """Print the events that match; with `--follow`, those that come too."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        events = _events(arguments.event)
    except _WrongUseError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    words = HistoryWords(events, why=arguments.why)
    asked: dict[str, Any] = {"since": arguments.since, "until": arguments.until, "limit": arguments.limit}
    if arguments.why:
        asked["limit"] = LIMIT_MAX  # what a decision followed from may be of another kind
    elif events:
        asked["event"] = ",".join(events)
    try:
        try:
            newest = _asked(way, {"limit": 1}) if arguments.follow else []
            rows = _asked(way, asked)
        except NoDaemonError:
            if arguments.follow or not isinstance(way, Path) or not _has_journal(way):
                raise
            rows = _read(way, asked)
        if arguments.json and not arguments.follow:
            print(json.dumps(_wanted(rows, events)[-arguments.limit :], ensure_ascii=False, indent=2))
            return ExitCode.DONE
        _print(rows, events, words, arguments)
        if not arguments.follow and not _wanted(rows, events):
            print("note: nothing of that kind was journalled in that time", file=sys.stderr)
        if arguments.follow:
            after = max((row["sequence"] for row in (*newest, *rows)), default=0)
            for more in _follow(way, asked | {"since": None, "limit": LIMIT_MAX}, after):
                _print(more, events, words, arguments)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except _WrongUseError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    except RefusedError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


def _events(lists: list[str]) -> list[str]:
    if not lists:
        return []
    from qsyd_daemon.event_names import UnknownEventError, known_events  # here: the rules' notices take their time

    try:
        return known_events(lists)
    except UnknownEventError as error:
        raise _WrongUseError(str(error)) from None


def _follow(way: Way, asked: dict[str, Any], after: int) -> Iterator[Rows]:
    """What comes, through every cut: the journal's numbers go on even where the daemon has begun anew."""
    cut_s: float | None = None
    heard_s = time.time()
    while True:
        time.sleep(LOOK_EVERY_S if cut_s is None else AGAIN_S)
        try:
            rows = _asked(way, asked | {"after": after})
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
        yield rows


def _clock(moment_s: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(moment_s))


def _asked(way: Way, asked: dict[str, Any]) -> Rows:
    query = urlencode({name: value for name, value in asked.items() if value is not None})
    status, answer = call(way, "GET", f"/v1/history?{query}")
    if status == 400:
        raise _WrongUseError(reason_of(answer))
    if status != 200:
        raise RefusedError(reason_of(answer))
    rows: Rows = answer["rows"]
    return rows


def _has_journal(directory: Path) -> bool:
    from qsyd_daemon.store.journal_database import JOURNAL_FILE  # here: only where no daemon runs

    return (directory / JOURNAL_FILE).exists()


def _read(directory: Path, asked: dict[str, Any]) -> Rows:
    """The same from the journal itself, without a trace."""
    from qsyd_daemon.asking_past import reference
    from qsyd_daemon.moment import MomentError, bounds
    from qsyd_daemon.store.errors import StoreError
    from qsyd_daemon.store.journal_database import JournalRow, select_rows, with_journal_apart
    from qsyd_daemon.store.journal_past import last_time

    if not 1 <= asked["limit"] <= LIMIT_MAX:
        raise _WrongUseError(f"--limit takes 1 to {LIMIT_MAX}")
    names = asked["event"].split(",") if asked.get("event") else None
    try:
        newest = with_journal_apart(directory, last_time, None)
        now = datetime.datetime.now(datetime.UTC)
        since, until = bounds(asked["since"], asked["until"], now if newest is None else reference(newest, now))
        found = with_journal_apart(
            directory,
            lambda connection: select_rows(connection, 1, since, names, asked["limit"], until),
            list[JournalRow](),
        )
    except MomentError as error:
        raise _WrongUseError(str(error)) from None
    except StoreError as error:
        raise RefusedError(str(error)) from None
    print("note: no daemon runs there; this is its journal", file=sys.stderr)
    return [{"sequence": row.sequence, **json.loads(row.text_json)} for row in found]


def _wanted(rows: Rows, events: list[str]) -> Rows:
    return [row for row in rows if not events or row["event"] in events]


def _print(rows: Rows, events: list[str], words: HistoryWords, arguments: argparse.Namespace) -> None:
    if arguments.json:
        lines = [json.dumps(row, ensure_ascii=False) for row in _wanted(rows, events)]
    else:
        lines = list(fitted(words.lines(rows), INDENT))
    for line in lines:
        print(line)
    sys.stdout.flush()
