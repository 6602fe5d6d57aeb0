"""Meters: each with a fixed error of its scale, a little noise, and late by as much as its electronics take.

Noise is a function of seed and time: asked twice at the same moment, a meter shows the same.
"""

from dataclasses import dataclass, field
from typing import Self

from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState
from qsyd_simulators.plant.noise import bell, uniform
from qsyd_simulators.plant.stage import Reading


@dataclass(frozen=True, slots=True)
class Scales:
    """By what each meter's figure is to be multiplied; 1 is a perfect meter."""

    forward: float = 1.0
    reflected: float = 1.0
    drive: float = 1.0
    plate_v: float = 1.0
    plate_ma: float = 1.0
    grid_ma: float = 1.0

    @classmethod
    def seeded(cls, seed: int, error: float) -> Self:
        """Each meter off by something within `error` either way, which the seed decides."""
        return cls(*(1 + error * (2 * uniform(seed, 7_000 + place) - 1) for place in range(6)))


@dataclass(frozen=True, slots=True)
class Meters:
    """How well an amplifier tells of itself. Errors of a few per cent are common practice, no source."""

    seed: int = 0
    scales: Scales = field(default_factory=Scales)
    noise: float = 0.005
    """Standard deviation, as a share of the reading."""
    every_us: int = 20_000
    """They are sampled so often, on whole multiples."""
    latency_us: int = 50_000
    """From what is so to what is shown."""

    def sampled_us(self, at_us: int) -> int:
        """The moment whose values are shown at `at_us`."""
        return (at_us - self.latency_us) // self.every_us * self.every_us

    def readings(
        self, seen: Reading, exhaust_c: float, state: AmplifierState, fault: str | None, sampled_us: int
    ) -> Readings:
        """What they show of what was so at `sampled_us`; figures with one decimal, never below 0."""
        scales, point = self.scales, seen.point

        def shown(value: float, scale: float, which: int) -> float:
            if value <= 0:
                return 0.0
            noisy = value * scale * (1 + self.noise * bell(self.seed + which, sampled_us // self.every_us))
            return round(max(0.0, noisy), 1)

        return Readings(
            forward_w=shown(seen.forward_w, scales.forward, 0),
            reflected_w=shown(seen.reflected_w, scales.reflected, 1),
            drive_w=shown(seen.drive_w, scales.drive, 2),
            plate_v=shown(point.plate_v, scales.plate_v, 3),
            plate_ma=shown(point.plate_a * 1000, scales.plate_ma, 4),
            grid_ma=shown(point.grid_a * 1000, scales.grid_ma, 5),
            temperature_c=round(exhaust_c, 1),
            tune=seen.tune,
            load=seen.load,
            state=state,
            fault=fault,
        )


PERFECT = Meters(noise=0.0, latency_us=0, every_us=1)
"""For asking the truth in the words of meters."""


def usual_meters(seed: int) -> Meters:
    """Scales off by up to 5 %, half a per cent of noise, 50 ms late."""
    return Meters(seed, Scales.seeded(seed, 0.05))
