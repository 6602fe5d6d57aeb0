"""Coaxial cable against reference values and golden numbers of scikit-rf.

rho_in = rho_load 10^(-A/10); total loss 10 log10((a^2 - rho^2)/(a (1 - rho^2))), a = 10^(A/10): the ARRL formula, exact for a
real Z0 (values computed). Loss rises about as the root of the frequency (any radio handbook, from memory).
"""

import json
from math import log10
from pathlib import Path

import pytest

from qsyd_simulators.plant.feed_line import FeedLine
from qsyd_simulators.plant.matching_unit import MatchingUnit, MatchSetting
from qsyd_simulators.plant.two_port import mismatch_swr

LINES = json.loads((Path(__file__).parents[2] / "golden" / "networks.json").read_text("utf-8"))["lines"]


@pytest.mark.parametrize(
    ("loss_db", "swr_at_antenna", "swr_at_transmitter", "total_db"),
    [(0.5, 2.0, 1.845, 0.610), (1.0, 2.0, 1.720, 1.196), (1.0, 3.0, 2.318, 1.504), (2.0, 3.0, 1.922, 2.794)],
)
def test_swr_and_loss_of_a_mismatched_line(
    loss_db: float, swr_at_antenna: float, swr_at_transmitter: float, total_db: float
) -> None:
    """Several wavelengths of cable, loaded above and below its impedance."""
    line = FeedLine(length_m=101.7, loss_db_at_10_mhz=loss_db)
    for load_ohm in (50 * swr_at_antenna, 50 / swr_at_antenna):
        way = line.two_port(10e6)

        assert mismatch_swr(way.input_ohm(load_ohm), 50) == pytest.approx(swr_at_transmitter, abs=0.001)
        assert -10 * log10(way.efficiency(load_ohm)) == pytest.approx(total_db, abs=0.002)


def test_line_presents_what_another_program_calculates() -> None:
    assert len(LINES) == 9
    for row in LINES:
        at_10_mhz = row["matched_loss_db"] / (row["frequency_hz"] / 10e6) ** 0.5
        line = FeedLine(row["length_m"], at_10_mhz, row["velocity"])
        way = line.two_port(row["frequency_hz"])
        load_ohm = complex(*row["load_ohm"])

        assert way.input_ohm(load_ohm) == pytest.approx(complex(*row["input_ohm"]), rel=1e-4), row
        assert way.efficiency(load_ohm) == pytest.approx(row["efficiency"], rel=1e-4), row


def test_matched_loss_rises_with_the_root_of_the_frequency() -> None:
    """County emergency group's table, low-loss 0.405 inch cable, dB a 100 ft: 0.4, 0.7, 0.9 at 10, 30, 50 MHz."""
    line = FeedLine(length_m=30.48, loss_db_at_10_mhz=0.4)

    assert [line.matched_loss_db(hertz) for hertz in (10e6, 30e6, 50e6)] == pytest.approx([0.4, 0.7, 0.9], abs=0.05)


def test_matching_unit_brings_a_bad_antenna_to_fifty_ohm() -> None:
    unit = MatchingUnit()
    for hertz, load_ohm in (
        (3_600_000, 25 - 40j),
        (3_800_000, 140 + 60j),
        (7_100_000, 90 - 50j),
        (14_200_000, 30 + 10j),
    ):
        setting = unit.solve(hertz, load_ohm)

        assert mismatch_swr(load_ohm, 50) > 1.5
        assert mismatch_swr(unit.two_port(hertz, setting).input_ohm(load_ohm), 50) < 1.2


def test_matching_unit_leaves_alone_what_is_right_and_refuses_positions_it_has_not() -> None:
    unit = MatchingUnit()

    assert unit.solve(7e6, 50) == MatchSetting()
    assert unit.two_port(7e6, MatchSetting()).input_ohm(33 + 4j) == 33 + 4j
    with pytest.raises(ValueError, match="inductance 256: positions are 0 to 255"):
        unit.two_port(7e6, MatchSetting(256, 0))
