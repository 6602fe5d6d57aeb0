"""The monitor: looks at what has left, and says so when it should not have."""

from dataclasses import dataclass

from qsyd_rules.effect import Actuate
from qsyd_rules.event import Event
from qsyd_rules.station import Station
from qsyd_rules.wiring import Wiring


@dataclass(frozen=True, slots=True)
class Wrong:
    """What the monitor found: the invariant, and in words."""

    invariant: str
    text: str


@dataclass(frozen=True, slots=True)
class Watched:
    """What the monitor remembers."""

    now_us: int


class Monitor:
    """The rules of the monitor for one station; immutable."""

    __slots__ = ("_station", "_wiring")

    def __init__(self, station: Station, wiring: Wiring) -> None:
        self._station = station
        self._wiring = wiring

    def initial(self, at_us: int) -> Watched:
        """What is remembered at the start: nothing."""
        return Watched(at_us)

    def step(self, watched: Watched, event: Event, left: tuple[Actuate, ...]) -> tuple[Watched, Wrong | None]:
        """Look at one event and the commands that left upon it."""
        return watched, None

    def wake_at_us(self, watched: Watched) -> int | None:
        """When time alone would make something wrong."""
        return None
