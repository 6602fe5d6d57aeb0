"""Core, gate and monitor together: whatever happens, nothing is ever objected to."""

import heapq

import pytest
from guarded_bench import LOCKOUT, WARM_UP_US, WIRINGS, Guarded, a_bench, a_station, warm_up
from guarded_deeds import Deed, flags, histories
from hypothesis import given
from random_histories import lived_through
from station_bench import MS, S, every_preset

from qsyd_rules.command import (
    CommandName,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Effect
from qsyd_rules.event import (
    AmplifierRequest,
    Event,
    FaultAcknowledged,
    LockoutChanged,
    LoopStalled,
    RigRead,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.gate_account import observe
from qsyd_rules.state import StationState
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
    bench.run(S)
    bench.refusing = set()
    bench.run(2 * S)
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
@lived_through(40)
@given(history=histories, metered=flags)
def test_no_history_makes_gate_or_monitor_object(wiring: str, history: list[tuple[Deed, int]], metered: bool) -> None:
    """Whatever happens, the core asks for nothing that the other two would not have."""
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()


@lived_through(40)
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


def stand_still(bench: Guarded, for_us: int) -> None:
    """The loop does not turn for so long; what was due meanwhile comes after."""
    bench.now_us += for_us
    bench._queue = [(max(at_us, bench.now_us), order, action) for at_us, order, action in bench._queue]
    heapq.heapify(bench._queue)


def test_link_that_is_back_after_the_gap_voids_the_warm_up_although_nobody_was_woken_in_between() -> None:
    bench = a_bench()
    warm_up(bench)
    bench.lose("amp")
    bench.run(4900 * MS)
    stand_still(bench, 200 * MS)
    bench.connect("amp")
    bench.run(2 * S)

    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.must_be_unobjected()


def test_amplifier_that_was_off_in_its_cool_down_warms_up_anew() -> None:
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.ask(AmplifierRequest.OFF)
    bench.run(S)
    bench.lie = {"state": AmplifierState.OFF}
    bench.run(3 * S)
    bench.lie = {}
    bench.run(S)
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(S)

    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.must_be_unobjected()


@pytest.mark.parametrize("wiring", ["two boxes", "heater by hand"])
def test_loop_that_stood_still_in_the_cool_down_leaves_no_warm_up_to_go_on_with(wiring: str) -> None:
    bench = a_bench(wiring)
    warm_up(bench)
    bench.ask(AmplifierRequest.OFF)
    bench.run(S)
    stand_still(bench, 6 * S)
    bench.tell(LoopStalled(bench.now_us, 6 * S))
    bench.run(S)
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(S)

    assert not bench.ask(AmplifierRequest.OPERATE).accepted
    bench.must_be_unobjected()


def test_nothing_moves_on_what_was_heard_before_the_loop_stood_still() -> None:
    """Without a permit to doubt, too: the guard runs anew, on a word of the rig that was asked for afterwards."""
    bench = a_bench("switch only")
    bench.tune(7_050_000, push=True)
    bench.run(49 * MS)
    stand_still(bench, 520 * MS)
    stalled_us = bench.now_us
    bench.tell(LoopStalled(stalled_us, 520 * MS))
    bench.run(S)

    assert bench.times(CommandName.SELECT_ANTENNA)[-1] >= stalled_us + 50 * MS
    bench.must_be_unobjected()


def test_gate_wants_another_word_of_the_rig_and_the_guard_after_a_stall() -> None:
    bench = a_bench()
    now_us = bench.now_us
    account = observe(bench.guarded.account, LoopStalled(now_us, 520 * MS), bench.station, bench.guard.wiring)

    assert (account.unkeyed_since_us, account.rig_told_from_us) == (now_us, -1)


@pytest.mark.parametrize("refused", [1, 3, 4, 5, 20])
def test_however_much_is_refused_at_once_nothing_that_was_decided_is_lost(refused: int) -> None:
    """A safe command that never left would be waited for for ever, and nobody could transmit any more."""
    bench = a_bench()
    decide, told = bench.guard.core.step, list[int]()

    def step(state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        state, effects = decide(state, event)
        if isinstance(event, RigRead) and not told:
            told.append(event.at_us)
            effects += tuple(Actuate(10**6 + n, SelectAntenna("main", "wire", 2)) for n in range(refused))
        return state, effects

    bench.guard.core.step = step  # type: ignore[method-assign]
    bench.run(2 * S)
    assert bench.tripped
    assert bench.state.commands == {}
    assert "select-antenna" not in bench.names()[-3:]
    bench.tell(FaultAcknowledged(bench.now_us, 1, None, "operator"))
    bench.run(S)

    assert bench.is_released()


def test_core_that_never_stops_deciding_what_is_refused_has_failed() -> None:
    bench = a_bench()
    decide = bench.guard.core.step

    def step(state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        state, effects = decide(state, event)
        return state, (*effects, Actuate(10**6, SelectAntenna("main", "wire", 2)))

    bench.guard.core.step = step  # type: ignore[method-assign]
    with pytest.raises(AssertionError, match="goes on deciding"):
        bench.run(S)


def test_nobody_is_released_into_an_amplifier_that_goes_on_saying_operate() -> None:
    """A transfer relay that sticks: told to stand by again and again, and transmit was released in between."""
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.ask(AmplifierRequest.STANDBY)
    bench.lie = {"state": AmplifierState.OPERATE}
    bench.run(S)
    number = len(bench.sent)
    for _ in range(40):
        bench.run(250 * MS)
        assert bench.reasons
    assert "release-transmit" not in bench.names(number)

    bench.lie = {}
    bench.run(2 * S)

    assert bench.is_released()
    bench.must_be_unobjected()
