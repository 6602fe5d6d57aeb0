"""Devices that do not answer, refuse, or lose their link: inhibited, in standby, told, and tried again."""

from dataclasses import replace
from itertools import pairwise

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, live, operating, station

from qsyd_rules.actuator import rests_at
from qsyd_rules.amplifier import Off
from qsyd_rules.command import CommandName, SelectAntenna
from qsyd_rules.event import AmplifierRequest, CommandFinished, OutputAnswer
from qsyd_rules.notice import CommandDone, OutputFailed, OutputRecovered
from qsyd_rules.station import Rule, Then, When
from qsyd_rules.words import Result

PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
APART = {"switch": SWITCH, "permit": PERMIT, "amp": AMPLIFIER_BOX - PERMIT}


def gaps_s(bench: Bench, name: CommandName, start_us: int) -> list[int]:
    """Whole seconds from each failure (1.5 s after it was sent) to the next try."""
    times = [at_us for at_us in bench.times(name) if at_us >= start_us]
    return [round((later - earlier - bench.fail_us) / S) for earlier, later in pairwise(times)]


def warnings(bench: Bench, start_us: int) -> list[str]:
    return [notice.code for notice in bench.told("warning", start_us)]  # type: ignore[union-attr]


def test_a_silent_switch_leaves_transmit_inhibited_and_the_amplifier_in_standby() -> None:
    bench = operating()
    bench.failing.add("switch")
    start_us = bench.now_us
    bench.tune(7_050_000)
    bench.run(30 * S)

    assert not bench.is_released()
    assert not bench.is_in_operate()
    assert "antenna unknown: switch: no acknowledgement" in bench.reasons
    assert OutputFailed("switch", "select-antenna", "no acknowledgement") in bench.told("output-failed", start_us)
    assert "change-over-failed" in warnings(bench, start_us)
    assert bench.intents[-1].outcome == "failed safe"  # type: ignore[union-attr]


def test_a_silent_switch_is_tried_again_with_growing_pauses() -> None:
    bench = live()
    bench.failing.add("switch")
    start_us = bench.now_us
    bench.tune(7_050_000)
    bench.run(200 * S)

    assert gaps_s(bench, CommandName.SELECT_ANTENNA, start_us)[:8] == [1, 2, 4, 8, 16, 30, 30, 30]


def test_a_silent_switch_is_tried_again_at_every_new_target() -> None:
    bench = live()
    bench.failing.add("switch")
    bench.tune(7_050_000)
    bench.run(60 * S)
    number = len(bench.sent)
    bench.tune(21_050_000, push=True)
    bench.run(100 * MS)

    assert SelectAntenna("main", "beam", 1) in [command for _, command in bench.sent[number:]]


def test_a_switch_that_answers_again_is_noticed_without_anybody_touching_anything() -> None:
    bench = operating()
    bench.failing.add("switch")
    bench.tune(7_050_000)
    bench.run(20 * S)
    bench.failing.clear()
    bench.run(31 * S)

    assert bench.is_released()
    assert bench.is_in_operate()
    assert OutputRecovered("switch") in bench.told("output-recovered")


def test_an_answer_that_comes_after_all_makes_the_failures_forgotten() -> None:
    bench = live()
    bench.failing.add("switch")
    bench.tune(7_050_000)
    bench.run(20 * S)
    bench.failing.clear()
    bench.run(31 * S)
    bench.failing.add("switch")
    start_us = bench.now_us
    bench.tune(14_050_000)
    bench.run(10 * S)

    assert gaps_s(bench, CommandName.SELECT_ANTENNA, start_us)[:2] == [1, 2]


def test_a_dial_that_moves_within_the_segment_does_not_hurry_the_tries() -> None:
    bench = live()
    bench.failing.add("switch")
    start_us = bench.now_us
    bench.tune(7_050_000)
    for step in range(600):
        bench.tune(7_050_000 + step, push=True)
        bench.run(100 * MS)

    assert gaps_s(bench, CommandName.SELECT_ANTENNA, start_us) == [1, 2, 4, 8, 16]
    assert len(bench.told("change-over-started", start_us)) == 6


def test_a_silent_permit_lets_nothing_move_and_takes_the_amplifier_out() -> None:
    """Transmit could not be forbidden: so the amplifier must not stay in the path."""
    bench = operating(outputs=APART)
    bench.failing.add("permit")
    number = len(bench.sent)
    start_us = bench.now_us
    bench.tune(7_050_000)
    for step in range(300):
        bench.tune(7_050_000 + step, push=True)
        bench.run(100 * MS)

    assert set(bench.names(number)) == {"inhibit-transmit", "amplifier-standby"}
    assert "transmit permit unknown: permit: no acknowledgement" in bench.reasons
    assert gaps_s(bench, CommandName.INHIBIT_TRANSMIT, start_us) == [1, 2, 4, 8]
    assert len(bench.told("change-over-started", start_us)) <= 5


