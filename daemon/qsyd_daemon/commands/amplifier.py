"""`qsyd amplifier on, off, standby, operate`: asks the running daemon; a refusal says why and how long."""

import argparse
import sys

from qsyd_daemon.client import NoDaemonError, call
from qsyd_daemon.commands.state_option import directory_of
from qsyd_daemon.exit_code import ExitCode


def run(arguments: argparse.Namespace) -> int:
    """Ask, and print the answer."""
    request = arguments.request
    if request == "operate" and arguments.when_ready:
        request = "operate-when-ready"
    if request == "off" and arguments.now:
        request = "off-now"
    directory = directory_of(arguments)
    if directory is None:
        return ExitCode.FAILED
    try:
        status, answer = call(directory, "POST", "/v1/amplifier", {"request": request})
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    text = answer.get("text", "the daemon gave no reason")
    if status == 200:
        print(text)
        return ExitCode.DONE
    print(f"refused: {text}", file=sys.stderr)
    return ExitCode.FAILED
