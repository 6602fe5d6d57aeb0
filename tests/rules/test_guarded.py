"""Core, gate and monitor together: whatever happens, nothing is ever objected to."""

import pytest
from guarded_bench import LOCKOUT, WARM_UP_US, WIRINGS, Guarded, a_bench, a_station, warm_up
from guarded_deeds import Deed, flags, histories, relaxed
from hypothesis import given, settings
from station_bench import MS, S, every_preset

from qsyd_rules.command import (
    CommandName,
)
from qsyd_rules.event import (
    AmplifierRequest,
    FaultAcknowledged,
    LockoutChanged,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.words import AmplifierState

# Nothing is objected to


@pytest.mark.parametrize("metered", [False, True])
@pytest.mark.parametrize("wiring", WIRINGS)
def test_whole_change_overs_and_a_warm_up_are_let_pass(wiring: str, metered: bool) -> None:
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    if CommandName.AMPLIFIER_OPERATE in {name for carried in bench.outputs.values() for name in carried}:
        assert bench.is_in_operate() or (wiring == "heater by hand" and metered)  # it would say that it is off
    for frequency_hz in (7_050_000, 14_050_000, 14_300_000, 10_120_000, 5_000_000, 3_550_000, 21_050_000):
        bench.tune(frequency_hz, push=True)
        bench.run(2 * S)
        bench.key()
        bench.run(S)
        bench.unkey()
        bench.run(S)
    bench.ask(AmplifierRequest.OFF)
    bench.run(15 * S)
    bench.stop()
    bench.run(S)
    bench.must_be_unobjected()
    assert len(bench.times(CommandName.SELECT_ANTENNA)) >= 5


def test_a_release_that_is_refused_leaves_its_note_to_be_used_again() -> None:
    """The change-over has not ended; operate goes out a second time on the same note, and the monitor knows it."""
    bench = a_bench()
    warm_up(bench)
    bench.refusing = {CommandName.RELEASE_TRANSMIT}
    bench.tune(7_050_000, push=True)
    bench.run(5 * S)
    bench.must_be_unobjected()
    assert len(bench.times(CommandName.AMPLIFIER_OPERATE)) > 2


def test_a_stuck_key_a_fault_and_a_lockout_are_answered_in_time() -> None:
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.key()
    bench.run(40 * S)
    assert bench.state.fault is not None
    bench.unkey()
    bench.run(S)
    bench.tell(FaultAcknowledged(bench.now_us, 1, None, "operator"))
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)
    assert bench.is_in_operate()
    bench.tell(LockoutChanged(bench.now_us, LOCKOUT))
    bench.run(S)
    bench.tell(LockoutChanged(bench.now_us, None))
    bench.run(S)
    bench.lie["fault"] = "F7"
    bench.run(S)
    assert bench.state.fault is not None
    assert bench.state.fault.code is FaultCode.TOLD
    bench.lie.clear()
    bench.run(30 * S)
    bench.tell(FaultAcknowledged(bench.now_us, 2, None, "operator"))
    warm_up(bench)
    assert bench.is_in_operate()
    bench.must_be_unobjected()


@pytest.mark.parametrize("wiring", WIRINGS)
@settings(relaxed, max_examples=60)
@given(history=histories, metered=flags)
def test_no_history_makes_gate_or_monitor_object(wiring: str, history: list[tuple[Deed, int]], metered: bool) -> None:
    """Whatever happens, the core asks for nothing that the other two would not have."""
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()


@settings(relaxed, max_examples=60)
@given(history=histories)
def test_no_history_from_cold_makes_gate_or_monitor_object(history: list[tuple[Deed, int]]) -> None:
    of = a_station()
    bench = Guarded(of, every_preset(of), outputs=WIRINGS["two boxes"], poll_us=100 * MS, metered=True)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()


# Where the core once asked for what the other two refuse


def test_a_rig_that_cannot_tell_its_key_is_still_heard_lately_before_an_antenna_moves() -> None:
    bench = a_bench()
    bench.rig.keyed = None
    bench.run(S)
    bench.answer_us = 1500 * MS
    bench.tune(7_050_000, push=True)
    bench.run(200 * MS)
    bench.rig.silent = True
    bench.run(1700 * MS)
    bench.must_be_unobjected()


def test_a_gap_in_the_link_voids_a_warm_up_that_was_begun_by_hand() -> None:
    bench = a_bench("heater by hand")
    warm_up(bench)
    bench.lose("relay")
    bench.run(6 * S)
    bench.connect("relay")
    bench.run(3 * S)
    bench.must_be_unobjected()


def test_an_amplifier_that_says_off_is_not_put_into_operate() -> None:
    bench = a_bench(metered=True)
    bench.ask(AmplifierRequest.ON)
    bench.run(WARM_UP_US + S)
    bench.lie = {"state": AmplifierState.OFF}
    bench.run(300 * MS)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)
    bench.must_be_unobjected()


def test_an_amplifier_that_goes_on_saying_operate_keeps_the_antenna_where_it_is() -> None:
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.lie = {"state": AmplifierState.OPERATE}
    bench.run(S)
    bench.tune(7_050_000, push=True)
    before = len(bench.sent)
    bench.run(900 * MS)
    assert "select-antenna" not in bench.names(before)
