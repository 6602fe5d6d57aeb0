"""Faults latch; only a person leaves one, once its cause has gone, and that never goes to operate by itself."""

from dataclasses import replace

import pytest
from guarded_bench import WARM_UP_US, WIRINGS, Guarded, a_bench, warm_up
from station_bench import MS, S, every_preset, station

from qsyd_rules.effect import Answer
from qsyd_rules.event import (
    AmplifierRequest,
    DeviceRead,
    FaultAcknowledged,
    FaultRemembered,
    Lockout,
    LockoutChanged,
    SafetyTripped,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.faults import REPEATS_WITHIN_US
from qsyd_rules.notice import FaultFound
from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState


@pytest.fixture
def bench() -> Guarded:
    """In operate, with an amplifier whose meters are read five times a second."""
    bench = a_bench(metered=True)
    warm_up(bench)
    assert bench.state.amplifier_shown is AmplifierState.OPERATE
    return bench


def found(bench: Guarded) -> list[FaultFound]:
    return [notice for notice in bench.told("fault") if isinstance(notice, FaultFound)]


def trip(bench: Guarded, text: str = "F12") -> FaultFound:
    """The amplifier tells a fault of its own, and no longer."""
    bench.lie = {"fault": text}
    bench.run(300 * MS)
    bench.lie = {}
    bench.run(300 * MS)
    return found(bench)[-1]


def acknowledge(bench: Guarded, number: int | None = None, reason: str | None = None) -> Answer:
    bench.tell(FaultAcknowledged(bench.now_us, 900 + len(bench.answers), number, "operator", reason))
    return bench.answers[-1]


def test_a_fault_takes_the_amplifier_out_at_once_and_ends_the_wish(bench: Guarded) -> None:
    number = len(bench.sent)
    fault = trip(bench)

    assert (fault.code, fault.detail) == (FaultCode.TOLD, "it says 'F12'")
    assert "amplifier-standby" in bench.names(number)
    assert "high-voltage-off" in bench.names(number)
    assert not bench.state.wish
    assert bench.state.amplifier_shown is AmplifierState.FAULT


def test_no_fault_clears_by_itself(bench: Guarded) -> None:
    trip(bench)
    bench.run(3600 * S)

    assert bench.state.amplifier_shown is AmplifierState.FAULT
    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    assert not bench.ask(AmplifierRequest.ON).accepted
    assert bench.ask(AmplifierRequest.STANDBY).accepted


def test_a_shutdown_costs_a_fresh_warm_up(bench: Guarded) -> None:
    trip(bench)
    assert acknowledge(bench).accepted
    number = len(bench.sent)
    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(15 * S)
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(WARM_UP_US - S)
    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(3 * S)
    assert "amplifier-operate" not in bench.names(number)

    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)

    assert bench.names(number).count("amplifier-operate") == 1
    bench.must_be_unobjected()


def test_an_acknowledgement_is_refused_while_the_cause_can_be_seen_and_names_one_fault(bench: Guarded) -> None:
    bench.lie = {"fault": "F3"}
    bench.run(300 * MS)
    refused = acknowledge(bench)
    assert not refused.accepted
    assert "F3" in refused.text
    bench.lie = {}
    bench.run(300 * MS)
    number = found(bench)[-1].number
    assert not acknowledge(bench, number + 1).accepted
    assert acknowledge(bench, number).accepted

    assert not acknowledge(bench, number).accepted, "used twice"


def test_the_third_of_a_kind_within_ten_minutes_takes_a_reason(bench: Guarded) -> None:
    assert not trip(bench).locked
    assert acknowledge(bench).accepted
    assert not trip(bench).locked
    assert acknowledge(bench).accepted
    assert trip(bench).locked

    refused = acknowledge(bench)
    assert not refused.accepted
    assert "reason" in refused.text
    assert acknowledge(bench, reason="the interlock switch was loose").accepted


