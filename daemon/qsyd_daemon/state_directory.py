"""The directory that holds one daemon's database, lock and control socket: where it is, and how it is made.

The client commands import this, so it stays with what Python has loaded anyway.
"""

import os
from collections.abc import Mapping
from pathlib import Path


class StateDirectoryError(Exception):
    """The state directory cannot be used; the text names it and says what would help."""


def state_directory(option: str | None, environ: Mapping[str, str]) -> Path:
    """Where the state is, absolute: `--state`, else `$STATE_DIRECTORY`, else `qsyd` in the user's state directory.

    A service manager may pass several directories in `$STATE_DIRECTORY`, separated by colons: the first is ours.
    An empty variable counts as unset, and so does a relative `$XDG_STATE_HOME` (XDG Base Directory Specification 0.8,
    from memory). Creates nothing. Raises `StateDirectoryError` for an empty option.
    """
    if option is not None:
        if not option:
            raise StateDirectoryError("the state directory is empty; give a path, such as --state ./state")
        return Path(option).expanduser().absolute()
    given = environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given).absolute()
    home = Path(environ.get("XDG_STATE_HOME", ""))
    if home.is_absolute():
        return home / "qsyd"
    return Path(environ.get("HOME") or "~").expanduser().absolute() / ".local" / "state" / "qsyd"


def make_state_directory(directory: Path) -> None:
    """Make the directory if need be, for its owner alone (mode 0700); one that exists keeps its mode.

    Raises `StateDirectoryError`.
    """
    try:
        os.makedirs(directory, mode=0o700, exist_ok=True)
    except FileExistsError:
        raise StateDirectoryError(f"{directory}: is a file; the state directory must be a directory") from None
    except OSError as error:
        raise StateDirectoryError(
            f"{directory}: the state directory cannot be made ({error.strerror}); choose another with --state"
        ) from None
