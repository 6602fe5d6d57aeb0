"""The monitor alone, on hand-written traces: what must have left in time, where the station is, and what a start, a stop and a person ask.

Each trace breaks one invariant, and the trace next to it breaks none. The numbers of the invariants are those of
DEVELOPERS.md. Times are common practice, no source, except where named.
"""

from dataclasses import replace
from timeit import repeat

import pytest
from monitor_trace import (
    BEAM,
    BEAM_20M,
    INHIBIT,
    LOCKOUT,
    LOOP,
    OPERATE,
    RELEASE,
    STANDBY,
    UNGUARDED,
    WARM_UP_US,
    WIRE,
    WIRING,
    Trace,
    barefoot,
    operating,
    ready,
    started,
)
from station_bench import MS, S

from qsyd_rules.command import (
    AmplifierOn,
    Command,
    CommandName,
    RecallPreset,
)
from qsyd_rules.event import (
    AmplifierRequest,
    DeviceRead,
    Event,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    OutputLost,
    RigLinkClosed,
    SafetyTripped,
    Started,
    StopRequested,
)
from qsyd_rules.readings import Readings
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState, Result

# I8: the rig is not heard


@pytest.mark.parametrize("wiring", [WIRING, UNGUARDED])
def test_a_silent_rig_is_answered_in_time(wiring: Wiring) -> None:
    trace = operating(wiring)
    heard_us = trace.watched.heard_us
    trace.silence()
    trace.wait(heard_us + 2250 * MS - 1 - trace.at_us)
    assert trace.wrong == []
    trace.wait(1)
    assert trace.wrong == ["I8"]
    trace.wait(60 * S)
    assert trace.wrong == ["I8"], "a cause is told once"


@pytest.mark.parametrize(
    ("leaving", "wrong"), [((INHIBIT, STANDBY), []), ((INHIBIT,), ["I8"]), ((STANDBY,), ["I8"]), ((), ["I8"])]
)
def test_a_rig_whose_link_closed_is_answered_whole(leaving: tuple[Command, ...], wrong: list[str]) -> None:
    trace = operating()
    trace.silence()
    trace.then(RigLinkClosed(trace.at_us, "main", "unplugged"), *leaving)
    trace.wait(250 * MS)
    assert trace.wrong == wrong


def test_a_cause_that_has_gone_and_comes_again_is_told_again() -> None:
    trace = barefoot()
    for _ in range(2):
        trace.silence()
        trace.wait(5 * S)
        trace.read(14_050_000)
    assert trace.wrong == ["I8", "I8"]


@pytest.mark.parametrize("command", [BEAM, BEAM_20M, OPERATE, RELEASE])
@pytest.mark.parametrize(("silent_us", "wrong"), [(2 * S, []), (2 * S + 1, ["I8"])])
def test_nothing_bold_leaves_for_a_rig_that_is_not_heard(command: Command, silent_us: int, wrong: list[str]) -> None:
    trace = ready()
    heard_us = trace.watched.heard_us
    trace.silence()
    trace.wait(heard_us + silent_us - trace.at_us)
    trace.leave(command)
    assert trace.wrong == wrong


# I10: the place