def test_what_is_longer_ago_than_ten_minutes_does_not_count(bench: Guarded) -> None:
    for _ in range(4):
        assert not trip(bench).locked
        assert acknowledge(bench).accepted
        bench.run(REPEATS_WITHIN_US // 2 + 10 * S)


@pytest.mark.parametrize(("short_us", "locked"), [(1, True), (0, False)])
def test_ten_minutes_are_ten_minutes(bench: Guarded, short_us: int, locked: bool) -> None:
    bench.run(7)  # between two readings
    first_us = bench.now_us
    for at_us in (first_us, first_us + 60 * S, first_us + REPEATS_WITHIN_US - short_us):
        bench.run(at_us - bench.now_us)
        bench.tell(DeviceRead(at_us, "amp", Readings(fault="F12")))
        latest = found(bench)[-1]
        bench.run(300 * MS)
        assert acknowledge(bench, reason="seen").accepted

    assert latest.locked is locked


def test_without_a_command_for_it_no_high_voltage_command_leaves() -> None:
    bench = a_bench("permit apart", metered=True)
    warm_up(bench)
    number = len(bench.sent)

    trip(bench)

    assert "amplifier-standby" in bench.names(number)
    assert "high-voltage-off" not in bench.names(number)


def test_a_station_without_an_amplifier_latches_and_lets_a_person_out() -> None:
    plain = station(amplifier=False)
    bench = Guarded(plain, {}, outputs=WIRINGS["permit apart"])
    bench.run(2 * S)
    bench.tell(DeviceRead(bench.now_us, "amp", Readings(fault="F12")))
    assert found(bench) == [], "no amplifier is guarded here"
    bench.tell(SafetyTripped(bench.now_us, "I1", "tried on purpose"))
    number = len(bench.sent)
    bench.run(2 * S)
    assert not bench.is_released()
    assert "release-transmit" not in bench.names(number)

    assert acknowledge(bench).text == "fault unsafe-command acknowledged; no other stands"
    bench.run(2 * S)

    assert bench.is_released()


def test_a_key_that_stays_down_is_inhibited_then_latched_and_the_antenna_stays(bench: Guarded) -> None:
    number = len(bench.sent)
    bench.rig.keyed = True
    bench.run(29 * S)
    assert bench.names(number) == []
    bench.run(1200 * MS)
    assert bench.names(number) == ["inhibit-transmit"]
    bench.run(2 * S)

    assert bench.names(number)[:2] == ["inhibit-transmit", "amplifier-standby"]
    assert found(bench)[-1].code is FaultCode.KEYED_TOO_LONG
    assert not acknowledge(bench).accepted
    bench.rig.keyed = False
    bench.run(S)
    assert "release-transmit" not in bench.names(number), "latched: not even barefoot before a person has looked"
    assert acknowledge(bench).accepted
    bench.run(S)
    assert bench.names(number) == ["inhibit-transmit", "amplifier-standby", "release-transmit"]
    bench.must_be_unobjected()


def test_power_counts_as_keyed_whatever_the_rig_says(bench: Guarded) -> None:
    bench.lie = {"forward_w": 400.0, "drive_w": 20.0}
    bench.run(300 * MS)
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert "select-antenna" not in bench.names(number)
    assert "amplifier-standby" in bench.names(number), "another band: the greater harm"
    assert [getattr(each, "code", "") for each in bench.told("warning")].count("key-evidence") == 1
    bench.lie = {}
    bench.run(S)
    assert "select-antenna" in bench.names(number)


def test_a_lockout_bars_release_and_operate_until_it_ends(bench: Guarded) -> None:
    number = len(bench.sent)
    bench.tell(LockoutChanged(bench.now_us, Lockout("a rigger", "new relay", "2026-01-01T12:00:00Z")))
    bench.run(10 * S)
    assert bench.names(number) == ["inhibit-transmit", "amplifier-standby"]
    assert not bench.ask(AmplifierRequest.OPERATE).accepted

    bench.tell(LockoutChanged(bench.now_us, None))
    bench.run(2 * S)

    assert bench.names(number)[2:] == ["release-transmit"], "the wish has to be renewed"
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)
    assert "amplifier-operate" in bench.names(number)
    bench.must_be_unobjected()


def test_stale_readings_take_operate_away_and_fresh_ones_give_it_back(bench: Guarded) -> None:
    number = len(bench.sent)
    bench.mute = True
    bench.run(2 * S)
    assert "amplifier-standby" in bench.names(number)
    assert bench.state.wish

    bench.mute = False
    bench.run(2 * S)

    assert bench.state.amplifier_shown is AmplifierState.OPERATE
    bench.must_be_unobjected()


def test_what_asks_for_more_is_latched_above_a_lesser_fault_and_each_is_acknowledged_by_itself(bench: Guarded) -> None:
    """A shutdown takes the high voltage off and costs a warm-up, whatever stands already; design page, invariant 7."""
    bench.key()
    bench.run(33 * S)
    bench.unkey()
    bench.run(S)
    first = found(bench)[-1]
    assert first.code is FaultCode.KEYED_TOO_LONG
    number = len(bench.sent)

    second = trip(bench)

    assert second.code is FaultCode.TOLD
    assert "high-voltage-off" in bench.names(number)
    assert any("keyed-too-long" in reason for reason in bench.reasons), "what inhibits goes on inhibiting"
    answer = acknowledge(bench)
    assert answer.accepted
    assert "keyed-too-long" in answer.text
    bench.run(S)
    assert bench.state.amplifier_shown is AmplifierState.FAULT
    assert not bench.is_released()
    assert found(bench)[-1].number == first.number
    assert acknowledge(bench, first.number).accepted
    bench.run(S)
    assert bench.is_released()
    assert not bench.ask(AmplifierRequest.OPERATE).accepted, "the whole warm-up has to run anew"
    bench.must_be_unobjected()


