"""Presets as the true pi tank makes them: a fixed inductor in each band, two capacitors linear in position.

Equations of the pi network, with Q = R1/XC1 (classical handbook result, from memory; the tests hold the solver against the
worked table of capacitors for Q = 12). With the inductor given, the loaded Q at a frequency follows, and with it the
two capacitors that match `load_ohm` to `plate_ohm`. Nothing here knows the law that the rules fit.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import pi, sqrt

from qsyd_rules.preset import Preset
from qsyd_rules.segment import Segment


def reactance_ohm(q: float, plate_ohm: float, load_ohm: float) -> float:
    """XL = (Q R1 + R1 R2/XC2)/(1 + Q^2), with XC2 = R2/Q2 and Q2 = sqrt(R2 (1 + Q^2)/R1 - 1)."""
    q2 = sqrt(load_ohm * (1 + q * q) / plate_ohm - 1)
    return (q * plate_ohm + plate_ohm * q2) / (1 + q * q)


@dataclass(frozen=True, slots=True)
class TrueTank:
    """A pi tank for `plate_ohm` with loaded Q `loaded_q` in the middle of each band; capacitors of `steps` positions."""

    plate_ohm: float = 2500.0
    loaded_q: float = 12.0
    stray_f: float = 12e-12
    """Tube and wiring: counts as part of the tune capacitor."""
    steps: int = 4000

    def inductor_h(self, centre_hz: float, load_ohm: float = 50.0) -> float:
        """The coil that a band is given."""
        return reactance_ohm(self.loaded_q, self.plate_ohm, load_ohm) / (2 * pi * centre_hz)

    def capacitors_f(self, hz: float, inductor_h: float, load_ohm: float = 50.0) -> tuple[float, float]:
        """C1 and C2 that match at this frequency with this coil: Q by bisection, since XL falls with Q."""
        low, high = sqrt(self.plate_ohm / load_ohm - 1) * 1.000001, 200.0
        for _ in range(100):
            q = (low + high) / 2
            if reactance_ohm(q, self.plate_ohm, load_ohm) > 2 * pi * hz * inductor_h:
                low = q
            else:
                high = q
        q2 = sqrt(load_ohm * (1 + low * low) / self.plate_ohm - 1)
        return low / (self.plate_ohm * 2 * pi * hz), q2 / (load_ohm * 2 * pi * hz)

    def positions(self, hz: float, band_hz: float, load_ohm: float = 50.0) -> tuple[float, float]:
        """Tune and load in steps. The largest capacitors are those of 1.8 MHz."""
        c1, c2 = self.capacitors_f(hz, self.inductor_h(band_hz), load_ohm)
        full1, full2 = self.capacitors_f(1.8e6, self.inductor_h(1.9e6))
        return self.steps * (c1 - self.stray_f) / full1, self.steps * c2 / full2

    def presets(
        self,
        antenna: str,
        segments: Iterable[Segment],
        load_ohm: Callable[[float], float] = lambda _: 50.0,
        off: Callable[[], float] = lambda: 0.0,
        drive_w: int | None = 60,
    ) -> dict[tuple[str, str], Preset]:
        """A preset in each segment, tuned at its centre; `off` adds the operator's own error, in steps."""
        segments = tuple(segments)
        presets = {}
        for segment in segments:
            same = [each for each in segments if each.band == segment.band]
            band_hz = (same[0].low_hz + same[-1].high_hz) / 2
            tune, load = self.positions(segment.centre_hz, band_hz, load_ohm(segment.centre_hz))
            presets[(antenna, segment.name)] = Preset(
                antenna,
                segment.name,
                round(tune + off()),
                round(load + off()),
                drive_w=drive_w,
                low_hz=segment.low_hz,
                high_hz=segment.high_hz,
            )
        return presets
