"""What the meters may say during a tune-up: each verdict at its edge.

Grid current about 50 mA and gain about thirty times at full output are the trade's figures (common practice, no source).
"""

from fractions import Fraction

import pytest

from qsyd_rules.readings import Readings
from qsyd_rules.station import AmplifierLimits
from qsyd_rules.tune_judgement import Good, Measure, NotYet, Stop, Usual, judge

LIMITS = AmplifierLimits(
    grid_current_ma=120, plate_current_ma=1000, reflected_power_w=150, swr=Fraction(5, 2), dissipation_w=1000
)
FULL = Measure(LIMITS, Usual(30.0, 0.03), drive_w=50, output_w=1450, most_w=1595)
GOOD = Readings(forward_w=1400, reflected_w=10, drive_w=48, plate_v=3300, plate_ma=700, grid_ma=45, tune=300, load=400)


def but(**changed: float | None) -> Readings:
    from dataclasses import replace

    return replace(GOOD, **changed)  # type: ignore[arg-type]


def test_usual_readings_are_good() -> None:
    assert judge(GOOD, FULL) == Good()
    assert judge(Readings(forward_w=1400), FULL) == Good()  # what no meter tells is not judged


@pytest.mark.parametrize(
    ("readings", "about"),
    [
        (but(drive_w=70), "drive is 70 W, and this step allows 50 W"),
        (but(forward_w=1600), "more than the 1595 W"),
        (but(reflected_w=260), "SWR 2.5"),  # rho = sqrt(260/1400), S = 2.52
        (but(reflected_w=160), "reflected power 160 W, limit 150 W"),
        (but(grid_ma=121), "grid current 121 mA, limit 120 mA"),
        (but(plate_ma=1001), "plate current 1001 mA, limit 1000 mA"),
        (but(forward_w=700, plate_ma=800), "the anode takes 1950 W of heat"),  # 3300 V x 0.8 A less 690 W delivered
    ],
)
def test_what_may_do_harm_stops_it(readings: Readings, about: str) -> None:
    verdict = judge(readings, FULL)
    assert isinstance(verdict, Stop)
    assert about in verdict.text
    assert verdict.remedy


@pytest.mark.parametrize(
    ("readings", "about", "remedy"),
    [
        (but(forward_w=20, plate_ma=100), "output is only 20 W", "driven at all"),
        (but(forward_w=1100, plate_ma=680), "the anode takes 1154 W", "peak the tune capacitor"),
        (but(forward_w=350, plate_ma=300), "gain is 7 times, at least 8", "peak the tune capacitor"),
        (but(forward_w=800, plate_ma=450), "neighbouring segments have 30", "peak the tune capacitor"),
        (but(grid_ma=90), "grid current is 90 mA, where the neighbouring segments have 42 mA", "loading is too light"),
    ],
)
def test_what_is_not_right_yet_says_what_to_turn(readings: Readings, about: str, remedy: str) -> None:
    verdict = judge(readings, FULL)
    assert isinstance(verdict, NotYet), verdict
    assert about in verdict.text
    assert remedy in verdict.remedy


def test_without_a_drive_meter_too_much_output_for_the_step_stops_it() -> None:
    quarter = Measure(LIMITS, Usual(), drive_w=12, output_w=360, most_w=1595)
    assert isinstance(judge(Readings(forward_w=660), quarter), Stop)
    assert judge(Readings(forward_w=600), quarter) == Good()


def test_limits_that_the_file_does_not_set_fall_back_to_the_trades() -> None:
    none = Measure(AmplifierLimits(), Usual(), drive_w=50, output_w=1450, most_w=1595)
    assert isinstance(judge(Readings(forward_w=1000, reflected_w=190), none), Stop)  # SWR 2.55
    assert isinstance(judge(Readings(forward_w=390, drive_w=50), none), NotYet)  # 7.8 times
    assert judge(Readings(forward_w=1000, reflected_w=100, grid_ma=300), none) == Good()
