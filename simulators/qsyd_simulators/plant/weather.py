"""Weather on antennas: resonances wander through the day, and spells of rain, ice or corrosion move them.

How much a real antenna moves hangs on wire, ground and what grows beneath: the figures are common practice, no source.
"""

from dataclasses import dataclass
from math import pi, sin

from qsyd_simulators.plant.noise import uniform

HOUR_US = 3_600_000_000


@dataclass(frozen=True, slots=True)
class Spell:
    """Something that comes over the antennas, stays and goes."""

    name: str
    begins_us: int
    ramp_us: int
    """To come, and to go again."""
    lasts_us: int | None
    """From its beginning to the beginning of its end; None stays for good."""
    shift: float
    """Of f0, as a share: -0.006 is 0.6 % down."""
    damping: float = 0.0
    """Of R, as a share."""
    antenna: str | None = None
    """The one it comes over, or all."""

    def strength(self, at_us: int) -> float:
        """0 before and after, 1 at its height."""
        ramp_us = max(1, self.ramp_us)
        rising = (at_us - self.begins_us) / ramp_us
        falling = 1.0 if self.lasts_us is None else 1 - (at_us - self.begins_us - self.lasts_us) / ramp_us
        return max(0.0, min(1.0, rising, falling))


@dataclass(frozen=True, slots=True)
class Weather:
    """A named, seeded wandering of f0 and R; the same seed and time give the same weather."""

    name: str
    seed: int = 0
    shift: float = 0.0
    """Most that f0 wanders either way, as a share."""
    damping: float = 0.0
    """Most that R wanders either way, as a share."""
    spells: tuple[Spell, ...] = ()
    since_us: int = 0
    """When its first hour begins, on the clock it is asked by."""

    def over(self, antenna: str, at_us: int) -> tuple[float, float]:
        """By what f0 and R of this antenna are to be multiplied at `at_us`."""
        at_us -= self.since_us
        shift, damping = 1.0, 1.0
        if self.shift or self.damping:
            place = int.from_bytes(antenna.encode()[:8].ljust(8, b"\0"))
            shift += self.shift * self._wander(place, at_us)
            damping += self.damping * self._wander(place + 1, at_us)
        for spell in self.spells:
            if spell.antenna in (None, antenna):
                strength = spell.strength(at_us)
                shift += spell.shift * strength
                damping += spell.damping * strength
        return shift, damping

    def _wander(self, place: int, at_us: int) -> float:
        """From -1 to 1: three waves of 24, 7 and 1.5 hours, each with a phase of its own."""
        total = 0.0
        for number, (hours, height) in enumerate(((24.0, 0.6), (7.0, 0.3), (1.5, 0.1))):
            phase = 2 * pi * uniform(self.seed + number, place)
            total += height * sin(2 * pi * at_us / (hours * HOUR_US) + phase)
        return total


CALM = Weather("calm")


def changeable(seed: int) -> Weather:
    """An ordinary week: f0 wanders by up to 0.3 %, R by up to 4 %."""
    return Weather("changeable", seed, shift=0.003, damping=0.04)


def rain(seed: int, begins_us: int = HOUR_US, lasts_us: int = 2 * HOUR_US) -> Weather:
    """An ordinary week with a shower: wet insulation pulls f0 down by 0.6 % within 20 minutes, and up again after."""
    shower = Spell("rain", begins_us, HOUR_US // 3, lasts_us, shift=-0.006, damping=0.05)
    return Weather("rain", seed, shift=0.003, damping=0.04, spells=(shower,))


def corrosion(seed: int, antenna: str, begins_us: int = 0, ramp_us: int = 24 * HOUR_US) -> Weather:
    """A joint of one antenna goes bad over a day and stays bad: R up by a third, f0 down by 1 %."""
    joint = Spell("corrosion", begins_us, ramp_us, None, shift=-0.01, damping=0.33, antenna=antenna)
    return Weather("corrosion", seed, shift=0.003, damping=0.04, spells=(joint,))
