"""A station as the world builds it: what the core knows of it, and how its devices are wired, truly."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from qsyd_rules.command import CommandName
from qsyd_rules.preset import Preset
from qsyd_rules.station import Station
from qsyd_rules.wiring import Meters, Wiring

READINGS = frozenset({"forward_w", "reflected_w", "tune", "load", "state"})
"""What a simulated device tells when it is asked."""


NOON = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
"""When a run begins where nothing else is said: an invented day."""


def stamp(begun: datetime, at_us: int) -> str:
    """A virtual time as the wall clock shows it: RFC 3339, UTC, to the millisecond."""
    shown = begun + timedelta(microseconds=at_us)
    return shown.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True)
class DevicePlan:
    """One device output: what it carries and how its link behaves. Times in microseconds."""

    name: str
    carries: frozenset[CommandName]
    timeout_us: int = 500_000
    retries: int = 2
    acknowledges: bool = True
    """A device that answers nothing: its commands are assumed once sent."""
    latency_us: int = 1_000
    """One way over its link, at the least."""
    jitter_us: int = 2_000
    work_us: int = 500
    """From the line until the device has obeyed and answers."""
    readings_every_us: int = 0
    """How often the device is asked for its readings; 0 never."""
    readings: frozenset[str] = READINGS
    stale_after_us: int = 1_000_000
    travel_us: int = 10_000_000


@dataclass(frozen=True, slots=True)
class Layout:
    """Everything about a station that does not change during a run."""

    name: str
    station: Station
    devices: tuple[DevicePlan, ...]
    presets: Mapping[tuple[str, str], Preset]
    permit_is_wired: bool = True
    """Whether the devices that hold transmit truly keep RF away; without, the station is unguarded."""
    drops_by_itself: bool = False
    """Whether a held permit falls when the daemon dies."""
    poll_us: int = 50_000
    rig_latency_us: int = 2_000
    push: bool = True
    """Whether the rig reports changes unasked."""
    senses_key: bool = False
    """Whether the keying line is sensed beside the rig's own word."""
    begun: datetime = NOON
    """What the wall clock shows at the beginning; UTC."""
    file_sha256: str | None = None
    """Of the station file, where there is one."""

    @property
    def minute(self) -> int:
        """Of the UTC day, at the beginning."""
        return self.begun.hour * 60 + self.begun.minute

    @property
    def wiring(self) -> Wiring:
        """What the core is told of the outputs."""
        meters = {
            device.name: Meters(device.readings, device.stale_after_us, device.travel_us)
            for device in self.devices
            if device.readings_every_us
        }
        outputs = {device.name: device.carries for device in self.devices}
        return Wiring(outputs, meters, drops_by_itself=self.drops_by_itself)

    @property
    def is_guarded(self) -> bool:
        """Whether the station can truly keep its transmitter quiet."""
        return self.permit_is_wired and any(CommandName.INHIBIT_TRANSMIT in device.carries for device in self.devices)

    def carries(self, name: CommandName) -> bool:
        """Whether any device takes this command."""
        return any(name in device.carries for device in self.devices)
