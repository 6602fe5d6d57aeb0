"""A matching unit: an L network of relay-switched coils and capacitors, between transmitter and feed line.

A setting is three whole numbers: steps of inductance, steps of capacitance, and on which side the capacitor is.
"""

from cmath import sqrt
from dataclasses import dataclass
from math import pi
from typing import NamedTuple

from qsyd_simulators.plant.two_port import THROUGH, TwoPort, mismatch_swr, series, shunt


class MatchSetting(NamedTuple):
    """Positions of the relays; all zero is straight through."""

    inductance: int = 0
    capacitance: int = 0
    capacitor_at_antenna: int = 1


@dataclass(frozen=True, slots=True)
class MatchingUnit:
    """The parts; 8 relays for each value unless told otherwise. Sizes are round figures (common practice, no source)."""

    henries_a_step: float = 0.05e-6
    farads_a_step: float = 8e-12
    steps: int = 256
    coil_q: float = 200.0

    def two_port(self, frequency_hz: float, setting: MatchSetting) -> TwoPort:
        """From the transmitter to the feed line; raises `ValueError` for a position that is not there."""
        for name, position, count in (
            ("inductance", setting.inductance, self.steps),
            ("capacitance", setting.capacitance, self.steps),
            ("side", setting.capacitor_at_antenna, 2),
        ):
            if not 0 <= position < count:
                raise ValueError(f"{name} {position}: positions are 0 to {count - 1}")
        if setting.inductance == setting.capacitance == 0:
            return THROUGH
        omega = 2 * pi * frequency_hz
        reactance_ohm = omega * self.henries_a_step * setting.inductance
        coil = series(complex(reactance_ohm / self.coil_q, reactance_ohm))
        capacitor = shunt(1j * omega * self.farads_a_step * setting.capacitance)
        return coil.then(capacitor) if setting.capacitor_at_antenna else capacitor.then(coil)

    def solve(self, frequency_hz: float, load_ohm: complex, wanted_ohm: float = 50.0) -> MatchSetting:
        """The setting that presents `wanted_ohm` most nearly, from the L network's closed form with lossless parts.

        Capacitor at the antenna: B and X from Re(1/(Yl + jB)) = R; at the transmitter: from Re(1/(Zl + jX)) = 1/R. Of
        what either gives with X and B not negative, and of straight through, the best.
        """
        omega = 2 * pi * frequency_hz
        best, best_swr = MatchSetting(), mismatch_swr(load_ohm, wanted_ohm)
        for side, reactance_ohm, susceptance_s in _exact(load_ohm, wanted_ohm):
            inductance = round(reactance_ohm / (omega * self.henries_a_step))
            capacitance = round(susceptance_s / (omega * self.farads_a_step))
            for more in (-1, 0, 1):
                for other in (-1, 0, 1):
                    setting = MatchSetting(
                        min(self.steps - 1, max(0, inductance + more)),
                        min(self.steps - 1, max(0, capacitance + other)),
                        side,
                    )
                    swr = mismatch_swr(self.two_port(frequency_hz, setting).input_ohm(load_ohm), wanted_ohm)
                    if swr < best_swr:
                        best, best_swr = setting, swr
        return best


def _exact(load_ohm: complex, wanted_ohm: float) -> list[tuple[int, float, float]]:
    """Side, series reactance and shunt susceptance, each not negative, that match without losses."""
    found = []
    admittance_s = 1 / load_ohm
    left = admittance_s.real / wanted_ohm - admittance_s.real**2  # (B + Im Yl) squared
    if left >= 0:
        for sign in (1, -1):
            total_s = sign * sqrt(left).real
            reactance_ohm = -(1 / complex(admittance_s.real, total_s)).imag
            found.append((1, reactance_ohm, total_s - admittance_s.imag))
    left = load_ohm.real * wanted_ohm - load_ohm.real**2  # (X + Im Zl) squared
    if left >= 0:
        for sign in (1, -1):
            total_ohm = sign * sqrt(left).real
            susceptance_s = -(1 / complex(load_ohm.real, total_ohm)).imag
            found.append((0, total_ohm - load_ohm.imag, susceptance_s))
    return [(side, x, b) for side, x, b in found if x >= 0 and b >= 0]
