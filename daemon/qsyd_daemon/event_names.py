"""The names of events that `qsyd history --event` takes. Nothing but the rules' own notices and the standard library."""

import difflib
from collections.abc import Iterable
from typing import get_args

from qsyd_daemon.station_file.errors import short, shown
from qsyd_rules.notice import Notice

EVENT_NAMES = tuple(sorted({*(kind.event for kind in get_args(Notice)), "notice", "simulated"}))
"""What a journal may hold: the core's notices, texts of rules, and the mark of a day that was simulated."""


class UnknownEventError(ValueError):
    """There is no event of this name; says which there are."""


def known_events(lists: Iterable[str]) -> list[str]:
    """The names in lists such as `placed,fault`, in their order. Raises `UnknownEventError`."""
    names = [name.strip() for names in lists for name in names.split(",") if name.strip()]
    for name in names:
        if name not in EVENT_NAMES:
            close = difflib.get_close_matches(name[:100].lower(), EVENT_NAMES, n=1)
            hint = f"did you mean `{close[0]}`? " if close else ""
            raise UnknownEventError(f"there is no event `{short(shown(name))}`; {hint}known: {', '.join(EVENT_NAMES)}")
    return names
