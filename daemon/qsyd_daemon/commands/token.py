"""`qsyd token new, list, remove`: who may call the API from afar. Works on the file; a running daemon reads it again."""

import argparse
import json
import sys
import time
from pathlib import Path

from qsyd_daemon.api.role import TOKEN_ROLES
from qsyd_daemon.api.token_file import (
    NAME,
    TOKEN_FILE,
    TOKENS_MAX,
    Token,
    TokenFileError,
    new_token,
    read_tokens,
    write_tokens,
)
from qsyd_daemon.commands.state_option import directory_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.state_directory import StateDirectoryError, make_state_directory
from qsyd_daemon.text_table import table


def run(arguments: argparse.Namespace) -> int:
    """Do one of the verbs."""
    directory = directory_of(arguments)
    if directory is None:
        return ExitCode.FAILED
    path = Path(arguments.file).absolute() if arguments.file is not None else directory / TOKEN_FILE
    try:
        if arguments.verb == "new" and arguments.file is None:
            make_state_directory(directory)
        return _VERBS[arguments.verb](arguments, path)
    except (TokenFileError, StateDirectoryError) as error:
        print(f"error: {error}", file=sys.stderr)
    except OSError as error:
        print(f"error: {path}: {error.strerror}", file=sys.stderr)
    return ExitCode.FAILED


def _known(path: Path) -> tuple[Token, ...]:
    try:
        return read_tokens(path)
    except FileNotFoundError:
        return ()


def _new(arguments: argparse.Namespace, path: Path) -> int:
    known = _known(path)
    if not NAME.fullmatch(arguments.name):
        print("error: a name has up to 64 letters, digits, `-`, `_` and `.`", file=sys.stderr)
        return ExitCode.WRONG_USE
    if any(token.name == arguments.name for token in known) or len(known) >= TOKENS_MAX:
        print(f"error: there is a token {arguments.name} already; remove it, or choose another name", file=sys.stderr)
        return ExitCode.FAILED
    made = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    secret, token = new_token(arguments.name, TOKEN_ROLES[arguments.role], made)
    write_tokens(path, (*known, token))
    print(secret)
    print(f"{path}: the token of {token.name}, to {token.role.word}; it is not shown again", file=sys.stderr)
    return ExitCode.DONE


def _list(arguments: argparse.Namespace, path: Path) -> int:
    known = _known(path)
    if arguments.json:
        print(json.dumps([{"name": each.name, "role": each.role.word, "made": each.made} for each in known], indent=2))
    elif not known:
        print("there are no tokens")
    else:
        print("\n".join(table(("name", "may", "made"), [(each.name, each.role.word, each.made) for each in known])))
    return ExitCode.DONE


def _remove(arguments: argparse.Namespace, path: Path) -> int:
    known = _known(path)
    left = [token for token in known if token.name != arguments.name]
    if len(left) == len(known):
        print(f"error: there is no token {arguments.name!r}", file=sys.stderr)
        return ExitCode.FAILED
    write_tokens(path, left)
    print(f"removed: {arguments.name}")
    return ExitCode.DONE


_VERBS = {"new": _new, "list": _list, "remove": _remove}
