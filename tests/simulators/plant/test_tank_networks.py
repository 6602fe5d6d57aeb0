"""Tank elements and impedances against tables (computed, ABCD chain by hand) and golden numbers of scikit-rf.

`tests/golden/make_networks.py` made the golden numbers. Formulas: the classical handbook pi, Q = R1/XC1 (from memory).
"""

import json
from pathlib import Path
from typing import Any

import pytest

from qsyd_simulators.plant.capacitor import Capacitor
from qsyd_simulators.plant.stage import PI_L_MAKE, PI_MAKE
from qsyd_simulators.plant.tank import HF_BANDS, Tank, TankBand, designed_tank
from qsyd_simulators.plant.tank_design import pi_elements, pi_l_elements
from qsyd_simulators.plant.two_port import mismatch_swr

GOLDEN: dict[str, Any] = json.loads((Path(__file__).parents[2] / "golden" / "networks.json").read_text("utf-8"))

PI_TABLE = """
1500 1.9 670.13 12.0951 3280.08    1500 3.75 339.53 6.1282 1661.91    1500 7.15 178.08 3.2141 871.63
1500 14.2 89.66 1.6184 438.88      1500 28.5 44.68 0.8063 218.67      2000 1.9 502.59 15.7366 2714.32
2000 3.75 254.65 7.9732 1375.26    2000 7.15 133.56 4.1818 721.29     2000 14.2 67.25 2.1056 363.18
2000 28.5 33.51 1.0491 180.95      2500 1.9 402.08 19.3216 2309.26    2500 3.75 203.72 9.7896 1170.03
2500 7.15 106.85 5.1344 613.65     2500 14.2 53.8 2.5853 308.99       2500 28.5 26.81 1.2881 153.95
3000 1.9 335.06 22.8598 1994.02    3000 3.75 169.77 11.5823 1010.31   3000 7.15 89.04 6.0746 529.88
3000 14.2 44.83 3.0587 266.81      3000 28.5 22.34 1.524 132.93
"""
"""Plate ohm, MHz, C1 pF, L uH, C2 pF; Q 12, 50 ohm."""

PI_L_TABLE = """
1500 3.75 339.53 7.1485 1276.17 3.6755   1500 14.2 89.66 1.8878 337.02 0.9706   2000 3.75 254.65 9.1757 1147.25 3.6755
2000 28.5 33.51 1.2073 150.95 0.4836     3000 14.2 44.83 3.4654 262.04 0.9706   4000 3.75 127.32 16.9765 898.07 3.6755
"""
"""Plate ohm, MHz, C1 pF, L1 uH, C2 pF, L2 uH; Q 12, 200 ohm between, 50 ohm."""


def rows(table: str, width: int) -> list[tuple[float, ...]]:
    numbers = [float(word) for word in table.split()]
    return [tuple(numbers[start : start + width]) for start in range(0, len(numbers), width)]


@pytest.mark.parametrize("row", rows(PI_TABLE, 5))
def test_pi_has_the_tabulated_elements(row: tuple[float, ...]) -> None:
    plate_ohm, megahertz, c1_pf, l_uh, c2_pf = row

    elements = pi_elements(megahertz * 1e6, plate_ohm, 50, 12)

    found = elements.c1_f * 1e12, elements.l1_h * 1e6, elements.c2_f * 1e12
    assert found == pytest.approx((c1_pf, l_uh, c2_pf), rel=1e-3)


@pytest.mark.parametrize("row", rows(PI_L_TABLE, 6))
def test_pi_l_has_the_tabulated_elements(row: tuple[float, ...]) -> None:
    plate_ohm, megahertz, c1_pf, l1_uh, c2_pf, l2_uh = row

    elements = pi_l_elements(megahertz * 1e6, plate_ohm, 200, 50, 12)

    found = elements.c1_f * 1e12, elements.l1_h * 1e6, elements.c2_f * 1e12, elements.l2_h * 1e6
    assert found == pytest.approx((c1_pf, l1_uh, c2_pf, l2_uh), rel=1e-3)


def fixed_tank(row: dict[str, Any], coil_q: float) -> Tank:
    """A tank whose capacitors are those of the row at position 0."""
    l2_uh = row["l2_uh"]
    band = TankBand("only", 1, 100_000_000, row["l1_uh"] * 1e-6, None if l2_uh is None else l2_uh * 1e-6)
    tune = Capacitor(row["c1_pf"] * 1e-12, 2 * row["c1_pf"] * 1e-12)
    load = Capacitor(row["c2_pf"] * 1e-12, 2 * row["c2_pf"] * 1e-12)
    return Tank((band,), tune, load, stray_f=0.0, coil_q=coil_q)


def test_tank_with_lossy_coils_presents_what_another_program_calculates() -> None:
    """81 cases: nine pi and pi-L tanks, on and off their frequency, into three loads."""
    assert len(GOLDEN["tanks"]) == 81
    for row in GOLDEN["tanks"]:
        tank = fixed_tank(row, row["coil_q"])

        seen = tank.plate_load_ohm(row["frequency_hz"], 0, 0, complex(*row["load_ohm"]))

        assert seen == pytest.approx(complex(*row["input_ohm"]), rel=1e-4), row


