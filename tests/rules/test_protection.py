"""Limits trip where they should, on size or on size and time, and never on what is unknown."""

from dataclasses import replace
from fractions import Fraction

import pytest

from qsyd_rules.fault import ADVICE, SEVERITY, FaultCode, Severity
from qsyd_rules.protection import Circumstances, Guarded, Trip, heat_w, persists, watch
from qsyd_rules.readings import NO_READINGS, Readings
from qsyd_rules.station import Amplifier, AmplifierLimits
from qsyd_rules.thermal import LIMIT_C, TAU_US, Anode
from qsyd_rules.words import AmplifierState, Mode

MS, S = 1_000, 1_000_000
LIMITS = AmplifierLimits(
    grid_current_ma=120,
    plate_current_ma=1000,
    reflected_power_w=150,
    swr=Fraction(5, 2),
    drive_w=75,
    gain_min=Fraction(15),
    gain_max=Fraction(40),
    plate_voltage_min_v=2500,
    plate_voltage_max_v=4200,
    temperature_c=90,
    dissipation_w=1500,
)
AMPLIFIER = Amplifier("main", ("20m",), output_w=1450, limits=LIMITS)
GOOD = Readings(
    forward_w=1450,
    reflected_w=20,
    drive_w=50,
    plate_v=3300,
    plate_ma=730,
    grid_ma=50,
    temperature_c=60,
    state=AmplifierState.OPERATE,
)
"""A legal-limit triode at full output: about 30 times gain, 50 mA of grid is fine (common practice, no source)."""
ON_AIR = Circumstances(keyed=True, in_path=True, line_since_us=0, heater_on=True, mode=Mode.CW)
BYPASSED = replace(ON_AIR, in_path=False)


def trip_of(readings: Readings, circumstances: Circumstances = ON_AIR, *, for_us: int = 0) -> Trip | None:
    """Judge the same readings every 200 ms for this long; the first trip."""
    guarded = Guarded()
    at_us = S
    while True:
        guarded, trip = watch(guarded, readings, AMPLIFIER, circumstances, at_us)
        if trip is not None or at_us >= S + for_us:
            return trip
        at_us += 200 * MS


def test_a_good_over_trips_nothing_for_a_minute() -> None:
    assert trip_of(GOOD, for_us=60 * S) is None


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"grid_ma": 121}, FaultCode.GRID_CURRENT),
        ({"drive_w": 76}, FaultCode.DRIVE),
        ({"reflected_w": 151}, FaultCode.REFLECTED_POWER),
        ({"forward_w": 100, "reflected_w": 25, "drive_w": 5}, FaultCode.SWR),  # 3.0
        ({"fault": "F12"}, FaultCode.TOLD),
    ],
)
def test_fast_limits_trip_at_the_first_reading_beyond(changed: dict[str, object], code: FaultCode) -> None:
    trip = trip_of(replace(GOOD, **changed))  # type: ignore[arg-type]
    assert trip is not None
    assert trip.code is code


@pytest.mark.parametrize(
    "changed",
    [{"grid_ma": 120}, {"drive_w": 75}, {"reflected_w": 150}, {"forward_w": 25, "reflected_w": 20, "drive_w": 1}],
)
def test_at_the_limit_and_below_the_floor_nothing_trips(changed: dict[str, object]) -> None:
    assert trip_of(replace(GOOD, **changed)) is None  # type: ignore[arg-type]


@pytest.mark.parametrize(("plate_ma", "borne_s"), [(2000, 0.5), (1500, 1.0), (1100, 5.0)])
def test_plate_current_trips_on_size_and_time(plate_ma: float, borne_s: float) -> None:
    """Inverse time: twice the limit for half a second, a tenth above it for ten times as long."""
    over = replace(GOOD, plate_ma=plate_ma, plate_v=1000, forward_w=1450)
    limits = replace(LIMITS, dissipation_w=None, plate_voltage_min_v=None)
    amplifier = replace(AMPLIFIER, limits=limits)
    guarded, tripped_us = Guarded(), None
    for at_us in range(S, 12 * S, 50 * MS):
        guarded, trip = watch(guarded, over, amplifier, ON_AIR, at_us)
        if trip is not None:
            assert trip.code is FaultCode.PLATE_CURRENT
            tripped_us = at_us - S
            break
    assert tripped_us == pytest.approx(borne_s * S, abs=50 * MS)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"forward_w": 500}, FaultCode.GAIN_LOW),
        ({"forward_w": 0, "reflected_w": 0}, FaultCode.GAIN_LOW),
        ({"drive_w": 30}, FaultCode.GAIN_HIGH),
        ({"plate_v": 2400}, FaultCode.PLATE_VOLTAGE_LOW),
        ({"plate_v": 4300}, FaultCode.PLATE_VOLTAGE_HIGH),
        ({"temperature_c": 91}, FaultCode.EXHAUST_HOT),
        ({"state": AmplifierState.OFF}, FaultCode.HEATER_LOST),
    ],
)
def test_slow_limits_bear_a_glitch_and_trip_on_what_lasts(changed: dict[str, object], code: FaultCode) -> None:
    bad = replace(GOOD, **changed)  # type: ignore[arg-type]
    assert trip_of(bad, for_us=200 * MS) is None

    trip = trip_of(bad, for_us=3 * S)

    assert trip is not None
    assert trip.code is code