def test_a_silent_permit_takes_the_amplifier_out_even_where_it_may_operate() -> None:
    edge = Rule("beacon", When(frequencies_hz=((14_060_000, 14_061_000),)), Then(inhibit="a beacon"))
    bench = operating(edge, outputs=APART)
    bench.failing.add("permit")
    bench.tune(14_060_500)
    bench.run(3 * S)
    assert not bench.is_in_operate()

    bench.failing.clear()
    bench.tune(14_050_000)
    bench.run(31 * S)

    assert bench.is_in_operate()
    assert bench.is_released()


def test_a_silent_permit_takes_the_amplifier_out_even_while_keyed() -> None:
    edge = Rule("beacon", When(frequencies_hz=((14_060_000, 14_061_000),)), Then(inhibit="a beacon"))
    bench = operating(edge, outputs=APART)
    bench.failing.add("permit")
    bench.key()
    start_us = bench.now_us
    bench.tune(14_060_500, push=True)
    bench.run(1600 * MS)

    assert [at_us - start_us for at_us in bench.times(CommandName.AMPLIFIER_STANDBY) if at_us >= start_us] == [
        1500 * MS
    ]


def test_a_release_that_is_not_answered_is_taken_back_at_once_and_tried_again_with_growing_pauses() -> None:
    bench = live()
    bench.refusing.add(CommandName.RELEASE_TRANSMIT)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(20 * S)

    permits = [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if command.name in PERMIT]
    permits = [each for each in permits if each[0] >= 0]
    assert permits[:4] == [
        (0, "inhibit-transmit"),
        (383 * MS, "release-transmit"),
        (384 * MS, "inhibit-transmit"),  # the release may have got through
        (1384 * MS, "release-transmit"),
    ]
    releases = [at_us for at_us, name in permits if name == "release-transmit"]
    assert [round((later - earlier) / S) for earlier, later in pairwise(releases)] == [1, 2, 4, 8]
    assert bench.reasons != ()


def test_a_release_is_tried_again_when_its_device_is_back() -> None:
    bench = live()
    bench.refusing.add(CommandName.RELEASE_TRANSMIT)
    bench.tune(7_050_000)
    bench.run(20 * S)
    bench.refusing.clear()
    bench.lose("amp")
    bench.run(S)
    bench.connect("amp")
    bench.run(S)

    assert bench.is_released()


def test_a_silent_amplifier_leaves_transmit_inhibited_and_moves_nothing() -> None:
    bench = live(outputs=APART)
    bench.failing.add("amp")
    start_us = bench.now_us
    bench.tune(7_050_000)
    bench.run(10 * S)

    assert not bench.is_released()
    assert any(reason.startswith("tank unknown") for reason in bench.reasons)
    assert gaps_s(bench, CommandName.RECALL_PRESET, start_us)[:2] == [1, 2]
    assert len([at_us for at_us in bench.times(CommandName.SELECT_ANTENNA) if at_us >= start_us]) == 1


def test_standby_that_is_not_answered_keeps_the_antenna_where_it_is() -> None:
    bench = operating()
    bench.refusing.add(CommandName.AMPLIFIER_STANDBY)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(20 * S)

    assert [at_us for at_us in bench.times(CommandName.SELECT_ANTENNA) if at_us >= start_us] == []
    assert "amplifier relay unknown: amp: refused" in bench.reasons
    assert not bench.is_released()
    bench.refusing.clear()
    bench.run(31 * S)
    assert bench.is_released()


def test_operate_that_is_refused_is_held_off_and_transmit_goes_on_barefoot() -> None:
    bench = live()
    bench.ask(AmplifierRequest.ON)
    bench.run(181 * S)
    bench.refusing.add(CommandName.AMPLIFIER_OPERATE)
    start_us = bench.now_us
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(120 * S)

    operates = [at_us for at_us in bench.times(CommandName.AMPLIFIER_OPERATE) if at_us >= start_us]
    assert [round((later - earlier) / S) for earlier, later in pairwise(operates)] == [1, 2, 4, 8, 16, 30, 30]
    standbys = [at_us for at_us in bench.times(CommandName.AMPLIFIER_STANDBY) if at_us >= start_us]
    assert standbys == [at_us + 1 * MS for at_us in operates]  # it may have got through: at once
    assert bench.is_released()
    assert bench.state.wish


