"""The amplifier at one moment, as a function of its controls and the time: no memory, no heat."""

from dataclasses import dataclass, field
from typing import NamedTuple

from qsyd_simulators.plant.antenna import Termination
from qsyd_simulators.plant.heat import CATHODE_TAUS_TO_READY, Cooling, approached, emission
from qsyd_simulators.plant.motor import Motor, Travel
from qsyd_simulators.plant.tank import Tank, designed_tank
from qsyd_simulators.plant.tube import GAIN_20, GAIN_30, OperatingPoint, Tube, operating_point
from qsyd_simulators.plant.two_port import mismatch_swr, reflected_share

OUTPUT_OHM = 50.0


@dataclass(frozen=True, slots=True)
class Make:
    """How an amplifier is built."""

    tube: Tube
    tank: Tank
    motor: Motor = field(default_factory=Motor)
    cooling: Cooling = field(default_factory=Cooling)
    heater_needs_us: int = 180_000_000
    """Common practice, no source: three minutes for an indirectly heated cathode."""


PI_MAKE = Make(GAIN_30, designed_tank(GAIN_30.plate_load_ohm))
"""A pi network and a tube of gain 30."""
PI_L_MAKE = Make(GAIN_20, designed_tank(GAIN_20.plate_load_ohm, between_ohm=200.0))
"""A pi-L network and tubes of gain 20."""


@dataclass(frozen=True, slots=True)
class Controls:
    """All that the amplifier has been told, as of one moment."""

    termination: Termination
    tune: Travel
    load: Travel
    frequency_hz: int = 14_200_000
    keyed: bool = False
    drive_w: float = 0.0
    drive_limit_w: float | None = None
    held: bool = False
    operate: bool = False
    high_voltage: bool = False
    heater_since_us: int | None = None
    warmth: float = 0.0
    warmth_at_us: int = 0
    auto: bool = False

    @property
    def arriving_w(self) -> float:
        """RF that comes from the rig."""
        if not self.keyed or self.held:
            return 0.0
        return self.drive_w if self.drive_limit_w is None else min(self.drive_w, self.drive_limit_w)

    @property
    def is_live(self) -> bool:
        """Whether the tube is in the signal path with its bias on: it draws current even without drive."""
        return self.operate and self.high_voltage and self.keyed and not self.held


class Reading(NamedTuple):
    """Currents, powers and impedances at one moment."""

    drive_w: float
    forward_w: float
    reflected_w: float
    antenna_ohm: complex
    plate_load_ohm: complex | None
    tank_efficiency: float | None
    point: OperatingPoint
    tune: int
    load: int
    tune_shaft: float
    load_shaft: float
    warmth: float


def warmth_at(make: Make, controls: Controls, at_us: int) -> float:
    """Of the cathode, from 0 (cold) towards 1, first order."""
    final = 0.0 if controls.heater_since_us is None else 1.0
    tau_us = make.heater_needs_us / CATHODE_TAUS_TO_READY
    return approached(controls.warmth, final, at_us - controls.warmth_at_us, tau_us)


def reading(make: Make, controls: Controls, at_us: int) -> Reading:
    """Calculate everything electrical."""
    motor = make.motor
    tune_shaft, load_shaft = motor.shaft_at(controls.tune, at_us), motor.shaft_at(controls.load, at_us)
    antenna_ohm = controls.termination(controls.frequency_hz, at_us)
    share = reflected_share(antenna_ohm, OUTPUT_OHM)
    drive_w = controls.arriving_w
    warmth = warmth_at(make, controls, at_us)
    forward_w = drive_w
    plate_load_ohm: complex | None = None
    tank_efficiency: float | None = None
    point = OperatingPoint(make.tube.no_load_v if controls.high_voltage else 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if controls.operate:
        two_port = make.tank.two_port(controls.frequency_hz, tune_shaft, load_shaft)
        plate_load_ohm = two_port.input_ohm(antenna_ohm)
        tank_efficiency = two_port.efficiency(antenna_ohm)
        if controls.is_live:
            point = operating_point(make.tube, plate_load_ohm, drive_w, emission(warmth))
        forward_w = point.output_w * tank_efficiency / max(1e-6, 1 - share)
    return Reading(
        drive_w,
        forward_w,
        forward_w * share,
        antenna_ohm,
        plate_load_ohm,
        tank_efficiency,
        point,
        motor.position_at(controls.tune, at_us),
        motor.position_at(controls.load, at_us),
        tune_shaft,
        load_shaft,
        warmth,
    )


def mismatch_of(make: Make, seen: Reading) -> float | None:
    """What the tube sees against what it is made for."""
    if seen.plate_load_ohm is None:
        return None
    return mismatch_swr(seen.plate_load_ohm, make.tube.plate_load_ohm)