@pytest.mark.parametrize(
    ("command", "wrong"),
    [(BEAM, []), (WIRE, ["I10"]), (replace(BEAM, port=2), ["I10"]), (replace(BEAM, rig="other"), ["I10"])],
)
def test_antenna_is_one_of_the_band(command: Command, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    trace.leave(command)
    assert trace.wrong == wrong


@pytest.mark.parametrize(
    ("frequency_hz", "wrong"),
    [(14_050_000, []), (14_176_000, []), (14_176_001, ["I10"]), (21_050_000, ["I10"]), (10_120_000, ["I10"])],
)
def test_operate_leaves_only_where_amplifier_antenna_and_tank_serve(frequency_hz: int, wrong: list[str]) -> None:
    """20m/1 ends at 14.175 MHz, and a drift of 1 kHz past it still counts as there."""
    trace = ready()
    trace.read(frequency_hz)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


def test_operate_never_leaves_on_an_antenna_that_does_not_bear_it() -> None:
    trace = started()
    trace.read(7_050_000)
    trace.do(AmplifierOn())
    trace.note()
    trace.wait(S)
    trace.do(LOOP)
    trace.wait(30 * MS)
    trace.do(RecallPreset("loop", "40m/1", 1, 1))
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == ["I10"]


@pytest.mark.parametrize(
    ("frequency_hz", "keyed", "allowed_us"),
    [
        (7_050_000, False, 850 * MS),
        (7_050_000, True, 850 * MS),
        (10_120_000, False, 850 * MS),
        (14_300_000, False, 850 * MS),
        (14_300_000, True, 2250 * MS),
        (14_400_000, True, 2250 * MS),
    ],
)
def test_operate_never_stands_for_long_where_it_has_no_place(frequency_hz: int, keyed: bool, allowed_us: int) -> None:
    """Keyed inside the band of the tank, standby may wait for the key, but not for ever."""
    trace = operating()
    trace.read(frequency_hz, INHIBIT, keyed=keyed)
    trace.answer(trace.number)
    trace.wait(allowed_us - 1)
    assert trace.wrong == []
    trace.wait(1)
    assert trace.wrong == ["I10"]


def test_operate_that_ends_in_time_is_right() -> None:
    trace = operating()
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    trace.wait(800 * MS)
    trace.do(STANDBY)
    trace.wait(10 * S)
    assert trace.wrong == []


def test_operate_while_a_recall_is_under_way_is_wrong() -> None:
    trace = ready()
    trace.leave(BEAM_20M)
    trace.leave(OPERATE)
    assert trace.wrong == ["I9"]


# I13 to I16: start, notes, safe states


@pytest.mark.parametrize(
    ("command", "wrong"),
    [(INHIBIT, []), (STANDBY, []), (BEAM, ["I13"]), (BEAM_20M, ["I13"]), (OPERATE, ["I13"]), (RELEASE, ["I13"])],
)
def test_only_the_safe_direction_leaves_before_the_rig_was_read(command: Command, wrong: list[str]) -> None:
    trace = Trace()
    trace.then(Started(0, None), command)
    assert trace.wrong == wrong


@pytest.mark.parametrize("how", ["written", "failed", "hangs", "none", "unanswered", "asked again"])
def test_antenna_waits_for_its_note_or_for_a_dead_disk(how: str) -> None:
    trace = barefoot()
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    if how in {"written", "failed"}:
        trace.note(None if how == "written" else "disk full")
    elif how != "none":
        trace.ask_for_note()
    trace.wait(500 * MS if how == "hangs" else 400 * MS)
    if how == "asked again":
        trace.ask_for_note()
        trace.wait(400 * MS)
    trace.leave(WIRE)
    assert trace.wrong == ([] if how in {"written", "failed", "hangs"} else ["I14"])


def test_disk_that_hung_during_one_change_over_holds_up_none_of_the_next() -> None:
    """A note written in time, one more in the same change-over that never was, and the release in between."""
    trace = barefoot()
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    trace.note()
    trace.wait(60 * MS)
    trace.do(WIRE)
    trace.ask_for_note()
    trace.wait(600 * MS)
    trace.do(RELEASE)
    trace.read(14_050_000, INHIBIT)
    trace.answer(trace.number)
    trace.ask_for_note()
    trace.wait(60 * MS)
    trace.leave(BEAM)
    assert trace.wrong == []


def test_note_that_comes_for_an_earlier_intent_is_not_that_of_the_newest() -> None:
    trace = barefoot()
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    earlier = trace.ask_for_note()
    trace.ask_for_note()
    trace.then(IntentRecorded(trace.at_us, earlier, None))
    trace.wait(60 * MS)
    trace.leave(WIRE)
    assert trace.wrong == ["I14"]


@pytest.mark.parametrize(("error", "wrong"), [(None, []), ("disk full", ["I14"])])
def test_operate_waits_for_a_note_that_was_written(error: str | None, wrong: list[str]) -> None:
    trace = ready()
    trace.note(error)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(
    "event",
    [
        StopRequested(0),
        OutputLost(0, "amp", "unplugged"),
        RigLinkClosed(0, "main", "unplugged"),
        LoopStalled(0, S),
        SafetyTripped(0, "I1", "a test"),
    ],
)
def test_no_safe_state_moves_the_antenna(event: Event) -> None:
    trace = started()
    trace.note()
    trace.then(replace(event, at_us=trace.at_us), BEAM)
    assert trace.wrong in (["I16"], ["I8"])  # a rig whose link closed is named first


@pytest.mark.parametrize("output", ["switch", "lamp"])
def test_the_loss_of_an_output_that_keeps_nothing_safe_is_no_reason_to_hold_the_antenna(output: str) -> None:
    trace = started(Wiring({**WIRING.outputs, "lamp": frozenset({CommandName.LIMIT_DRIVE})}))
    trace.note()
    trace.then(OutputLost(trace.at_us, output, "unplugged"), BEAM)
    assert trace.wrong == []


def test_a_stop_is_answered_in_time_and_for_good() -> None:
    trace = operating()
    trace.then(StopRequested(trace.at_us))
    trace.wait(250 * MS)
    assert trace.wrong[0] == "I15"
    trace.do(INHIBIT, STANDBY)
    trace.note()
    trace.wait(S)
    trace.leave(BEAM)
    assert trace.wrong[-1] == "I16"


# I17: a key that stays down; 47 CFR 97.213(b) has three minutes


@pytest.mark.parametrize("source", ["rig", "line"])
def test_a_stuck_key_is_inhibited_and_then_put_into_standby(source: str) -> None:
    trace = operating()
    since_us = trace.at_us
    if source == "rig":
        trace.read(14_050_000, keyed=True)
    else:
        trace.then(KeySensed(trace.at_us, "main", True))
    trace.wait(since_us + 180_100 * MS - 1 - trace.at_us)
    assert trace.wrong == []
    trace.wait(1)
    assert trace.wrong == ["I17"]
    trace.do(INHIBIT)
    trace.wait(since_us + 182_100 * MS - 1 - trace.at_us)
    assert trace.wrong == ["I17"]
    trace.wait(1)
    assert trace.wrong == ["I17", "I17"]


def test_a_key_that_comes_up_in_between_is_not_stuck() -> None:
    trace = operating()
    for _ in range(3):
        trace.read(14_050_000, keyed=True)
        trace.wait(179 * S)
        trace.read(14_050_000)
        trace.wait(S)
    assert trace.wrong == []


# I24: a person decides


@pytest.mark.parametrize("request_", [AmplifierRequest.STANDBY, AmplifierRequest.OFF, AmplifierRequest.OFF_NOW])
def test_operate_never_leaves_after_a_person_took_it_away(request_: AmplifierRequest) -> None:
    trace = ready()
    trace.ask(request_)
    trace.leave(OPERATE)
    assert trace.wrong == ["I24"]


def test_standby_that_was_asked_for_leaves_in_time() -> None:
    trace = operating()
    trace.ask(AmplifierRequest.STANDBY)
    trace.wait(250 * MS - 1)
    assert trace.wrong == []
    trace.wait(1)
    assert trace.wrong == ["I24"]


@pytest.mark.parametrize("command", [OPERATE, RELEASE])
@pytest.mark.parametrize("over", [False, True])
def test_neither_operate_nor_release_leaves_under_a_lockout(command: Command, over: bool) -> None:
    trace = ready()
    trace.wait(S)
    trace.then(LockoutChanged(trace.at_us, LOCKOUT))
    if over:
        trace.then(LockoutChanged(trace.at_us, None))
    trace.leave(command)
    assert trace.wrong == ([] if over else ["I24"])


def test_a_lockout_makes_the_station_safe_in_time() -> None:
    trace = operating()
    trace.then(LockoutChanged(trace.at_us, LOCKOUT))
    trace.wait(250 * MS)
    assert trace.wrong == ["I24"]


# I25 and L1


@pytest.mark.parametrize(("times", "wrong"), [(15, []), (16, ["I25"])])
def test_antenna_commands_are_bounded(times: int, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    for _ in range(times):
        trace.answer(trace.leave(BEAM))
    assert trace.wrong == wrong


def test_one_antenna_command_a_second_may_go_on_for_ever() -> None:
    trace = started()
    trace.note()
    for _ in range(100):
        trace.answer(trace.leave(BEAM))
        trace.wait(S)
    assert trace.wrong == []


def test_a_command_that_never_ends_is_told_once() -> None:
    trace = started()
    trace.leave(STANDBY)
    trace.wait(60 * S - 1)
    assert trace.wrong == []
    trace.wait(1)
    assert trace.wrong == ["L1"]
    trace.wait(300 * S)
    assert trace.wrong == ["L1"]


def test_an_answer_to_a_command_that_never_left_tells_nothing() -> None:
    trace = barefoot()
    trace.answer(4711, Result.FAILED)
    trace.wait(S)
    assert trace.wrong == []


# At its panel


def test_an_amplifier_put_into_standby_at_its_panel_is_in_standby() -> None:
    trace = operating()
    trace.wait(2 * S)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.STANDBY)))
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    trace.note()
    trace.wait(S)
    trace.leave(WIRE)
    assert trace.wrong == []


# What it costs


def test_a_poll_of_a_dial_at_rest_costs_next_to_nothing() -> None:
    """Below 3 us on an idle machine; ten times that is left for a busy one."""
    trace = operating()
    event = trace._reading()

    cost_s = min(repeat(lambda: trace.monitor.step(trace.watched, event, ()), number=1000, repeat=5)) / 1000

    assert cost_s < 30e-6


def test_note_for_operate_that_comes_after_an_unrelated_release_still_counts() -> None:
    """A stall inhibits and asks for a note; the release that follows is answered before the slow disk has written it."""
    trace = ready()
    trace.do(STANDBY)
    trace.wait(40 * MS)
    number = trace.ask_for_note()
    trace.do(RELEASE)
    trace.then(IntentRecorded(trace.at_us, number, None))
    trace.do(INHIBIT)
    trace.wait(60 * MS)
    trace.leave(OPERATE)
    assert trace.wrong == []
