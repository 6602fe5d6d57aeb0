"""What is really so at one moment, whatever the meters show."""

from dataclasses import dataclass

from qsyd_rules.words import AmplifierState
from qsyd_simulators.plant.heat import Heat
from qsyd_simulators.plant.stage import OUTPUT_OHM, Controls, Make, Reading, mismatch_of
from qsyd_simulators.plant.two_port import mismatch_swr


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


def truth_of(
    make: Make,
    controls: Controls,
    seen: Reading,
    heat: Heat,
    state: AmplifierState,
    fault: str | None,
    auto_tuning: bool,
    at_us: int,
) -> Truth:
    """Put together what is so of the amplifier."""
    point = seen.point
    return Truth(
        at_us=at_us,
        frequency_hz=controls.frequency_hz,
        keyed=controls.keyed,
        held=controls.held,
        state=state,
        fault=fault,
        drive_w=seen.drive_w,
        forward_w=seen.forward_w,
        reflected_w=seen.reflected_w,
        antenna_ohm=seen.antenna_ohm,
        swr=mismatch_swr(seen.antenna_ohm, OUTPUT_OHM),
        plate_v=point.plate_v,
        plate_ma=point.plate_a * 1000,
        grid_ma=point.grid_a * 1000,
        dissipation_w=point.dissipation_w,
        plate_load_ohm=seen.plate_load_ohm,
        mismatch_swr=mismatch_of(make, seen),
        tank_efficiency=seen.tank_efficiency,
        tune=seen.tune,
        load=seen.load,
        tune_shaft=seen.tune_shaft,
        load_shaft=seen.load_shaft,
        travelling=(seen.tune, seen.load) != (controls.tune.target, controls.load.target),
        auto_tuning=auto_tuning,
        warmth=seen.warmth,
        anode_c=heat.anode_c,
        exhaust_c=heat.exhaust_c,
    )
