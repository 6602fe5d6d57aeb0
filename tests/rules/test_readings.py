"""Meters that follow from others, against worked values from outside; unknown wherever anything is missing."""

from math import inf

import pytest

from qsyd_rules.readings import (
    NO_READINGS,
    Readings,
    decibels,
    dissipation_w,
    efficiency,
    gain,
    plate_input_w,
    plate_load_ohm,
    swr,
)


@pytest.mark.parametrize(
    ("forward_w", "reflected_w", "expected"),
    [
        # Any radio handbook, transmission lines: rho = sqrt(Pr/Pf), S = (1 + rho)/(1 - rho); computed twice.
        (100, 1, 1.2222),
        (100, 4, 1.5),
        (100, 25, 3.0),
        (1500, 60, 1.5),
        (500, 20, 1.5),
        (1500, 0, 1.0),
    ],
)
def test_swr_follows_from_both_powers(forward_w: float, reflected_w: float, expected: float) -> None:
    assert swr(forward_w, reflected_w, 30) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize(
    ("expected_swr", "percent"), [(1.1, 0.23), (1.5, 4.0), (2.0, 11.11), (2.5, 18.37), (5.0, 44.44)]
)
def test_swr_of_a_reflected_share_is_that_of_the_handbook_table(expected_swr: float, percent: float) -> None:
    """The usual table of SWR against reflected power in percent."""
    assert swr(1000, 10 * percent, 30) == pytest.approx(expected_swr, rel=2e-3)


@pytest.mark.parametrize("powers", [(None, 5), (500, None), (29.9, 1), (0, 0)])
def test_swr_is_unknown_below_the_floor_and_where_a_power_is_missing(powers: tuple[float | None, float | None]) -> None:
    assert swr(*powers, 30) is None


@pytest.mark.parametrize("reflected_w", [100, 120])
def test_as_much_back_as_forward_is_infinite(reflected_w: float) -> None:
    assert swr(100, reflected_w, 30) == inf


@pytest.mark.parametrize(
    ("drive_w", "gain_db"), [(150, 10), (119.1, 11), (94.6, 12), (75.2, 13), (59.7, 14), (47.4, 15)]
)
def test_gain_in_decibels_is_that_of_the_drive_table_for_1500_w(drive_w: float, gain_db: float) -> None:
    """P drive = P out / 10^(G/10), worked out for 1500 W."""
    ratio = gain(1500, drive_w, 30)
    assert ratio is not None
    assert decibels(ratio) == pytest.approx(gain_db, abs=0.01)


def test_thirty_times_is_14_77_db_and_within_the_ceiling_of_certification() -> None:
    """About thirty times: common practice, no source. 15 dB is 31.6 times: 47 CFR 97.317(a)(2)."""
    assert decibels(30) == pytest.approx(14.77, abs=0.005)
    assert pytest.approx(31.6, abs=0.03) == 10**1.5
    assert decibels(30) < 15


@pytest.mark.parametrize("given", [(None, 50), (1500, None), (1500, 0), (20, 1)])
def test_gain_is_unknown_without_drive_and_below_the_floor(given: tuple[float | None, float | None]) -> None:
    assert gain(*given, 30) is None


def test_dissipation_and_efficiency_of_the_worked_example() -> None:
    """3300 V, 0.758 A, 1500 W out: 2501 W in, 60 %, 1001 W of heat (worked out from V, I and P)."""
    told = Readings(forward_w=1500, reflected_w=0, plate_v=3300, plate_ma=758)
    assert plate_input_w(3300, 758) == pytest.approx(2501, abs=1)
    assert efficiency(told) == pytest.approx(0.60, abs=0.001)
    assert dissipation_w(told) == pytest.approx(1001, abs=1)


def test_a_tube_at_rest_is_all_heat() -> None:
    """3500 V and 0.2 A idle: 700 W (3.5 kV at rest, 0.1 to 0.25 A idle: common practice, no source)."""
    assert dissipation_w(Readings(forward_w=0, plate_v=3500, plate_ma=200)) == pytest.approx(700)


def test_reflected_power_comes_back_as_heat() -> None:
    matched = dissipation_w(Readings(forward_w=1000, reflected_w=0, plate_v=3000, plate_ma=600))
    mismatched = dissipation_w(Readings(forward_w=1000, reflected_w=100, plate_v=3000, plate_ma=600))
    assert matched is not None
    assert mismatched == pytest.approx(matched + 100)


@pytest.mark.parametrize(
    ("plate_v", "plate_ma", "k", "expected"),
    [(3300, 758, 1.5, 2902.4), (2500, 800, 1.5, 2083.3), (3000, 750, 1.57, 2547.8)],
)
def test_plate_load_is_that_of_the_worked_values(plate_v: float, plate_ma: float, k: float, expected: float) -> None:
    """R = Vp / (K Ip); K 1.5 in class AB and 1.57 in class B: ARRL Handbook, as quoted."""
    assert plate_load_ohm(plate_v, plate_ma, k) == pytest.approx(expected, rel=1e-4)


def test_what_is_missing_is_unknown_and_never_zero() -> None:
    assert plate_input_w(None, 500) is None
    assert dissipation_w(NO_READINGS) is None
    assert dissipation_w(Readings(plate_v=3000, plate_ma=500)) is None
    assert efficiency(Readings(forward_w=500)) is None
    assert plate_load_ohm(3000, 0) is None
