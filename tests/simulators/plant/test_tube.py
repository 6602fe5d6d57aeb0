"""The tube against handbook figures of class-AB grounded-grid triodes.

K: ARRL Handbook 1.5 for AB and 1.57 for B, 2 for C; a tube maker's book 1.8 for AB, with a plate-voltage floor (as
quoted on mailing lists). Ideal K from the Fourier series of a clipped cosine (computed). Efficiency 55-65 %, gain
10-15 dB, plate 2.5-4 kV, grid tens of milliamperes, idle 0.1-0.25 A: from memory, and common practice, no source.
"""

from itertools import pairwise
from math import log10

import pytest

from qsyd_simulators.plant.conduction import clipped_cosine, current_ratio
from qsyd_simulators.plant.tube import GAIN_20, GAIN_30, Tube, operating_point

TUBES = pytest.mark.parametrize(("tube", "drive_w", "gain"), [(GAIN_30, 50, 30), (GAIN_20, 75, 20)])
TANK_EFFICIENCY = 0.94


@pytest.mark.parametrize(
    ("conduction_deg", "k"), [(360, 1.0), (220, 1.404), (200, 1.488), (180, 1.5708), (120, 1.7936), (60, 1.946)]
)
def test_fundamental_over_direct_current_by_conduction_angle(conduction_deg: float, k: float) -> None:
    assert current_ratio(conduction_deg) == pytest.approx(k, abs=0.0006)


def test_class_a_keeps_its_direct_current() -> None:
    assert clipped_cosine(1.0, -3.0) == pytest.approx((3.0, 1.0))
    assert clipped_cosine(1.0, 1.5) == (0.0, 0.0)


@TUBES
def test_design_point_is_that_of_the_trade(tube: Tube, drive_w: float, gain: float) -> None:
    point = operating_point(tube, tube.plate_load_ohm, drive_w)
    output_w = point.output_w * TANK_EFFICIENCY

    assert 3_200 <= point.plate_v <= 3_400
    assert 0.70 <= point.plate_a <= 0.80
    assert 0.030 <= point.grid_a <= 0.060
    assert output_w / drive_w == pytest.approx(gain, rel=0.05)
    assert 10 <= 10 * log10(output_w / drive_w) <= 15
    assert 0.55 <= output_w / (point.plate_v * point.plate_a) <= 0.65


@TUBES
def test_load_resistance_lies_between_the_books_formulas(tube: Tube, drive_w: float, gain: float) -> None:
    """R = V/(K I) with K 1.5 and 1.8, from the plate voltage and current at full single-tone drive."""
    point = operating_point(tube, tube.plate_load_ohm, drive_w)
    volts_over_amperes = point.plate_v / point.plate_a

    assert volts_over_amperes / 1.8 <= tube.plate_load_ohm <= volts_over_amperes / 1.5


@TUBES
def test_load_it_is_made_for_is_about_the_one_that_gives_most(tube: Tube, drive_w: float, gain: float) -> None:
    ohms = [500 + 50 * number for number in range(150)]
    best_ohm = max(ohms, key=lambda ohm: operating_point(tube, ohm, drive_w).output_w)

    assert tube.plate_load_ohm <= best_ohm <= 1.25 * tube.plate_load_ohm


@TUBES
def test_at_rest_it_draws_idle_current_and_gives_nothing(tube: Tube, drive_w: float, gain: float) -> None:
    """About 3.5 kV and 0.1 to 0.25 A: some 700 W of heat without output."""
    point = operating_point(tube, tube.plate_load_ohm, 0.0)

    assert point.plate_v == pytest.approx(3_500, abs=30)
    assert 0.1 <= point.plate_a <= 0.25
    assert (point.output_w, point.grid_a) == pytest.approx((0.0, 0.0), abs=1e-4)
    assert point.dissipation_w == pytest.approx(700, rel=0.1)


@TUBES
def test_output_rises_with_drive_and_gain_sags(tube: Tube, drive_w: float, gain: float) -> None:
    """1 dB of compression near full output is normal (from memory)."""
    drives = [drive_w * share for share in (0.1, 0.25, 0.5, 0.75, 1.0, 1.5)]
    outputs = [operating_point(tube, tube.plate_load_ohm, drive).output_w for drive in drives]
    gains_db = [10 * log10(output / drive) for output, drive in zip(outputs, drives, strict=True)]

    assert outputs == sorted(outputs)
    assert gains_db == sorted(gains_db, reverse=True)
    assert 0.5 <= gains_db[0] - gains_db[4] <= 2.0


@TUBES
def test_lighter_loading_means_more_grid_and_less_plate_current(tube: Tube, drive_w: float, gain: float) -> None:
    points = [operating_point(tube, tube.plate_load_ohm * ratio, drive_w) for ratio in (1.0, 1.15, 1.3, 1.6, 2.0)]

    assert all(later.grid_a > 1.3 * earlier.grid_a for earlier, later in pairwise(points))
    assert all(later.plate_a < earlier.plate_a for earlier, later in pairwise(points))


@TUBES
def test_heavier_loading_means_more_plate_current_less_output_and_more_heat(
    tube: Tube, drive_w: float, gain: float
) -> None:
    points = [operating_point(tube, tube.plate_load_ohm * ratio, drive_w) for ratio in (1.0, 0.8, 0.6, 0.4, 0.2)]

    for earlier, later in pairwise(points):
        assert later.plate_a > earlier.plate_a
        assert later.output_w < earlier.output_w
        assert later.dissipation_w > earlier.dissipation_w
        assert later.grid_a < earlier.grid_a


@TUBES
@pytest.mark.parametrize("sign", [1, -1])
def test_off_resonance_plate_current_rises_and_output_falls(tube: Tube, drive_w: float, gain: float, sign: int) -> None:
    points = [
        operating_point(tube, tube.plate_load_ohm / (1 + sign * 1j * detuned), drive_w)
        for detuned in (0.0, 0.5, 1.0, 2.0, 5.0)
    ]

    for earlier, later in pairwise(points):
        assert later.plate_a > earlier.plate_a
        assert later.output_w < earlier.output_w
        assert later.dissipation_w > earlier.dissipation_w
    assert points[-1].dissipation_w > 1.5 * tube.dissipation_w_max


@TUBES
def test_no_energy_is_made(tube: Tube, drive_w: float, gain: float) -> None:
    """Output and heat never exceed plate input and drive, whatever the load."""
    for size in (100, 800, 2550, 5000, 20_000):
        for turn in (1, 1 + 0.5j, 1 - 2j, 0.05 + 1j):
            for drive in (0.0, drive_w / 10, drive_w, 2 * drive_w):
                point = operating_point(tube, size * turn, drive)
                put_in = point.plate_v * point.plate_a + drive

                assert 0 <= point.output_w + point.dissipation_w <= put_in * 1.0001 + 0.01, (size, turn, drive)


def test_cold_cathode_gives_nothing() -> None:
    point = operating_point(GAIN_30, 2550, 50, emission=0.0)

    assert (point.plate_a, point.grid_a, point.output_w, point.plate_v) == (0, 0, 0, GAIN_30.no_load_v)
