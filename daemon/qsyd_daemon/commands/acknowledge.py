"""`qsyd acknowledge`: a person has seen the fault that stands, and its cause has gone."""

import argparse

from qsyd_daemon.commands.ask import ask


def run(arguments: argparse.Namespace) -> int:
    """Acknowledge one fault; it never commands operate."""
    return ask(arguments, "/v1/acknowledge", {"number": arguments.number, "reason": arguments.reason})
