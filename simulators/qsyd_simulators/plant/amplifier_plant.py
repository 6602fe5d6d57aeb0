"""One amplifier as physics has it. It obeys, whatever harms, and keeps the ground truth of that.

Between two calls it lives on a fixed grid of time, so what is asked, and how often, changes nothing. Time must not go
back; for `truth` and `readings` it may by a few seconds, which is how meters can be late.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState
from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard
from qsyd_simulators.plant.antenna import OPEN_OHM, Termination
from qsyd_simulators.plant.auto_tune import AutoTuner
from qsyd_simulators.plant.heat import Heat
from qsyd_simulators.plant.meters import Meters
from qsyd_simulators.plant.stage import PI_MAKE, Controls, Make, Reading, reading, warmth_at
from qsyd_simulators.plant.tank import TankSetting
from qsyd_simulators.plant.trips import Trips
from qsyd_simulators.plant.truth import Truth, truth_of

_BUSY_TICK_US = 20_000
"""While motors turn under power or a trip watches."""
_CALM_TICK_US = 1_000_000
"""While plate current flows and nothing moves but the weather."""
_COOLING_TICK_US = 10_000_000
_BLOWER_STOPS_C = 40.0
_HISTORY = 512
"""Changes of the controls that are kept, so that meters can be late."""


def _open(_frequency_hz: int, _at_us: int) -> complex:
    return OPEN_OHM


class AmplifierPlant:
    """Cold, in standby, transmit free, both capacitors at position 0, nothing on its output."""

    def __init__(
        self,
        make: Make = PI_MAKE,
        *,
        meters: Meters | None = None,
        trips: Trips | None = None,
        tuner: AutoTuner | None = None,
        faults: BoxFaults | None = None,
        at_us: int = 0,
    ) -> None:
        """`trips` None leaves out its own protection; `at_us` is when its time begins."""
        self.make = make
        self.meters = Meters() if meters is None else meters
        self.trips = trips
        self.tuner = AutoTuner() if tuner is None else tuner
        self.faults = BoxFaults() if faults is None else faults
        self.heard: list[Heard] = []
        """The lines its wire received; bounded."""
        self.blower_works = True
        """A fault to ask for: without it a tenth of the air is left."""
        self.fault: str | None = None
        """What its own protection tripped on; until `reset`."""
        self.moved_under_power = False
        """Ground truth: `move_tank` has moved a capacitor, or it was still moving, while RF was on it."""
        self.operated_cold = False
        """Ground truth: it has been put into the signal path before its warm-up was over."""
        self.switched_in_under_power = False
        """Ground truth: it has been put into the signal path while RF was on the relay."""
        self.on_rf: Callable[[bool, int], None] | None = None
        """Told whenever RF from the rig begins or ends, and when."""

        room_c = make.cooling.room_c
        self._controls = Controls(_open, make.motor.resting(0), make.motor.resting(0))
        self._history: deque[tuple[int, Controls]] = deque([(at_us, self._controls)], _HISTORY)
        self._heat = Heat(room_c, room_c, at_us)
        self._anode_w = 0.0
        self._tuning = False
        self._over_limit: str | None = None
        self._ordered_until_us = at_us
        self._now_us = at_us

    # What it is told

    def terminate(self, termination: Termination, at_us: int) -> None:
        """Say what its output looks into from now on."""
        self._change(at_us, termination=termination)

    def set_drive(
        self, at_us: int, *, frequency_hz: int | None = None, keyed: bool | None = None, drive_w: float | None = None
    ) -> None:
        """Say what comes from the rig from now on; what is not named stays. Raises `ValueError` for what cannot be."""
        if frequency_hz is not None and frequency_hz <= 0:
            raise ValueError(f"frequency {frequency_hz} Hz: it must be above 0")
        if drive_w is not None and not 0 <= drive_w <= 1_000:
            raise ValueError(f"drive {drive_w:g} W: from 0 to 1000 W")
        named = {"frequency_hz": frequency_hz, "keyed": keyed, "drive_w": drive_w}
        self._change(at_us, **{name: value for name, value in named.items() if value is not None})

    def heater(self, on: bool, at_us: int) -> None:
        """On brings the plate supply with it, and does not restart a heater that burns; off ends both, and operate."""
        since_us = self._controls.heater_since_us
        if on != (since_us is not None):
            warmth = warmth_at(self.make, self._controls, at_us)
            self._change(at_us, heater_since_us=at_us if on else None, warmth=warmth, warmth_at_us=at_us)
        if on:
            self._change(at_us, high_voltage=True)
        else:
            self.high_voltage_off(at_us)

    def high_voltage_off(self, at_us: int) -> None:
        """Plate supply off, out of the signal path; heater and blower go on."""
        self._change(at_us, high_voltage=False)
        self.operate(False, at_us)

    def operate(self, on: bool, at_us: int) -> None:
        """Into the signal path, or out of it; not into it while its own fault stands."""
        if self.faults.stuck or (on and self.fault is not None):
            return
        if on and not self._controls.operate:
            self.operated_cold |= not self.is_ready(at_us)
            self.switched_in_under_power |= self._controls.arriving_w > 0
        self._change(at_us, operate=on)

    def hold(self, on: bool, at_us: int | None = None) -> None:
        """Keep the rig from transmitting, or let it."""
        self._change(self._time(at_us), held=on)

    def limit_drive(self, drive_w: float | None, at_us: int | None = None) -> None:
        """The rig's drive is the lower of its own setting and this; None takes the limit away."""
        if drive_w is not None and drive_w < 0:
            raise ValueError(f"drive {drive_w:g} W: it must not be below 0")
        self._change(self._time(at_us), drive_limit_w=drive_w)

    def move_tank(self, tune: int, load: int, at_us: int) -> None:
        """Start both motors; raises `ValueError` for a position beyond an end stop."""
        motor = self.make.motor
        motor.checked("tune", tune)
        motor.checked("load", load)
        if self.faults.stuck:
            return
        self._send(tune, load, at_us)
        self._ordered_until_us = max(motor.arrives_us(self._controls.tune), motor.arrives_us(self._controls.load))
        self._note_harm(at_us)

    def auto_tune(self, on: bool, at_us: int) -> None:
        """Let phase and loading detectors turn the motors while driven, or not; the motors stop where they are."""
        self._change(at_us, auto=on)
        self._tuning = False

    def reset(self, at_us: int) -> None:
        """Clear its own fault; it stays in standby."""
        self._reach(at_us)
        self.fault = None

    # What is so

    def is_ready(self, at_us: int) -> bool:
        """Whether the whole warm-up has run since heater on."""
        since_us = self._controls.heater_since_us
        return since_us is not None and at_us - since_us >= self.make.heater_needs_us

    def state(self, at_us: int) -> AmplifierState:
        """In the trade's words."""
        self._reach(at_us)
        if self.fault is not None:
            return AmplifierState.FAULT
        if self._controls.heater_since_us is None:
            return AmplifierState.COOL_DOWN if self._blows else AmplifierState.OFF
        if not self.is_ready(at_us):
            return AmplifierState.WARM_UP
        return AmplifierState.OPERATE if self._controls.operate else AmplifierState.STANDBY

    def truth(self, at_us: int) -> Truth:
        """The true values at `at_us`."""
        state = self.state(at_us)
        controls = self.controls_at(at_us)
        seen = reading(self.make, controls, at_us)
        return truth_of(self.make, controls, seen, self._heat_at(at_us), state, self.fault, self._tuning, at_us)

    def readings(self, at_us: int) -> Readings:
        """What its meters show at `at_us`."""
        state = self.state(at_us)
        sampled_us = self.meters.sampled_us(at_us)
        seen = reading(self.make, self.controls_at(sampled_us), sampled_us)
        return self.meters.readings(seen, self._heat_at(at_us).exhaust_c, state, self.fault, sampled_us)

    def solve(self, frequency_hz: int, at_us: int) -> TankSetting:
        """The positions that would be right at a frequency into what its output looks into at `at_us`."""
        antenna_ohm = self.controls_at(at_us).termination(frequency_hz, at_us)
        return self.make.tank.solve(frequency_hz, antenna_ohm, self.make.tube.plate_load_ohm)

    # Its life between calls

    @property
    def now_us(self) -> int:
        """The latest moment it was told or asked of."""
        return self._now_us

    @property
    def controls(self) -> Controls:
        """As last told."""
        return self._controls

    def controls_at(self, at_us: int) -> Controls:
        """As told by `at_us`."""
        for since_us, controls in reversed(self._history):
            if since_us <= at_us:
                return controls
        return self._history[0][1]

    @property
    def _blows(self) -> bool:
        return self._controls.heater_since_us is not None or self._heat.exhaust_c > _BLOWER_STOPS_C

    def _time(self, at_us: int | None) -> int:
        return self._now_us if at_us is None else at_us

    def _change(self, at_us: int, **fields: Any) -> None:
        self._reach(at_us)
        at_us = max(at_us, self._history[-1][0])
        before, controls = self._controls, replace(self._controls, **fields)
        if controls == before:
            return
        self._controls = controls
        self._history.append((at_us, controls))
        self._warm(at_us)
        self._note_harm(at_us)
        has_rf = controls.arriving_w > 0
        if self.on_rf is not None and has_rf != (before.arriving_w > 0):
            self.on_rf(has_rf, at_us)

    def _note_harm(self, at_us: int) -> None:
        self.moved_under_power |= self._controls.arriving_w > 0 and at_us < self._ordered_until_us

    def _send(self, tune: int, load: int, at_us: int) -> None:
        motor, controls = self.make.motor, self._controls
        self._change(at_us, tune=motor.sent(controls.tune, tune, at_us), load=motor.sent(controls.load, load, at_us))

    def _reach(self, at_us: int) -> None:
        """Live through the ticks up to `at_us`."""
        while (tick_us := self._next_tick_us()) is not None and tick_us <= at_us:
            seen = self._warm(tick_us)
            if seen is not None:
                self._protect(seen, tick_us)
                self._tune(seen, tick_us)
        self._now_us = max(self._now_us, at_us)

    def _next_tick_us(self) -> int | None:
        controls, now_us = self._controls, self._heat.at_us
        if not controls.is_live:
            cools = controls.heater_since_us is None and self._blows
            return None if not cools else (now_us // _COOLING_TICK_US + 1) * _COOLING_TICK_US
        motor = self.make.motor
        moves = max(motor.arrives_us(controls.tune), motor.arrives_us(controls.load)) > now_us
        every_us = _BUSY_TICK_US if moves or controls.auto or self.trips is not None else _CALM_TICK_US
        return (now_us // every_us + 1) * every_us

    def _heat_at(self, at_us: int) -> Heat:
        make = self.make
        heats = self._controls.heater_since_us is not None
        blows = self._blows and self.blower_works
        return self._heat.later(make.cooling, self._anode_w, make.tube.dissipation_w_max, heats, blows, at_us)

    def _warm(self, at_us: int) -> Reading | None:
        """Let the heat of the time since have its effect; the reading at `at_us` if the tube is live."""
        self._heat = self._heat_at(at_us)
        if not self._controls.is_live:
            self._anode_w, self._tuning = 0.0, False
            return None
        seen = reading(self.make, self._controls, at_us)
        self._anode_w = seen.point.dissipation_w
        return seen

    def _protect(self, seen: Reading, at_us: int) -> None:
        """Trip on what two ticks in a row have seen."""
        if self.trips is None:
            return
        cause = self.trips.cause(seen, self._heat.anode_c)
        if cause is not None and self._over_limit is not None:
            self.fault = cause
            self._change(at_us, operate=False)
        self._over_limit = cause

    def _tune(self, seen: Reading, at_us: int) -> None:
        controls = self._controls
        if not (controls.auto and controls.is_live and seen.plate_load_ohm is not None and not self.faults.stuck):
            return
        if seen.drive_w < self.tuner.drive_w_min:
            self._tuning = False
            return
        place = seen.tune, seen.load
        wanted = self.tuner.turn(seen.plate_load_ohm, self.make.tube.plate_load_ohm, *place, self.make.motor)
        self._tuning = wanted != place
        if wanted != (controls.tune.target, controls.load.target):
            self._send(*wanted, at_us)
