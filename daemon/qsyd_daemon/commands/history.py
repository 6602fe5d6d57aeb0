"""`qsyd history`: what happened, and why each decision fell, from the journal. Standard library only.

The running daemon is asked, for it knows also what is not written yet. Where none runs, its journal is read.
"""

import argparse
import datetime
import json
import sys
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from qsyd_daemon.client import NoDaemonError, call, reason_of
from qsyd_daemon.commands.state_option import directory_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.history_words import INDENT, HistoryWords
from qsyd_daemon.terminal_lines import fitted

LOOK_EVERY_S = 0.5
LIMIT_MAX = 10_000
Rows = list[dict[str, Any]]


class _RefusedError(Exception):
    """The journal cannot be read, or the daemon refuses; says how."""


class _WrongUseError(Exception):
    """The question itself was wrong; says how."""


def run(arguments: argparse.Namespace) -> int:
    """Print the events that match; with `--follow`, those that come too."""
    directory = directory_of(arguments)
    if directory is None:
        return ExitCode.FAILED
    events = [name.strip() for names in arguments.event for name in names.split(",") if name.strip()]
    words = HistoryWords(events, why=arguments.why)
    asked: dict[str, Any] = {"since": arguments.since, "until": arguments.until, "limit": arguments.limit}
    if arguments.why:
        asked["limit"] = LIMIT_MAX  # what a decision followed from may be of another kind
    elif events:
        asked["event"] = ",".join(events)
    try:
        try:
            rows = _asked(directory, asked)
        except NoDaemonError:
            if arguments.follow or not _has_journal(directory):
                raise
            rows = _read(directory, asked)
        if arguments.json and not arguments.follow:
            print(json.dumps(_wanted(rows, events)[-arguments.limit :], ensure_ascii=False, indent=2))
            return ExitCode.DONE
        _print(rows, events, words, arguments)
        while arguments.follow:
            asked |= {"after": rows[-1]["sequence"] if rows else asked.get("after", 0), "since": None}
            asked["limit"] = LIMIT_MAX
            time.sleep(LOOK_EVERY_S)
            rows = _asked(directory, asked)
            _print(rows, events, words, arguments)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except _WrongUseError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    except _RefusedError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


def _asked(directory: Path, asked: dict[str, Any]) -> Rows:
    query = urlencode({name: value for name, value in asked.items() if value is not None})
    status, answer = call(directory, "GET", f"/v1/history?{query}")
    if status == 400:
        raise _WrongUseError(reason_of(answer))
    if status != 200:
        raise _RefusedError(reason_of(answer))
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
        raise _RefusedError(str(error)) from None
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
