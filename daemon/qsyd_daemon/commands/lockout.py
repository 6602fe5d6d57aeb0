"""`qsyd lockout on, off`: somebody works on the station; no release and no operate meanwhile, whatever happens."""

import argparse

from qsyd_daemon.commands.ask import ask


def run(arguments: argparse.Namespace) -> int:
    """Begin or end the lockout; it survives restarts and power cuts."""
    if arguments.request == "on":
        return ask(arguments, "/v1/lockout", {"on": True, "reason": arguments.reason, "name": arguments.name})
    return ask(arguments, "/v1/lockout", {"on": False})
