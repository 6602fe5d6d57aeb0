"""The caution distance against a worked example and a table.

Worked from S = F EIRP / (4 pi R^2) of FCC OET Bulletin 65 and the limits of 47 CFR 1.1310(e)(1), Table 1 (computed apart).
"""

import pytest

from qsyd_rules.exposure import caution_distance_m, power_density_mw_cm2, public_limit_mw_cm2


def test_worked_example_of_a_dipole_on_20m() -> None:
    """1500 W PEP, SSB 20 %, on air half the time, 2.15 dBi, 14.2 MHz: EIRP 246.1 W, 0.893 mW/cm2, 2.37 m."""
    assert public_limit_mw_cm2(14_200_000) == pytest.approx(0.8927, rel=1e-3)
    assert caution_distance_m(1500, 14_200_000, duty=0.2, on_air=0.5) == pytest.approx(2.37, abs=0.005)
    assert power_density_mw_cm2(246.09, 10.0) == pytest.approx(0.05013, rel=1e-3)


@pytest.mark.parametrize(
    ("frequency_hz", "distance_m"),
    [
        (3_750_000, 1.98),
        (7_150_000, 3.77),
        (14_200_000, 7.49),
        (21_200_000, 11.19),
        (28_500_000, 15.04),
        (50_100_000, 15.83),
    ],
)
def test_distances_for_continuous_data_with_a_dipole(frequency_hz: int, distance_m: float) -> None:
    assert caution_distance_m(1500, frequency_hz, duty=1.0) == pytest.approx(distance_m, abs=0.005)


@pytest.mark.parametrize(
    ("frequency_hz", "limit"),
    [(300_000, 100.0), (1_339_999, 100.0), (1_340_000, 100.0), (1_350_000, 98.7654), (30_000_000, 0.2)],
)
def test_limits_at_the_boundaries_of_the_table(frequency_hz: int, limit: float) -> None:
    assert public_limit_mw_cm2(frequency_hz) == pytest.approx(limit)


@pytest.mark.parametrize("frequency_hz", [299_999, 300_000_001])
def test_outside_the_table_there_is_no_limit_to_tell(frequency_hz: int) -> None:
    with pytest.raises(ValueError, match=r"from 0\.3 to 300 MHz"):
        public_limit_mw_cm2(frequency_hz)
