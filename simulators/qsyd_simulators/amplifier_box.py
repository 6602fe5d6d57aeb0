"""A tube amplifier as its control lines see it: heater, plate supply, bypass relay, transmit hold, two tank motors.

It does what it is told, even what harms it, and keeps the ground truth of that. Gains and currents are round figures of
a legal-limit triode amplifier: common practice, no source.
"""

from dataclasses import dataclass

from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard

HEATER_NEEDS_US = 180_000_000
"""From heater on to cathode ready. Common practice, no source: three minutes for an indirectly heated cathode."""

TANK_STEPS = 1000
"""Positions of each capacitor, 0 to 999."""
TANK_STEPS_PER_S = 500
"""Two seconds from end to end. Common practice, no source: a motor takes 1 to 10 s for its whole travel."""

GAIN = 30
FORWARD_W_MAX = 1500
GRID_MA_AT_FULL_OUTPUT = 50


@dataclass(frozen=True, slots=True)
class _Travel:
    """A capacitor on its way, or arrived."""

    start: int
    target: int
    started_at_us: int = 0

    def position_at(self, at_us: int, steps_per_s: int) -> int:
        travelled = max(0, at_us - self.started_at_us) * steps_per_s // 1_000_000
        distance = self.target - self.start
        return self.target if travelled >= abs(distance) else self.start + (travelled if distance > 0 else -travelled)


@dataclass(frozen=True, slots=True)
class Meters:
    """What its meters show at one moment."""

    forward_w: int
    reflected_w: int
    grid_ma: int
    tune: int
    load: int


class AmplifierBox:
    """The device. Time is passed in, in microseconds on any clock that does not go back."""

    def __init__(
        self,
        *,
        heater_needs_us: int = HEATER_NEEDS_US,
        tank_steps_per_s: int = TANK_STEPS_PER_S,
        faults: BoxFaults | None = None,
    ) -> None:
        """Cold, in standby, transmit free, both capacitors at position 0."""
        self.faults = BoxFaults() if faults is None else faults
        self.heater_needs_us = heater_needs_us
        self.tank_steps_per_s = tank_steps_per_s
        self.high_voltage_on = False
        self.operate = False
        """Whether the relay puts it into the signal path."""
        self.transmit_held = False
        """Whether its contact keeps the rig from transmitting."""
        self.drive_limit_w: int | None = None
        self.reflected_per_mille = 0
        """Share of forward power that comes back; the antenna's doing."""
        self.heard: list[Heard] = []
        """The lines its wire received; bounded."""

        self.moved_under_power = False
        """Ground truth: a capacitor has been moved, or was moving, while RF was on it."""
        self.operated_cold = False
        """Ground truth: it has been put into the signal path before its cathode was ready."""
        self.switched_in_under_power = False
        """Ground truth: it has been put into the signal path while RF was on the relay."""
        self.driven_while_held = False
        """Ground truth: RF came although transmit was held."""

        self._heater_on_since_us: int | None = None
        self._tune = _Travel(0, 0)
        self._load = _Travel(0, 0)
        self._drive_w = 0

    # Heater and supply.

    @property
    def heater_on(self) -> bool:
        return self._heater_on_since_us is not None

    def heater_on_us(self, at_us: int) -> int:
        """How long the heater has been on without a break, by the box's own clock; 0 while it is off."""
        return 0 if self._heater_on_since_us is None else at_us - self._heater_on_since_us

    def is_ready(self, at_us: int) -> bool:
        """Whether the cathode would bear plate current."""
        return self.heater_on and self.heater_on_us(at_us) >= self.heater_needs_us

    def set_heater(self, on: bool, at_us: int) -> None:
        """On brings the plate supply on with it, and does not restart a heater that burns; off ends both, and operate."""
        if on:
            if self._heater_on_since_us is None:
                self._heater_on_since_us = at_us
            self.high_voltage_on = True
        else:
            self._heater_on_since_us = None
            self.set_high_voltage_off()

    def set_high_voltage_off(self) -> None:
        """Plate supply off, out of the signal path; heater and blower go on."""
        self.high_voltage_on = False
        self._set_relay(False)

    # Signal path.

    def set_operate(self, on: bool, at_us: int) -> None:
        """Into the signal path, or out of it."""
        self._set_relay(on)
        if self.operate and on:
            self.operated_cold |= not self.is_ready(at_us)
            self.switched_in_under_power |= self._drive_w > 0

    def _set_relay(self, on: bool) -> None:
        if not self.faults.stuck:
            self.operate = on

    def hold_transmit(self) -> None:
        self.transmit_held = True

    def free_transmit(self) -> None:
        self.transmit_held = False

    def limit_drive(self, drive_w: int) -> None:
        self.drive_limit_w = drive_w

    # Tank.

    def tune_at(self, at_us: int) -> int:
        return self._tune.position_at(at_us, self.tank_steps_per_s)

    def load_at(self, at_us: int) -> int:
        return self._load.position_at(at_us, self.tank_steps_per_s)

    def is_travelling(self, at_us: int) -> bool:
        return (self.tune_at(at_us), self.load_at(at_us)) != (self._tune.target, self._load.target)

    def move_tank(self, tune: int, load: int, at_us: int) -> None:
        """Start both motors; raises `ValueError` for a position that is not there."""
        for name, position in (("tune", tune), ("load", load)):
            if not 0 <= position < TANK_STEPS:
                raise ValueError(f"{name} {position}: positions are 0 to {TANK_STEPS - 1}")
        if self.faults.stuck:
            return
        self._tune = _Travel(self.tune_at(at_us), tune, at_us)
        self._load = _Travel(self.load_at(at_us), load, at_us)
        self.moved_under_power |= self._drive_w > 0 and self.is_travelling(at_us)

    # RF.

    def set_drive(self, drive_w: int, at_us: int) -> None:
        """Say how much RF comes from the rig from now on; 0 is none."""
        self._drive_w = drive_w
        if drive_w > 0:
            self.moved_under_power |= self.is_travelling(at_us)
            self.driven_while_held |= self.transmit_held

    def meters(self, at_us: int) -> Meters:
        """Read the meters. Barefoot the forward power is the rig's."""
        amplifying = self.operate and self.high_voltage_on and self.heater_on
        forward_w = min(self._drive_w * GAIN, FORWARD_W_MAX) if amplifying else self._drive_w
        return Meters(
            forward_w=forward_w,
            reflected_w=forward_w * self.reflected_per_mille // 1000,
            grid_ma=forward_w * GRID_MA_AT_FULL_OUTPUT // FORWARD_W_MAX if amplifying else 0,
            tune=self.tune_at(at_us),
            load=self.load_at(at_us),
        )
