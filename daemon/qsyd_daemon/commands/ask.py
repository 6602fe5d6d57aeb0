"""What the commands share that ask the running daemon for something. Standard library only."""

import argparse
import sys
from typing import Any

from qsyd_daemon.client import NoDaemonError, call, reason_of
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode


def ask(arguments: argparse.Namespace, target: str, body: dict[str, Any]) -> int:
    """Ask, and print the answer; a refusal says why, and ends with 1, a question that is itself wrong with 2."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        status, answer = call(way, "POST", target, body)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    if status == 200:
        print(answer.get("text", "done"))
        return ExitCode.DONE
    if status == 400:
        print(f"error: {reason_of(answer)}", file=sys.stderr)
        return ExitCode.WRONG_USE
    print(f"refused: {reason_of(answer)}", file=sys.stderr)
    return ExitCode.FAILED
