"""`qsyd amplifier on, off, standby, operate`: asks the running daemon; a refusal says why and how long."""

import argparse

from qsyd_daemon.commands.ask import ask


def run(arguments: argparse.Namespace) -> int:
    """Ask, and print the answer."""
    request = arguments.request
    if request == "operate" and arguments.when_ready:
        request = "operate-when-ready"
    if request == "off" and arguments.now:
        request = "off-now"
    return ask(arguments, "/v1/amplifier", {"request": request})
