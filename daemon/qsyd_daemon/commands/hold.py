"""`qsyd hold`: an antenna past the rules for a time; `qsyd hold off` ends that."""

import argparse
import sys

from qsyd_daemon.commands.ask import ask
from qsyd_daemon.exit_code import ExitCode
from qsyd_rules.quantity import QuantityError, duration_us


def run(arguments: argparse.Namespace) -> int:
    """Begin or end a hold; the daemon judges the name, and how long is too long."""
    if arguments.antenna == "off":
        return ask(arguments, "/v1/hold", {"antenna": None})
    if arguments.length is None:
        print("error: say for how long, such as `--for 30min`: a hold ends by itself", file=sys.stderr)
        return ExitCode.WRONG_USE
    try:
        duration_us(arguments.length)
    except QuantityError as error:
        print(f"error: --for: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    body = {"antenna": arguments.antenna, "for": arguments.length, "reason": arguments.reason}
    return ask(arguments, "/v1/hold", body)
