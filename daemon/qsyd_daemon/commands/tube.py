"""`qsyd tube`: what the tube has been through, from the running daemon; `new` for another. Standard library only."""

import argparse
import json
import sys
from typing import Any

from qsyd_daemon.client import NoDaemonError, RefusedError, look
from qsyd_daemon.commands.ask import ask
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode

DAYS_SHOWN = 30


def run(arguments: argparse.Namespace) -> int:
    """Print the account, or begin it anew."""
    if (arguments.verb is None) != (arguments.reason is None) or (arguments.verb and arguments.json):
        print('error: write `qsyd tube`, or `qsyd tube new --reason "..."`', file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.verb is not None:
        return ask(arguments, "/v1/tube", {"reason": arguments.reason})
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        account = look(way, "/v1/tube")
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except RefusedError as refused:
        print(f"refused: {refused}", file=sys.stderr)
        return ExitCode.FAILED
    print(json.dumps(account, indent=2) if arguments.json else "\n".join(lines(account)))
    return ExitCode.DONE


def lines(account: dict[str, Any]) -> list[str]:
    """The account for people; the last days, each with its mean gain at about full output."""
    shown = [
        "the tube, as this daemon has seen it",
        f"heater    {hours(account['heater_s'])}",
        f"operate   {hours(account['operate_s'])}",
        f"key down  {hours(account['key_down_s'])}",
        f"overs     {account['overs']}",
    ]
    days = account["days"][-DAYS_SHOWN:]
    if days:
        shown += ["", "day         overs  gain at full output"]
        shown += [f"{day['date']}  {day['overs']:>5}  {_gain(day)}" for day in days]
    if account.get("earlier"):
        shown += ["", "taken out             heater   operate  overs  why"]
        shown += [
            f"{old['ended_at']:<20}  {hours(old['heater_s']):>7}  {hours(old['operate_s']):>7}  {old['overs']:>5}  {old['reason']}"
            for old in account["earlier"]
        ]
    return shown


def hours(seconds: int) -> str:
    """A long time as hours and minutes: `12:05 h`."""
    return f"{seconds // 3600}:{seconds // 60 % 60:02d} h"


def _gain(day: dict[str, Any]) -> str:
    if day["gain_db"] is None:
        return "-"
    return f"{day['gain_db']:.1f} dB, from {day['gain_overs']} overs"