def test_power_through_a_bypassed_amplifier_inhibits_although_its_own_fault_stands(bench: Guarded) -> None:
    bench.lie = {"fault": "F12"}
    bench.run(S)
    assert found(bench)[-1].code is FaultCode.TOLD
    assert bench.is_released()

    bench.lie = {"fault": "F12", "forward_w": 400.0, "drive_w": 20.0}
    bench.run(S)

    assert found(bench)[-1].code is FaultCode.NOT_READY
    assert not bench.is_released()
    assert not acknowledge(bench).accepted, "it can still be seen"
    assert [each.code for each in found(bench)].count(FaultCode.TOLD) == 1, "what stands is not told again and again"


def test_heater_that_goes_off_under_a_lesser_fault_costs_a_fresh_warm_up(bench: Guarded) -> None:
    bench.key()
    bench.run(33 * S)
    bench.unkey()
    bench.run(S)
    bench.lie = {"state": AmplifierState.OFF}
    bench.run(10 * S)
    bench.lie = {"state": AmplifierState.STANDBY}
    bench.run(S)
    assert found(bench)[-1].code is FaultCode.HEATER_LOST

    assert acknowledge(bench).accepted
    assert acknowledge(bench).accepted
    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(WARM_UP_US)

    bench.must_be_unobjected()


def test_something_unsafe_latches_above_a_lesser_fault(bench: Guarded) -> None:
    """Else the refused command would be tried again and again, with transmit released in between."""
    trip(bench)
    bench.run(S)
    bench.tell(SafetyTripped(bench.now_us, "I1", "tried on purpose"))
    bench.run(5 * S)

    assert found(bench)[-1].code is FaultCode.UNSAFE_COMMAND
    assert not bench.is_released()


@pytest.mark.parametrize(("lags_us", "code"), [(800 * MS, FaultCode.DRIVE), (3 * S, FaultCode.NOT_READY)])
def test_meters_that_lag_behind_a_trip_are_not_taken_for_an_amplifier_that_amplifies_out_of_the_path(
    lags_us: int, code: FaultCode
) -> None:
    """An offline fault keeps the tube hot; one that goes on amplifying in standby costs the high voltage."""
    bench = a_bench(metered=True)
    amplifier = bench.station.amplifier
    assert amplifier is not None
    limits = replace(amplifier.limits, drive_w=75)
    of = replace(bench.station, amplifier=replace(amplifier, limits=limits))
    bench = Guarded(of, every_preset(of), outputs=WIRINGS["two boxes"], poll_us=100 * MS, metered=True)
    bench.run(S)
    warm_up(bench)
    bench.lie = {"drive_w": 76.0, "forward_w": 800.0}
    bench.run(lags_us)
    bench.lie = {}
    bench.run(S)

    assert found(bench)[0].code is FaultCode.DRIVE
    assert found(bench)[-1].code is code


@pytest.mark.parametrize("metered", [True, False])
def test_a_fault_that_an_earlier_run_has_left_stands_still(metered: bool) -> None:
    """Whatever ended that run, operate waits for a person; told over two restarts, the detail says so once."""
    bench = a_bench(metered=metered)
    bench.run(S)
    number = len(bench.sent)
    bench.tell(FaultRemembered(bench.now_us, FaultCode.PLATE_VOLTAGE_LOW, "1000 V, at least 1500 V"))
    (fault,) = found(bench)
    assert fault.detail == "stood when the last run ended: 1000 V, at least 1500 V"
    assert "high-voltage-off" in bench.names(number)
    assert not bench.ask(AmplifierRequest.ON).accepted
    assert not bench.ask(AmplifierRequest.OPERATE_WHEN_READY).accepted
    bench.run(2 * WARM_UP_US)
    assert "amplifier-operate" not in bench.names()

    again = a_bench(metered=metered)
    again.tell(FaultRemembered(again.now_us, fault.code, fault.detail))
    assert found(again)[0].detail == fault.detail
    again.run(S)
    assert acknowledge(again).accepted
    warm_up(again)
    again.must_be_unobjected()


def test_an_acknowledgement_says_what_may_be_counted_on_then() -> None:
    """Operate where the tube is warm; else what is left of the warm-up, or all of it."""
    bench = a_bench()

    def after(code: FaultCode) -> str:
        bench.tell(FaultRemembered(bench.now_us, code, "tried on purpose"))
        answer = acknowledge(bench, reason="tried on purpose")
        assert answer.accepted
        return answer.text

    assert after(FaultCode.SWR) == "fault swr acknowledged; the whole warm-up runs before it may operate"
    bench.ask(AmplifierRequest.ON)
    bench.run(S)
    assert after(FaultCode.SWR) == "fault swr acknowledged; the warm-up goes on"
    bench.run(WARM_UP_US)
    assert after(FaultCode.SWR) == "fault swr acknowledged; ask for operate again"
    bench.ask(AmplifierRequest.OFF)
    assert after(FaultCode.SWR) == "fault swr acknowledged; the amplifier cools down"
    assert "switch the amplifier on again" in after(FaultCode.PLATE_VOLTAGE_LOW)