def test_operate_that_is_accepted_after_all_stays() -> None:
    bench = live()
    bench.ask(AmplifierRequest.ON)
    bench.run(181 * S)
    bench.refusing.add(CommandName.AMPLIFIER_OPERATE)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(10 * S)
    bench.refusing.clear()
    bench.run(31 * S)

    assert bench.is_in_operate()
    assert bench.state.hold_offs == {}


def test_a_tank_that_does_not_answer_keeps_the_amplifier_out_and_transmit_inhibited() -> None:
    bench = operating()
    bench.refusing.add(CommandName.RECALL_PRESET)
    bench.tune(14_250_000)
    bench.run(20 * S)
    assert not bench.is_released()
    assert not bench.is_in_operate()

    bench.refusing.clear()
    bench.run(31 * S)

    assert bench.is_released()
    assert bench.is_in_operate()


def test_an_amplifier_that_is_silent_on_one_command_is_asked_for_it_with_growing_pauses() -> None:
    """Its link counts as broken each time, and is back at once: that is no reason to ask as often as that."""
    bench = live(outputs=APART)
    bench.ignored.add(CommandName.RECALL_PRESET)
    start_us = bench.now_us
    bench.tune(7_050_000)
    bench.run(60 * S)

    assert gaps_s(bench, CommandName.RECALL_PRESET, start_us)[1:5] == [2, 4, 8, 16]
    assert warnings(bench, start_us)[0] == "change-over-failed"
    assert not bench.is_released()


@pytest.mark.parametrize("outputs", [None, APART], ids=["two boxes", "permit apart"])
def test_an_operate_that_is_ignored_is_tried_with_growing_pauses_and_transmit_goes_on_barefoot(
    outputs: dict[str, frozenset[CommandName]] | None,
) -> None:
    """Standby goes out behind it at once, before its end is told; that end counts none the less."""
    bench = operating() if outputs is None else operating(outputs=outputs)
    assert bench.ask(AmplifierRequest.STANDBY).accepted
    bench.ignored.add(CommandName.AMPLIFIER_OPERATE)
    start_us = bench.now_us
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(60 * S)

    assert gaps_s(bench, CommandName.AMPLIFIER_OPERATE, start_us)[1:5] == [2, 4, 8, 16]
    assert bench.is_released()
    assert not bench.is_in_operate()
    bench.ignored.clear()
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)
    assert bench.is_in_operate(), "a person who asks anew is not made to wait for the pause"


def test_a_release_that_is_ignored_is_tried_with_growing_pauses_and_moves_nothing_each_time() -> None:
    """Where one box holds permit and tank, its link's loss makes both unknown."""
    bench = live()
    bench.ignored.add(CommandName.RELEASE_TRANSMIT)
    bench.tune(7_050_000)
    start_us = bench.now_us
    bench.run(60 * S)

    assert gaps_s(bench, CommandName.RELEASE_TRANSMIT, start_us)[1:5] == [2, 4, 8, 16]
    assert len([name for _, name in bench.since(start_us) if name == "recall-preset"]) <= 7
    assert not bench.is_released()


def test_an_off_that_is_ignored_is_repeated_every_half_minute_and_told_as_often() -> None:
    bench = operating(outputs=APART)
    bench.ignored.add(CommandName.AMPLIFIER_OFF)
    assert bench.ask(AmplifierRequest.OFF_NOW).accepted
    start_us = bench.now_us
    bench.run(120 * S)

    assert gaps_s(bench, CommandName.AMPLIFIER_OFF, start_us)[1:] == [30, 30, 30]
    assert warnings(bench, start_us).count("amplifier-not-off") == 5


def test_a_standby_that_is_ignored_is_repeated_at_once_without_beginning_a_change_over_each_time() -> None:
    bench = operating(outputs=APART)
    bench.ignored.add(CommandName.AMPLIFIER_STANDBY)
    notes, start_us = len(bench.intents), bench.now_us
    bench.tune(7_050_000)
    bench.run(60 * S)

    assert len([name for _, name in bench.since(start_us) if name == "amplifier-standby"]) > 30
    assert len(bench.told("change-over-started", start_us)) <= 2
    assert len(bench.intents) - notes <= 4
    assert len(bench.told("transmit-inhibited", start_us)) <= 4, "what is tried once more is as unknown as before"
    assert not bench.is_released()
    bench.ignored.clear()
    bench.run(31 * S)
    assert bench.is_released()


