"""`--state`, or `--server` with its token, for the client commands: which daemon is asked. Standard library only."""

import argparse
import os
import signal
import sys

from qsyd_daemon.client import Way
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.remote import RemoteError, remote
from qsyd_daemon.state_directory import StateDirectoryError, state_directory


def way_of(arguments: argparse.Namespace) -> Way | ExitCode:
    """The daemon that the options mean, else the environment; how to end, after saying what is wrong with them.

    What is written on the command line counts before `$QSYD_SERVER`, so that `--state` always means this machine.
    """
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)  # a connection that is gone is an error to tell, and no silent end
    server = arguments.server
    if server is not None and arguments.state is not None:
        return _wrong("--state is a daemon of this machine, --server one elsewhere: write one of them")
    if server is None and arguments.state is None:
        server = os.environ.get("QSYD_SERVER") or None
    if server is None:
        for option, given in (("--token-file", arguments.token_file), ("--ca-file", arguments.ca_file)):
            if given is not None:
                return _wrong(f"{option} is for a daemon elsewhere; name that with --server")
        try:
            return state_directory(arguments.state, os.environ)
        except StateDirectoryError as error:
            print(f"error: {error}", file=sys.stderr)
            return ExitCode.FAILED
    token_file = arguments.token_file or os.environ.get("QSYD_TOKEN_FILE") or None
    ca_file = arguments.ca_file or os.environ.get("QSYD_CA_FILE") or None
    if arguments.ca_file is None and server.startswith("http:"):
        ca_file = None  # the environment's is for the servers that have a certificate
    try:
        return remote(server, token_file, ca_file)
    except RemoteError as error:
        print(f"error: {error}", file=sys.stderr)
        return error.code


def _wrong(text: str) -> ExitCode:
    print(f"error: {text}", file=sys.stderr)
    return ExitCode.WRONG_USE
