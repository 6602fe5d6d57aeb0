"""`qsyd reload`: the daemon reads its station file again; says what has changed, or why the old one stays."""

import argparse
import json
import sys
from typing import Any

from qsyd_daemon.client import NoDaemonError, call, reason_of
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode

ANSWER_WITHIN_S = 90.0
"""The daemon waits up to 30 s for the station to be at rest, and once more as long as links take to close."""


def run(arguments: argparse.Namespace) -> int:
    """Ask for it, and print what has come of it."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        status, answer = call(way, "POST", "/v1/reload", {"check": arguments.check}, ANSWER_WITHIN_S)
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    if arguments.json:
        print(json.dumps(answer, ensure_ascii=False, indent=2))
    elif status == 200:
        print("\n".join(_lines(answer)))
    for problem in answer.get("problems", []):
        print(problem, file=sys.stderr)
    if status == 200:
        return ExitCode.DONE
    if status == 422:
        print("refused: the station file is wrong; the one that was in force stays", file=sys.stderr)
        return ExitCode.BAD_FILE
    print(f"refused: {reason_of(answer)}", file=sys.stderr)
    return ExitCode.FAILED


def _lines(answer: dict[str, Any]) -> list[str]:
    is_check = answer["ending"] == "checked"
    lines = [answer["text"] + (":" if answer["changed"] else "")]
    lines += [f"  {change}" for change in answer["changed"]]
    if answer["restarted"]:
        lines.append(f"{'would be begun' if is_check else 'begun'} anew: {', '.join(answer['restarted'])}")
    if answer["changed"] and answer["untouched"]:
        lines.append(f"left alone: {', '.join(answer['untouched'])}")
    return lines
