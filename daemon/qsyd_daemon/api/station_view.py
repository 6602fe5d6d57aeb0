"""What a handler of the API works on: the running station, and what the daemon knows of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qsyd_daemon.api.counters import Counters
from qsyd_daemon.api.event_ring import EventRing
from qsyd_daemon.links.keeper import KeptLink
from qsyd_daemon.past import Book
from qsyd_daemon.reloader import Reloader
from qsyd_daemon.service import Service
from qsyd_daemon.tune_up_desk import TuneUpDesk


@dataclass(frozen=True, slots=True)
class StationView:
    """The station, for the API."""

    service: Service
    desk: TuneUpDesk
    directory: Path
    status: Callable[[], dict[str, Any]]
    links: Callable[[], dict[str, bool]]
    """Every link by name, and whether it is open."""
    kept_links: Callable[[], Mapping[str, KeptLink]]
    """The links themselves."""
    poll_errors: Callable[[], Mapping[str, Mapping[str, int]]]
    """What went wrong with questions, by link and kind."""
    queued: Callable[[], Mapping[str, int]]
    """Events that wait to be written, by output."""
    loop_lag_s: Callable[[], float]
    ring: EventRing
    counters: Counters
    reloader: Reloader
    lease_s: float
    book: Callable[[], Book]
    """The station file in force, for questions about the past."""
