"""`qsyd completion SHELL`: a completion script, made from the command line's own description."""

import argparse
import sys

from qsyd_daemon.__main__ import parser
from qsyd_daemon.exit_code import ExitCode

_FILES = {"STATION", "FILE", "EVENTS", "SCENARIO"}
"""What is named after these is a file; a directory after `DIR`."""


def run(arguments: argparse.Namespace) -> int:
    """Print the script for a shell."""
    try:
        import shtab
    except ImportError:
        print("error: this needs shtab: `pip install '.[completion]'` where qsyd was installed from", file=sys.stderr)
        return ExitCode.FAILED
    whole = parser()
    for action in _actions(whole):
        if action.metavar in _FILES:
            action.complete = shtab.FILE  # type: ignore[attr-defined]
        elif action.metavar == "DIR":
            action.complete = shtab.DIRECTORY  # type: ignore[attr-defined]
    print(shtab.complete(whole, shell=arguments.shell))
    return ExitCode.DONE


def _actions(of: argparse.ArgumentParser) -> list[argparse.Action]:
    """Every argument of a command and of those under it."""
    found: list[argparse.Action] = []
    for action in of._actions:
        if isinstance(action, argparse._SubParsersAction):
            found += [each for under in action.choices.values() for each in _actions(under)]
        else:
            found.append(action)
    return found