@pytest.mark.parametrize("off_s", [3, 20, 72])
def test_a_switch_that_was_off_from_the_start_is_tried_at_once_when_it_comes(off_s: int) -> None:
    """Its link was never lost, for it was never open; what found no link says nothing about the device."""
    of = station()
    bench = Bench(of, every_preset(of), outputs=APART)
    bench.failing.add("switch")
    bench.run(off_s * S)
    bench.connect("switch")
    bench.run(3 * S)

    assert bench.is_released()


def test_an_amplifier_that_was_switched_off_and_on_is_asked_at_once_for_what_it_ignored_before() -> None:
    bench = live(outputs=APART)
    bench.ignored.add(CommandName.RECALL_PRESET)
    bench.tune(7_050_000)
    bench.run(20 * S)
    bench.ignored.clear()
    bench.lose("amp")
    bench.run(S)
    bench.connect("amp")
    bench.run(S)

    assert bench.is_released()


def test_a_drive_limit_that_does_not_answer_keeps_transmit_inhibited() -> None:
    bench = live(drive_w=75)
    bench.refusing.add(CommandName.LIMIT_DRIVE)
    bench.lose("amp")
    bench.connect("amp")
    bench.run(3 * S)

    assert "drive unknown: amp: refused" in bench.reasons
    assert not bench.is_released()


# Links of devices


def test_a_switch_that_lost_its_link_may_rest_anywhere_and_is_selected_again() -> None:
    bench = operating()
    number = len(bench.sent)
    bench.lose("switch")
    assert bench.names(number)[:2] == ["inhibit-transmit", "amplifier-standby"]
    bench.run(10 * S)
    assert not bench.is_released()

    bench.connect("switch")
    bench.run(S)

    assert rests_at(bench.state.antenna, "beam")
    assert bench.is_released()
    assert bench.is_in_operate()


def test_a_switch_that_lost_its_link_while_keyed_is_selected_again_after_unkey() -> None:
    bench = live()
    bench.key()
    bench.lose("switch")
    bench.connect("switch")
    number = len(bench.sent)
    bench.run(10 * S)
    assert "select-antenna" not in bench.names(number)
    assert not bench.is_released()

    bench.unkey()
    bench.run(S)

    assert "select-antenna" in bench.names(number)
    assert bench.is_released()


def test_an_amplifier_that_lost_its_link_in_operate_is_told_standby_at_once_and_when_it_is_back() -> None:
    bench = operating()
    number = len(bench.sent)
    bench.lose("amp")
    assert "amplifier-standby" in bench.names(number)
    bench.run(3 * S)
    back_us = bench.now_us
    bench.connect("amp")
    bench.run(2 * S)

    answered = [each for each in bench.answered if each.at_us >= back_us and each.result is not Result.FAILED]
    assert "amplifier-standby" in [str(each.command.name) for each in answered]
    assert bench.is_in_operate()
    assert bench.is_released()


@pytest.mark.parametrize(("gone_us", "kept"), [(4_999_999, True), (5_000_000, False), (60 * S, False)])
def test_an_amplifier_out_of_sight_for_five_seconds_has_to_warm_up_again(gone_us: int, kept: bool) -> None:
    bench = operating()
    bench.lose("amp")
    bench.run(gone_us)
    bench.connect("amp")
    bench.run(40 * S)

    assert bench.is_in_operate() is kept
    assert bench.state.wish is kept
    assert (bench.state.amplifier == Off()) is not kept


def test_a_gap_in_the_warm_up_voids_it() -> None:
    bench = live()
    bench.ask(AmplifierRequest.ON)
    bench.run(170 * S)
    bench.lose("amp")
    bench.run(6 * S)
    bench.connect("amp")
    bench.run(60 * S)

    answer = bench.ask(AmplifierRequest.OPERATE)
    assert not answer.accepted
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(179 * S)
    assert bench.ask(AmplifierRequest.OPERATE).ready_in_s == pytest.approx(1.001)


def test_an_amplifier_switched_on_again_while_its_link_is_doubtful_counts_from_its_own_answer() -> None:
    bench = operating()
    bench.lose("amp")
    bench.run(10 * S)
    bench.failing.clear()  # it answers, though nothing has told that its link is back
    bench.ask(AmplifierRequest.ON)
    bench.run(5 * MS)
    bench.connect("amp")
    bench.run(1 * S)

    assert not bench.ask(AmplifierRequest.OPERATE).accepted


def test_a_link_that_breaks_during_cool_down_does_not_leave_the_heater_on() -> None:
    bench = operating()
    bench.ask(AmplifierRequest.OFF)
    bench.run(10 * S)
    bench.lose("amp")
    bench.run(300 * S)
    back_us = bench.now_us
    bench.connect("amp")
    bench.run(2 * S)

    switched_off = [each for each in bench.answered if each.command.name is CommandName.AMPLIFIER_OFF]
    assert [each.result for each in switched_off if each.at_us >= back_us] == [Result.ACKNOWLEDGED]
    assert bench.state.amplifier == Off()


