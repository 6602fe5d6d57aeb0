"""The segment formula against a tank that is calculated another way: a pi network in scikit-rf.

A pi is not the series RLC circuit of the formula: its loaded Q is defined on the input side (Q = R1/XC1), and no such
definition predicts its bandwidth exactly (W. Kaune, "Quality factor, bandwidth, and harmonic attenuation of pi
networks"). So agreement is asked for within the tolerance stated below, not to the last digit.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import pi, sqrt

import numpy as np
import pytest
import skrf
from skrf.media import DefinedGammaZ0

from qsyd_daemon.band_data import load_band_tables
from qsyd_rules.band import Band
from qsyd_rules.segment import Computed, Segment, segments_of

PLATE_LOAD_OHM = 2000
ANTENNA_OHM = 50
LOADED_Q = 12

PI_TOLERANCE_SWR = 0.06
"""How far the pi may be from the asked 1.4 at the edges of the widest segments: 4 percent of the SWR, for the reason
above. Measured here: at most 1.453, at the upper edge of 80m/1, where the formula says 1.400."""


@dataclass(frozen=True)
class PiTank:
    """Tank capacitors and coil, in farads and henries, left alone while the frequency moves."""

    c1: float
    coil: float
    c2: float

    @classmethod
    def tuned_at(cls, frequency_hz: float) -> "PiTank":
        """Classical handbook pi from memory, Q on the input side; that it matches is checked below, not believed."""
        xc1 = PLATE_LOAD_OHM / LOADED_Q
        q2 = sqrt(ANTENNA_OHM * (1 + LOADED_Q**2) / PLATE_LOAD_OHM - 1)
        xc2 = ANTENNA_OHM / q2
        xl = (LOADED_Q * PLATE_LOAD_OHM + PLATE_LOAD_OHM * ANTENNA_OHM / xc2) / (1 + LOADED_Q**2)
        omega = 2 * pi * frequency_hz
        return cls(c1=1 / (omega * xc1), coil=xl / omega, c2=1 / (omega * xc2))

    def swr_at(self, *frequencies_hz: float) -> list[float]:
        """Mismatch the tube sees, relative to its plate load, with 50 ohm at the other end."""
        frequency = skrf.Frequency.from_f(np.array(frequencies_hz, dtype=float), unit="Hz")
        line = DefinedGammaZ0(frequency=frequency, z0=ANTENNA_OHM)
        network = (
            line.shunt_capacitor(self.c1) ** line.inductor(self.coil) ** line.shunt_capacitor(self.c2) ** line.match()
        )
        impedance = ANTENNA_OHM * (1 + network.s[:, 0, 0]) / (1 - network.s[:, 0, 0])
        rho = np.abs((impedance - PLATE_LOAD_OHM) / (impedance + PLATE_LOAD_OHM))
        return [float(swr) for swr in (1 + rho) / (1 - rho)]


def edge_swr(segment: Segment) -> list[float]:
    return PiTank.tuned_at(segment.centre_hz).swr_at(segment.low_hz, segment.high_hz)


@pytest.mark.parametrize("frequency_hz", [1_900_000, 3_750_000, 7_150_000, 14_200_000, 28_500_000])
def test_the_tank_is_matched_where_it_is_tuned(frequency_hz: int) -> None:
    assert PiTank.tuned_at(frequency_hz).swr_at(frequency_hz) == [pytest.approx(1, abs=1e-6)]


def test_the_tank_has_the_tabulated_parts() -> None:
    """R1 2000, Q 12, R2 50 at 3.75 MHz: 254.65 pF, 7.9732 uH, 1375.26 pF (computed, ABCD chain by hand)."""
    tank = PiTank.tuned_at(3_750_000)

    assert tank.c1 * 1e12 == pytest.approx(254.65, rel=1e-3)
    assert tank.coil * 1e6 == pytest.approx(7.9732, rel=1e-3)
    assert tank.c2 * 1e12 == pytest.approx(1375.26, rel=1e-3)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "at_low", "at_high"),
    [  # tabulated mismatch at the edges of one setting (computed, ABCD chain by hand)
        (3_500_000, 3_600_000, 1.43, 1.45),
        (3_900_000, 4_000_000, 1.38, 1.40),
        (7_000_000, 7_150_000, 1.31, 1.32),
        (7_150_000, 7_300_000, 1.31, 1.32),
    ],
)
def test_edges_of_customary_segments_see_the_tabulated_mismatch(
    low_hz: int, high_hz: int, at_low: float, at_high: float
) -> None:
    seen = PiTank.tuned_at((low_hz + high_hz) / 2).swr_at(low_hz, high_hz)

    assert seen == [pytest.approx(at_low, abs=0.0051), pytest.approx(at_high, abs=0.0051)]  # two decimals


def test_one_setting_for_all_of_80m_would_be_far_off() -> None:
    """Tabulated 4.3 and 5.4 to one: why there are segments at all."""
    seen = PiTank.tuned_at(3_750_000).swr_at(3_500_000, 4_000_000)

    assert seen == [pytest.approx(4.3, abs=0.051), pytest.approx(5.4, abs=0.051)]


@pytest.mark.parametrize("region", [1, 2, 3])
def test_computed_segments_keep_the_pi_about_at_the_asked_edge_swr(region: int) -> None:
    for band in load_band_tables().bands(region):
        for segment in segments_of(band, Computed()):
            assert max(edge_swr(segment)) <= 1.4 + PI_TOLERANCE_SWR, segment


def test_the_widest_allowed_part_is_neither_too_wide_nor_too_narrow() -> None:
    """80m/1 is within 8 Hz of the widest part the formula allows, so there the pi tells how good the formula is."""
    lowest = segments_of(Band("80m", 3_500_000, 4_000_000), Computed())[0]

    assert edge_swr(lowest) == [pytest.approx(1.4, abs=PI_TOLERANCE_SWR)] * 2


@pytest.mark.parametrize("asked", [Fraction("1.2"), Fraction("1.3"), Fraction("1.5")])
def test_one_segment_fewer_would_exceed_the_asked_edge_swr(asked: Fraction) -> None:
    band = Band("80m", 3_500_000, 4_000_000)
    count = len(segments_of(band, Computed(edge_swr=asked)))
    wider_hz = (band.high_hz - band.low_hz) / (count - 1)
    tank = PiTank.tuned_at(band.low_hz + wider_hz / 2)

    assert max(tank.swr_at(band.low_hz, band.low_hz + wider_hz)) > asked
