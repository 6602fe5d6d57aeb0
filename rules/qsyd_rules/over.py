"""One over on the amplifier: from key-down to key-up in operate, and what the meters showed at its full output.

The meters are looked at a few times a second, in the middle of words and dits. What counts of an over is its top: the
samples near its highest output, where a meter that swings with speech reads alike from over to over.
"""

from dataclasses import dataclass
from math import sqrt
from statistics import median

from qsyd_rules.readings import Readings
from qsyd_rules.words import Mode

TOP_PART = 0.8
"""Samples of at least this part of the over's highest output are its top."""
SAMPLES_LEAST = 3
"""An over with fewer at its top tells nothing."""
SAMPLES_MOST = 2_000


@dataclass(frozen=True, slots=True)
class Over:
    """What one over showed. Powers in watts, currents in mA, at the top of the over; None where nothing told."""

    at_s: float
    """When it ended: seconds since 1970, UTC."""
    antenna: str
    segment: str
    mode: Mode | None
    forward_w: float
    reflected_w: float | None = None
    drive_w: float | None = None
    grid_ma: float | None = None


@dataclass(frozen=True, slots=True)
class OverSoFar:
    """An over under way, on one antenna in one segment."""

    antenna: str
    segment: str
    mode: Mode | None
    samples: tuple[Readings, ...] = ()

    def with_sample(self, readings: Readings, floor_w: float) -> "OverSoFar":
        """The same with one more look at the meters; what is below the floor of forward power is noise."""
        if readings.forward_w is None or readings.forward_w < floor_w or len(self.samples) >= SAMPLES_MOST:
            return self
        return OverSoFar(self.antenna, self.segment, self.mode, (*self.samples, readings))

    def ended(self, at_s: float) -> Over | None:
        """The over as a whole; None where the meters were looked at too seldom."""
        shown = [(readings.forward_w or 0.0, readings) for readings in self.samples]
        highest_w = max((forward_w for forward_w, _ in shown), default=0.0)
        top = [readings for forward_w, readings in shown if forward_w >= TOP_PART * highest_w]
        if len(top) < SAMPLES_LEAST:
            return None
        return Over(
            at_s,
            self.antenna,
            self.segment,
            self.mode,
            _median([each.forward_w for each in top]) or 0.0,
            _median([each.reflected_w for each in top]),
            _median([each.drive_w for each in top]),
            _median([each.grid_ma for each in top]),
        )


def reflection(forward_w: float | None, reflected_w: float | None) -> float | None:
    """Magnitude of the reflection, 0 to 1: rho = sqrt(Pr / Pf), any radio handbook (from memory)."""
    if forward_w is None or reflected_w is None or forward_w <= 0:
        return None
    return min(1.0, sqrt(max(0.0, reflected_w) / forward_w))


def swr_of(rho: float) -> float:
    """Standing-wave ratio of a reflection below 1: S = (1 + rho) / (1 - rho)."""
    return (1 + rho) / (1 - min(rho, 0.999))


def _median(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if len(known) >= SAMPLES_LEAST else None
