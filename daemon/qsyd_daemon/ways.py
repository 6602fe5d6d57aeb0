"""How a daemon is run: what its command line and its surroundings say, beside the station file."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from qsyd_daemon.api.opening import Opening
from qsyd_daemon.links.line_port import IoctlLines, ModemLines
from qsyd_daemon.links.link import Address
from qsyd_daemon.notify import Notifier


@dataclass(frozen=True, slots=True)
class Ways:
    """How this daemon is run. `events` is a path for event lines, `-` for standard output; None for none."""

    state: Path
    events: str | None = None
    dry_run: bool = False
    simulated: Mapping[str, Address] | None = None
    """Where the simulated rigs of this process are reached."""
    notifier: Notifier = field(default_factory=lambda: Notifier(None))
    """Who manages this process as a service."""
    lines: ModemLines = field(default_factory=IoctlLines)
    """How control lines of serial ports are reached."""
    opening: Opening | None = None
    """Where the API is reached over TCP, bound already; None where it is not."""
    rest_within_s: float = 30.0
    """How long a new station file waits for the station to be at rest."""
