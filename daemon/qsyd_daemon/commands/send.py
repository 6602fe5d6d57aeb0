"""`qsyd send`: tries an output of notices with a text, as a rule would use it."""

import argparse

from qsyd_daemon.commands.ask import ask


def run(arguments: argparse.Namespace) -> int:
    """Hand over the text."""
    return ask(arguments, "/v1/send", {"output": arguments.output, "text": " ".join(arguments.text)})