def test_an_amplifier_out_of_the_path_that_draws_plate_current_or_amplifies_is_a_fault() -> None:
    quiet = Readings(forward_w=50, drive_w=50, plate_ma=5, state=AmplifierState.STANDBY)
    assert trip_of(quiet, BYPASSED, for_us=5 * S) is None, "barefoot keying in any state but operate is normal"

    for changed in ({"plate_ma": 200}, {"forward_w": 900}):
        trip = trip_of(replace(quiet, **changed), BYPASSED, for_us=S)  # type: ignore[arg-type]
        assert trip is not None
        assert trip.code is FaultCode.NOT_READY


def test_what_is_unknown_trips_nothing() -> None:
    assert trip_of(NO_READINGS, for_us=10 * S) is None


def test_limits_of_the_signal_path_do_not_judge_barefoot() -> None:
    assert (
        trip_of(replace(GOOD, forward_w=100, reflected_w=40, plate_ma=0, drive_w=100), BYPASSED, for_us=3 * S) is None
    )


def test_a_hot_anode_trips_when_its_model_passes_the_limit_and_persists_until_it_has_cooled() -> None:
    """3300 V, 1 A and 300 W out is 3000 W of heat, twice the rating: the limit is passed after tau ln 2."""
    burning = replace(GOOD, forward_w=300, drive_w=15, plate_ma=1000, reflected_w=0)
    limits = replace(LIMITS, gain_min=None)
    amplifier = replace(AMPLIFIER, limits=limits)
    guarded, at_us = Guarded(), S
    while True:
        guarded, trip = watch(guarded, burning, amplifier, ON_AIR, at_us)
        if trip is not None:
            break
        at_us += 100 * MS
    assert trip.code is FaultCode.ANODE_HOT
    assert at_us - S == pytest.approx(TAU_US * 0.693, abs=200 * MS)
    assert persists(FaultCode.ANODE_HOT, NO_READINGS, amplifier, BYPASSED, guarded) is not None
    cool = replace(guarded, anode=Anode(LIMIT_C - 60, at_us))
    assert persists(FaultCode.ANODE_HOT, NO_READINGS, amplifier, BYPASSED, cool) is None


def test_heat_is_estimated_from_output_and_mode_where_plate_readings_are_missing() -> None:
    """Efficiency 0.6: 1500 W out leave 1000 W of heat. Duty by mode: OET Bulletin 65 Supplement B, table 2."""
    assert heat_w(Readings(forward_w=1500), AMPLIFIER, ON_AIR) == pytest.approx(1000)
    assert heat_w(NO_READINGS, AMPLIFIER, ON_AIR) == pytest.approx(1450 * 0.4 / 0.6 * 0.4, rel=1e-6)
    assert heat_w(NO_READINGS, AMPLIFIER, replace(ON_AIR, mode=Mode.DATA)) == pytest.approx(1450 * (1 / 0.6 - 1))
    assert heat_w(NO_READINGS, AMPLIFIER, replace(ON_AIR, keyed=False)) == 0


def test_a_cause_that_can_still_be_seen_persists() -> None:
    assert persists(FaultCode.GRID_CURRENT, replace(GOOD, grid_ma=200), AMPLIFIER, ON_AIR, Guarded()) is not None
    assert persists(FaultCode.GRID_CURRENT, GOOD, AMPLIFIER, ON_AIR, Guarded()) is None
    assert persists(FaultCode.EXHAUST_HOT, replace(GOOD, temperature_c=95), AMPLIFIER, BYPASSED, Guarded()) is not None


def test_every_fault_has_a_severity_and_one_sentence_of_advice() -> None:
    assert set(SEVERITY) == set(ADVICE) == set(FaultCode)
    assert set(SEVERITY.values()) == set(Severity)
    assert all(advice.endswith((".", "?")) for advice in ADVICE.values())
