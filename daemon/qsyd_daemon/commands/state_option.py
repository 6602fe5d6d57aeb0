"""`--state` for the client commands. Standard library only."""

import argparse
import os
import sys
from pathlib import Path

from qsyd_daemon.state_directory import StateDirectoryError, state_directory


def directory_of(arguments: argparse.Namespace) -> Path | None:
    """The state directory that leads to the daemon; None after saying what is wrong with it."""
    try:
        return state_directory(arguments.state, os.environ)
    except StateDirectoryError as error:
        print(f"error: {error}", file=sys.stderr)
        return None