def test_designed_pi_presents_its_plate_load_when_coils_are_perfect() -> None:
    for plate_ohm, megahertz, c1_pf, l_uh, c2_pf in rows(PI_TABLE, 5):
        exact = pi_elements(megahertz * 1e6, plate_ohm, 50, 12)
        band = TankBand("only", 1, 100_000_000, exact.l1_h)
        tank = Tank((band,), Capacitor(exact.c1_f, 1e-9), Capacitor(exact.c2_f, 1e-8), stray_f=0.0, coil_q=float("inf"))

        assert tank.plate_load_ohm(round(megahertz * 1e6), 0, 0, 50) == pytest.approx(plate_ohm, rel=1e-6)
        assert (c1_pf, l_uh, c2_pf) == pytest.approx((exact.c1_f * 1e12, exact.l1_h * 1e6, exact.c2_f * 1e12), rel=1e-3)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "at_low", "at_high"),
    [  # pi tuned at the centre, R1 2000, Q 12, left alone (computed)
        (3_500_000, 3_600_000, 1.43, 1.45),
        (3_900_000, 4_000_000, 1.38, 1.40),
        (7_000_000, 7_150_000, 1.31, 1.32),
        (7_150_000, 7_300_000, 1.31, 1.32),
    ],
)
def test_a_setting_left_alone_shows_the_tabulated_mismatch(
    low_hz: int, high_hz: int, at_low: float, at_high: float
) -> None:
    exact = pi_elements((low_hz + high_hz) / 2, 2000, 50, 12)
    band = TankBand("only", 1, 100_000_000, exact.l1_h)
    tank = Tank((band,), Capacitor(exact.c1_f, 1e-9), Capacitor(exact.c2_f, 1e-8), stray_f=0.0, coil_q=float("inf"))

    seen = [tank.swr_at(hertz, 0, 0, 50, 2000) for hertz in (low_hz, high_hz)]

    assert seen == [pytest.approx(at_low, abs=0.0051), pytest.approx(at_high, abs=0.0051)]


def test_tank_efficiency_is_about_one_less_loaded_over_unloaded_q() -> None:
    """1 - QL/QU: 12 of 200 gives 94 % (any radio handbook, from memory); a pi's Q is not just that of its input side."""
    tank = designed_tank(2550.0)
    setting = tank.solve(7_150_000, 50, 2550.0)

    assert tank.two_port(7_150_000, setting.tune, setting.load).efficiency(50) == pytest.approx(0.94, abs=0.015)


@pytest.mark.parametrize("tank", [PI_MAKE.tank, PI_L_MAKE.tank], ids=["pi", "pi-l"])
@pytest.mark.parametrize("antenna_ohm", [50 + 0j, 35 - 15j, 75 + 30j])
def test_solver_matches_on_every_band_but_where_an_end_stop_is_in_the_way(tank: Tank, antenna_ohm: complex) -> None:
    for name, low_hz, high_hz in HF_BANDS[1:]:
        for hertz in (low_hz, (low_hz + high_hz) // 2, high_hz):
            setting = tank.solve(hertz, antenna_ohm, 2550.0)

            assert setting.swr < 1.06, (name, hertz)
            assert tank.swr_at(hertz, setting.tune, setting.load, antenna_ohm, 2550.0) == pytest.approx(setting.swr)


def test_no_setting_nearby_is_better_than_the_solvers() -> None:
    tank = PI_MAKE.tank
    best = tank.solve(14_200_000, 42 + 8j, 2550.0)

    for tune in range(best.tune - 4, best.tune + 5):
        for load in range(best.load - 4, best.load + 5):
            assert tank.swr_at(14_200_000, tune, load, 42 + 8j, 2550.0) >= best.swr - 1e-9


def test_what_cannot_be_matched_is_told_by_its_swr() -> None:
    assert PI_MAKE.tank.solve(14_200_000, 5, 2550.0).swr > 1.5


def test_capacitance_wanted_goes_as_one_over_the_frequency_between_bands() -> None:
    """C = 1/(2 pi f X) with X fixed by R and Q: the tank's law, so from 20m to 40m both capacitances double."""
    tank = PI_MAKE.tank
    upper, lower = tank.solve(14_175_000, 50, 2550.0), tank.solve(7_150_000, 50, 2550.0)
    ratio = 14_175_000 / 7_150_000

    assert tank.c1_f(lower.tune) / tank.c1_f(upper.tune) == pytest.approx(ratio, rel=0.01)
    assert tank.load.farads(lower.load) / tank.load.farads(upper.load) == pytest.approx(ratio, rel=0.02)


def test_capacitor_is_nearly_linear_and_goes_back_to_the_position_it_came_from() -> None:
    capacitor = Capacitor(8e-12, 480e-12)
    middle = capacitor.farads(1999.5)

    assert (capacitor.farads(0), capacitor.farads(3999)) == pytest.approx((8e-12, 480e-12))
    assert middle == pytest.approx((8e-12 + 480e-12) / 2, rel=0.02)
    for position in (0, 1, 500, 1999.5, 3998, 3999):
        assert capacitor.position(capacitor.farads(position)) == pytest.approx(position, abs=1e-6)
    assert (capacitor.position(1e-12), capacitor.position(1e-9)) == pytest.approx((0.0, 3999.0))


def test_mismatch_of_resistances_is_their_ratio() -> None:
    """A resistive load R gives S = max(R/Z0, Z0/R): any radio handbook (from memory)."""
    assert mismatch_swr(100, 50) == pytest.approx(2.0)
    assert mismatch_swr(20, 50) == pytest.approx(2.5)
    assert mismatch_swr(1j, 50) == float("inf")


def test_q_too_low_for_the_ratio_is_refused_with_the_least_that_would_do() -> None:
    with pytest.raises(ValueError, match=r"above 6\.24"):
        pi_elements(7e6, 2000, 50, 6)
    with pytest.raises(ValueError, match="must be above the antenna's"):
        pi_l_elements(7e6, 2000, 50, 50, 12)
