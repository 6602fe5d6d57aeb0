"""Automatic tuning: a phase detector turns the tune capacitor, a loading detector the load capacitor, while driven.

The phase detector tells by how many radians plate voltage and current are apart and which way; the loading detector
compares their sizes, and is heeded only once the phase is about right. Both turn the motors the faster the further off
they are, up to the motors' own speed. Gains and dead bands are our own; that it takes from some hundred milliseconds to
seconds is common practice, no source.
"""

from cmath import phase
from dataclasses import dataclass
from math import log

from qsyd_simulators.plant.motor import Motor


@dataclass(frozen=True, slots=True)
class AutoTuner:
    """Asked every `every_us`."""

    every_us: int = 20_000
    drive_w_min: float = 5.0
    """Below it the detectors show nothing."""
    phase_steps: float = 10.0
    """Of the tune motor, for a radian."""
    load_steps: float = 60.0
    """Of the load motor, for a resistance off by a factor of e."""
    phase_band: float = 0.07
    load_band: float = 0.06
    """Within these it rests: radians, and the logarithm of a ratio."""
    load_waits_phase: float = 0.5

    def turn(self, plate_load_ohm: complex, wanted_ohm: float, tune: int, load: int, motor: Motor) -> tuple[int, int]:
        """Where both motors should be sent next; where they are, if it is content or at an end stop."""
        most = motor.steps_per_s * self.every_us // 1_000_000
        lead = phase(plate_load_ohm)  # above zero: inductive, more C1 is wanted
        tune_to, load_to = tune, load
        if abs(lead) > self.phase_band:
            tune_to = motor.stopped(tune + _steps(self.phase_steps * lead, most))
        if abs(lead) < self.load_waits_phase:
            off = log(abs(plate_load_ohm) / wanted_ohm)  # above zero: too light, less C2 is wanted
            if abs(off) > self.load_band:
                load_to = motor.stopped(load - _steps(self.load_steps * off, most))
        elif tune_to == tune:  # the tune capacitor is at its end stop: only more C2 brings it back from there
            load_to = motor.stopped(load + most)
        return tune_to, load_to


def _steps(wanted: float, most: int) -> int:
    """Whole steps, at least one and at most `most`."""
    size = min(most, max(1, round(abs(wanted))))
    return size if wanted > 0 else -size
