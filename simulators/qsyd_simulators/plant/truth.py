"""What is really so at one moment, whatever the meters show."""

from dataclasses import dataclass

from qsyd_rules.words import AmplifierState


@dataclass(frozen=True, slots=True)
class Truth:
    """True values at `at_us`; None for what there is none of: no plate load in standby, no port while contacts travel."""

    at_us: int
    frequency_hz: int
    keyed: bool
    """By the rig; RF is another matter."""
    held: bool
    state: AmplifierState
    fault: str | None
    """What the amplifier's own protection tripped on."""

    drive_w: float
    """That arrives from the rig; 0 while it is not keyed, or held."""
    forward_w: float
    reflected_w: float
    antenna_ohm: complex
    """At the amplifier's output."""
    swr: float
    """Of that, against 50 ohm."""

    plate_v: float
    plate_ma: float
    grid_ma: float
    dissipation_w: float
    """Heat in the anode."""
    plate_load_ohm: complex | None
    """What the tank presents to the tube, in operate, keyed or not."""
    mismatch_swr: float | None
    """Of that, against the load the tube is made for."""
    tank_efficiency: float | None
    """Power at the output over power from the tube, 0 to 1."""

    tune: int
    load: int
    """Steps counted."""
    tune_shaft: float
    load_shaft: float
    """Where the plates are, in steps."""
    travelling: bool
    auto_tuning: bool
    """Whether the detectors are at work: switched on, driven, and not content."""

    warmth: float
    """Of the cathode, 0 to 1."""
    anode_c: float
    exhaust_c: float

    port: int | None = None
    feed_point_ohm: complex | None = None
    """At the antenna."""
    radiated_w: float | None = None
    """Into the antenna; what is lost in the feed line on the way has gone."""

    @property
    def delivered_w(self) -> float:
        """Forward less reflected power."""
        return self.forward_w - self.reflected_w

    @property
    def gain(self) -> float | None:
        """Output over drive; None without drive."""
        return self.forward_w / self.drive_w if self.drive_w > 0 else None

    @property
    def efficiency(self) -> float | None:
        """Delivered power over plate input; None without plate current."""
        put_in = self.plate_v * self.plate_ma / 1000
        return self.delivered_w / put_in if put_in > 0 else None