def test_a_tank_that_was_lost_is_no_reason_to_inhibit_where_no_tank_is_needed() -> None:
    """30 m is barefoot: once the amplifier's box is back, its tank may rest anywhere."""
    bench = live()
    bench.tune(10_120_000)
    bench.run(S)
    bench.lose("amp")
    bench.run(S)
    bench.connect("amp")
    bench.run(2 * S)

    assert bench.is_released()


def test_a_drive_that_was_lost_is_no_reason_to_inhibit_where_none_is_asked_for() -> None:
    bench = live()
    bench.lose("amp")
    bench.connect("amp")
    bench.run(2 * S)

    assert bench.is_released()


def test_a_cool_down_out_of_sight_costs_a_whole_warm_up() -> None:
    bench = operating()
    bench.ask(AmplifierRequest.OFF)
    bench.lose("amp")
    bench.run(6 * S)
    bench.connect("amp")
    bench.run(S)
    answer = bench.ask(AmplifierRequest.ON)
    bench.run(100 * S)

    assert answer.accepted
    assert bench.ask(AmplifierRequest.OPERATE).ready_in_s == pytest.approx(80.001)


# What is told of commands


def test_every_command_is_told_with_how_well_it_is_known() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000)
    bench.run(S)

    told = [notice for notice in bench.told("command", start_us) if isinstance(notice, CommandDone)]
    assert [(str(done.command.name), done.output, done.result) for done in told] == [
        ("inhibit-transmit", "amp", Result.ACKNOWLEDGED),
        ("select-antenna", "switch", Result.ACKNOWLEDGED),
        ("recall-preset", "amp", Result.ACKNOWLEDGED),
        ("release-transmit", "amp", Result.ACKNOWLEDGED),
    ]


def test_one_of_two_switches_that_fails_makes_the_antenna_unknown() -> None:
    bench = live(outputs={"near": SWITCH, "far": SWITCH, "amp": AMPLIFIER_BOX})
    bench.failing.add("far")
    bench.tune(7_050_000)
    bench.run(2 * S)

    assert "antenna unknown: far: no acknowledgement" in bench.reasons
    assert not bench.is_released()


def test_an_answer_to_an_overtaken_command_confirms_nothing() -> None:
    """The old release is answered late; transmit has been inhibited since."""
    bench = live()
    bench.answer_us = 300 * MS
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    while "release-transmit" not in bench.names(number):
        bench.run(1 * MS)
    start_us = bench.now_us
    bench.tune(14_050_000, push=True)
    bench.run(301 * MS)

    assert bench.told("transmit-released", start_us) == []
    assert not bench.is_released()


def test_an_answer_that_nobody_waits_for_changes_nothing() -> None:
    bench = live()
    before = bench.state
    bench.tell(CommandFinished(bench.now_us, 9_999, (OutputAnswer("switch", Result.FAILED, "late"),)))

    assert replace(bench.state, now_us=before.now_us) == before


def test_an_operate_that_ends_after_the_standby_that_overtook_it_is_answered_with_standby_again() -> None:
    """Nobody knows which of them the device did last; nothing moves until both are answered."""
    bench = live()
    bench.ask(AmplifierRequest.ON)
    bench.run(181 * S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(50 * MS)
    bench.answer_us = 400 * MS
    bench.run(3 * MS)
    bench.answer_us = 1 * MS
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(300 * MS)
    assert bench.names(number) == ["amplifier-standby"]

    bench.run(100 * MS)

    assert bench.names(number)[:3] == ["amplifier-standby", "amplifier-standby", "select-antenna"]
    bench.run(2 * S)
    assert bench.is_in_operate()
    assert bench.is_released()


def test_a_release_that_ends_after_the_inhibit_that_overtook_it_is_answered_with_inhibit_again() -> None:
    bench = live()
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(380 * MS)
    bench.answer_us = 400 * MS
    bench.run(4 * MS)
    assert bench.names(number)[-1] == "release-transmit"
    bench.answer_us = 1 * MS
    number = len(bench.sent)
    bench.tune(14_050_000, push=True)
    bench.run(300 * MS)
    assert bench.names(number) == ["inhibit-transmit"]

    bench.run(200 * MS)

    assert bench.names(number)[:3] == ["inhibit-transmit", "inhibit-transmit", "select-antenna"]
    bench.run(2 * S)
    assert bench.is_released()
