"""`qsyd explain STATION --when 02:14`: what was in force then, and why, from the journal. Needs no daemon."""

import argparse
import datetime
import json
import os
import sys
from typing import Any

from qsyd_daemon.asking_past import Asked, NotJournalledError, look_up
from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.moment import MomentError
from qsyd_daemon.past import Book, explain_past
from qsyd_daemon.past_book import book_for
from qsyd_daemon.past_words import lines_of
from qsyd_daemon.state_directory import state_directory
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.journal_database import with_journal_apart
from qsyd_daemon.terminal_lines import fitted
from qsyd_rules.quantity import QuantityError, duration_us


def run_past(arguments: argparse.Namespace) -> int:
    """Print the explanation of a moment of the past."""
    try:
        around = datetime.timedelta(microseconds=duration_us(arguments.around))
    except (QuantityError, OverflowError) as error:
        print(f"error: --around: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    opened = open_station(arguments.station, arguments.state)
    if not isinstance(opened, Opened):
        return opened
    asked = Asked(arguments.when, arguments.event, around)
    told: list[str] = []
    now = datetime.datetime.now(datetime.UTC)
    directory = state_directory(arguments.state, os.environ)
    try:
        past = with_journal_apart(directory, lambda connection: look_up(connection, asked, now, told.append), None)
    except MomentError as error:
        print(f"error: --when: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    except (StoreError, NotJournalledError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    if past is None:
        print(f"error: {directory} holds no journal; name the daemon's state directory with --state", file=sys.stderr)
        return ExitCode.FAILED
    now_book = Book(opened.atlas, opened.file.sha256, opened.file.rule_lines)
    book = book_for(past, now_book, directory)
    answer: dict[str, Any] = {"asked": told[0], **explain_past(past, book, opened.presets, now_book.sha256)}
    lines = (
        [json.dumps(answer, ensure_ascii=False, indent=2)] if arguments.json else fitted(lines_of(answer, told[0]), 13)
    )
    print("\n".join(lines))
    return ExitCode.DONE
