"""The change-over's finer points: what shows only where everything else already allows the step.

Each was written for a change of the safety core that no other test noticed.
"""

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, live, operating, when

from qsyd_rules.actuator import FIRST_PAUSE_US
from qsyd_rules.command import CommandName, LimitDrive
from qsyd_rules.effect import CloseIntent, Effect, ReadRig, RecordIntent
from qsyd_rules.event import AmplifierRequest, Event, IntentRecorded
from qsyd_rules.judgement import FRESH_US
from qsyd_rules.notice import Warned
from qsyd_rules.relay_care import REFILL_US
from qsyd_rules.station import Rule, Then
from qsyd_rules.words import AmplifierState, Mode

EDGE_HZ = 14_175_000
"""Between 20m/1 and 20m/2."""
INHIBIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})


def effects_of(bench: Bench, kind: type[Effect]) -> list[int]:
    """When the core wanted an effect of this kind; grows as the bench runs."""
    wanted: list[int] = []

    def watch(_: Event, effects: tuple[Effect, ...]) -> None:
        wanted.extend(bench.now_us for effect in effects if isinstance(effect, kind))

    bench.watchers.append(watch)
    return wanted


# Which place is in force


def test_a_change_over_left_for_where_nothing_serves_closes_its_note_once_and_makes_no_other() -> None:
    bench = live()
    bench.tune(7_050_000, push=True)
    bench.run(10 * MS)
    number = len(bench.intents)
    bench.tune(14_400_000, push=True)
    bench.run(S)

    assert [type(each) for each in bench.intents[number:]] == [CloseIntent]
    assert bench.intents[-1] == CloseIntent(bench.intents[-1].intent_id, "abandoned")


def test_what_the_mode_changes_about_the_place_in_force_holds_while_the_dial_drifts_off_it() -> None:
    bench = live(Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=60)
    bench.tune(EDGE_HZ - 100)
    bench.run(S)
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.tune(EDGE_HZ + 100, push=True)
    bench.run(10 * MS)

    assert LimitDrive(25) in [command for at_us, command in bench.sent if at_us >= start_us]
    assert bench.state.target is not None
    assert bench.state.target.segment is not None
    assert bench.state.target.segment.name == "20m/1"


def test_another_antenna_for_the_place_in_force_is_a_new_target_though_the_dial_drifts() -> None:
    """By one report, in which mode and dial change together, nothing moves yet; the rig is asked again at once."""
    bench = live(Rule("loop for data", when(modes={Mode.DATA}), Then(antenna="loop")))
    edge_hz = bench.core.atlas.segments_by_name["40m/1"].high_hz
    bench.tune(edge_hz - 100)
    bench.run(2 * S)
    asked = effects_of(bench, ReadRig)
    start_us = bench.now_us
    bench.line_us = 200 * MS
    bench.rig.mode = Mode.DATA
    bench.tune(edge_hz + 100, push=True)
    bench.run(150 * MS)

    assert bench.since(start_us) == [(0, "inhibit-transmit")]
    assert asked[0] == start_us


def test_a_target_that_two_readings_agree_on_already_costs_no_question() -> None:
    """A drift over the edge that comes to rest: the polls meanwhile have told it again."""
    bench = live()
    bench.tune(EDGE_HZ - 100)
    bench.run(S)
    asked = effects_of(bench, ReadRig)
    bench.tune(EDGE_HZ + 100, push=True)
    bench.run(S)

    assert bench.state.spot is not None
    assert bench.state.spot.segment == "20m/2"
    assert asked == []


def test_a_rig_that_has_not_spoken_for_a_while_is_asked_at_once_and_its_next_poll_not_waited_for() -> None:
    bench = operating(poll_us=1500 * MS)
    assert bench.ask(AmplifierRequest.STANDBY).accepted
    while bench.now_us - bench.state.rigs["main"].told_from_us <= FRESH_US + 50 * MS:
        bench.run(10 * MS)
    asked = effects_of(bench, ReadRig)
    start_us = bench.now_us
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(200 * MS)

    assert asked[0] < start_us + 100 * MS
    assert bench.is_in_operate()


def test_an_operate_that_the_dial_overtakes_counts_as_a_move_made_for_nothing() -> None:
    """It has cost a stroke of the transfer relay: one for it, one for the change-over that takes its place."""
    bench = operating()
    assert bench.ask(AmplifierRequest.STANDBY).accepted
    bench.run(20 * S)
    number = len(bench.sent)
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    while "amplifier-operate" not in bench.names(number):
        bench.run(MS)
    spent_until_us = bench.state.care.spent_until_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.state.care.spent_until_us == spent_until_us + 2 * REFILL_US


# Where the amplifier may not be, and the drive


def test_the_two_seconds_of_a_move_within_the_band_begin_anew_with_each_move() -> None:
    bench = operating()
    bench.key()
    bench.tune(14_250_000, push=True)
    bench.run(1500 * MS)
    bench.tune(14_050_000, push=True)
    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(5 * S)

    standby = next(at_us for at_us, name in bench.since(start_us) if name == "amplifier-standby")
    assert standby == 2 * S


def test_the_drive_rises_again_in_standby_too_and_costs_no_change_over() -> None:
    bench = live(Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=60)
    bench.rig.mode = Mode.DATA
    bench.run(S)
    start_us = bench.now_us
    bench.rig.mode = Mode.CW
    bench.push()
    bench.run(S)

    assert bench.since(start_us) == [(0, "limit-drive")]
    assert bench.sent[-1][1] == LimitDrive(60)


def test_a_drive_that_may_rise_only_in_operate_holds_no_change_over_open() -> None:
    rule = Rule("softly until then", when(amplifier={AmplifierState.STANDBY}), Then(drive_w=30))
    bench = operating(rule, drive_w=75)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert [
        command.drive_w for at_us, command in bench.sent if at_us >= start_us and isinstance(command, LimitDrive)
    ] == [
        30,
        75,
    ]
    assert bench.told("change-over-finished", start_us)
    assert bench.is_in_operate()
    assert bench.is_released()


def test_within_a_change_over_the_drive_rises_in_its_turn_and_not_before_the_guard_has_run() -> None:
    bench = live(Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=60)
    bench.rig.mode = Mode.DATA
    bench.run(S)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(5 * MS)
    bench.rig.mode = Mode.CW
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (51 * MS, "limit-drive"), (52 * MS, "release-transmit")]


def test_no_drive_rises_by_one_reading() -> None:
    """Nothing else has to move here: no tank is wired."""
    rule = Rule("cool below", when(frequencies_hz=((14_000_000, EDGE_HZ),)), Then(drive_w=25))
    bench = live(rule, drive_w=60, outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.RECALL_PRESET}})
    start_us = bench.now_us
    bench.tune(EDGE_HZ + 50_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [(bench.line_us, "limit-drive")]
    assert bench.sent[-1][1] == LimitDrive(60)


def test_while_the_drive_is_being_lowered_nobody_transmits_until_it_is_answered() -> None:
    amp = AMPLIFIER_BOX - {CommandName.LIMIT_DRIVE}
    rule = Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25))
    outputs = {"switch": SWITCH, "amp": amp, "attenuator": frozenset({CommandName.LIMIT_DRIVE})}
    bench = operating(rule, drive_w=75, outputs=outputs)
    bench.failing.add("attenuator")
    bench.rig.mode = Mode.DATA
    bench.push()
    bench.run(S)

    assert not bench.is_released()
    assert bench.reasons == ("the drive is being lowered",)


def test_a_drive_limit_that_is_refused_is_told_again_to_the_microsecond() -> None:
    bench = live(Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=60)
    bench.refusing.add(CommandName.LIMIT_DRIVE)
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.push()
    bench.run(4 * S)

    times = [at_us - start_us for at_us in bench.times(CommandName.LIMIT_DRIVE) if at_us >= start_us]
    assert times == [0, FIRST_PAUSE_US + 1 * MS, 3 * FIRST_PAUSE_US + 2 * MS]


# When it begins


def test_operate_waits_until_the_dial_has_rested() -> None:
    bench = live()
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(181 * S)
    notes = effects_of(bench, RecordIntent)
    start_us = bench.now_us
    bench.tune(14_060_000, push=True)
    bench.run(10 * MS)
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)

    assert [at_us - start_us for at_us in notes] == [150 * MS]


def test_operate_waits_for_a_second_reading_of_a_new_place() -> None:
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.RECALL_PRESET}})
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(181 * S)
    notes = effects_of(bench, RecordIntent)
    bench.line_us = 400 * MS
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)

    assert [at_us - start_us for at_us in notes] == [400 * MS]


# The note of what is about to be done


def test_after_a_note_that_failed_the_next_for_operate_is_tried_five_seconds_later() -> None:
    bench = live()
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(181 * S)
    bench.intents_fail = True
    notes = effects_of(bench, RecordIntent)
    start_us = bench.now_us
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(11 * S)

    assert [at_us - start_us for at_us in notes] == [0, 5 * S + 1 * MS, 10 * S + 2 * MS]


# What moves next


def test_a_change_over_sends_no_drive_limit_that_stands_already_and_no_preset_that_is_recalled() -> None:
    bench = live(drive_w=60)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert [name for _, name in bench.since(start_us)] == [
        *("inhibit-transmit", "select-antenna", "recall-preset", "release-transmit")
    ]


@pytest.mark.parametrize(
    ("name", "at_us"), [(CommandName.SELECT_ANTENNA, 51 * MS), (CommandName.RECALL_PRESET, 82 * MS)]
)
def test_what_is_refused_is_told_again_to_the_microsecond(name: CommandName, at_us: int) -> None:
    """Each try is a change-over of its own: 1 ms for the answer, 1 ms for its note."""
    bench = live()
    bench.refusing.add(name)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(5 * S)

    times = [each - start_us for each in bench.times(name) if each >= start_us]
    assert times[:3] == [at_us, at_us + FIRST_PAUSE_US + 2 * MS, at_us + 3 * FIRST_PAUSE_US + 4 * MS]


def test_operate_follows_within_the_change_over_whose_target_was_replaced_on_the_way() -> None:
    bench = operating()
    number = len(bench.intents)
    bench.tune(7_050_000, push=True)
    bench.run(60 * MS)
    bench.tune(21_050_000, push=True)
    bench.run(2 * S)

    assert bench.is_in_operate()
    assert bench.is_released()
    notes = [each.target for each in bench.intents[number:] if isinstance(each, RecordIntent)]
    assert notes == ["wire 40m/1", "beam 15m/1"]


# Relay care


def switch_only() -> Bench:
    """A change-over takes 82 ms here; ten may begin at once."""
    bench = live(outputs={"switch": SWITCH, "amp": INHIBIT})
    bench.run(30 * S)
    return bench


def selected(bench: Bench, start_us: int) -> list[int]:
    return [at_us - start_us for at_us in bench.times(CommandName.SELECT_ANTENNA) if at_us >= start_us]


def care_warnings(bench: Bench, start_us: int) -> int:
    return sum(isinstance(told, Warned) and told.code == "relay-care" for told in bench.told("warning", start_us))


def test_ten_change_overs_begin_at_once_and_the_twelfth_waits_for_its_second() -> None:
    bench = switch_only()
    start_us = bench.now_us
    for turn in range(12):
        bench.tune(14_050_000 if turn % 2 else 7_050_000, push=True)
        bench.run(100 * MS)
    bench.run(3 * S)

    times = selected(bench, start_us)
    assert times[:11] == [number * 100 * MS + 51 * MS for number in range(11)]
    assert times[11:] == [2 * S + 1 * MS]  # its note is made first
    assert care_warnings(bench, start_us) == 1


def test_targets_that_replace_each_other_before_anything_moves_cost_the_relays_nothing() -> None:
    bench = switch_only()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(51 * MS)  # it is on its way to the wire
    for turn in range(30):
        bench.tune(7_050_000 if turn % 2 else 14_050_000, push=True)
        bench.run(1 * MS)
    bench.tune(21_050_000, push=True)
    bench.run(S)

    assert selected(bench, start_us) == [51 * MS, 83 * MS]
    assert care_warnings(bench, start_us) == 0


def test_targets_that_replace_each_other_after_the_relay_has_moved_are_counted_and_told() -> None:
    bench = switch_only()
    start_us = bench.now_us
    for turn in range(40):
        bench.tune(14_050_000 if turn % 2 else 7_050_000, push=True)
        bench.run(52 * MS)
    bench.run(5 * S)

    assert 10 <= len(selected(bench, start_us)) <= 13
    # Each time while one change-over is under way; before the next begins it need not be said again.
    assert care_warnings(bench, start_us) == 2
    assert bench.is_released()


# Notes that fail, hang or come late


def test_a_note_that_fails_at_once_holds_the_antenna_up_no_longer_than_the_guard() -> None:
    bench = switch_only()
    bench.intents_fail = True
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert selected(bench, start_us) == [51 * MS]


@pytest.mark.parametrize("error", [None, "disk full"])
def test_only_the_answer_to_the_newest_note_counts(error: str | None) -> None:
    bench = switch_only()
    bench.intents_hang = True
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(10 * MS)
    older = bench.intents[-1].intent_id
    bench.tune(21_050_000, push=True)
    bench.tune(3_550_000, push=True)
    bench.run(10 * MS)
    bench.tell(IntentRecorded(bench.now_us, older, error))
    bench.run(100 * MS)

    assert selected(bench, start_us) == []
    assert bench.told("warning", start_us) == []
    bench.tell(IntentRecorded(bench.now_us, bench.intents[-1].intent_id, None))
    assert selected(bench, start_us) == [120 * MS]


@pytest.mark.parametrize("error", [None, "disk full"])
def test_an_answer_to_a_note_whose_change_over_has_ended_changes_nothing(error: str | None) -> None:
    bench = switch_only()
    number = len(bench.sent)
    bench.tell(IntentRecorded(bench.now_us, 1, error))
    bench.run(S)

    assert bench.names(number) == []
    assert bench.told("warning", 20 * S) == []
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)
    assert selected(bench, start_us) == [51 * MS]


def test_once_a_note_is_durable_again_the_next_is_waited_for_again() -> None:
    bench = switch_only()
    bench.intents_hang = True
    bench.tune(7_050_000, push=True)
    bench.run(2 * S)
    bench.intents_hang = False
    bench.tune(14_050_000, push=True)
    bench.run(2 * S)
    bench.intents_hang = True
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(2 * S)

    assert selected(bench, start_us) == [500 * MS]


def test_operate_does_not_sit_out_its_pause_once_a_note_is_durable_again() -> None:
    bench = operating()
    bench.intents_fail = True
    bench.tune(7_050_000, push=True)
    bench.run(S)
    assert not bench.is_in_operate()
    bench.intents_fail = False
    bench.tune(21_050_000, push=True)
    bench.run(S)

    assert bench.is_in_operate()


def test_the_transfer_relay_settles_in_standby_before_it_goes_to_operate_again() -> None:
    """Nothing else has to move here, and the guard is shorter than the relay takes."""
    outputs = {"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.RECALL_PRESET}}
    bench = operating(outputs=outputs, guard_us=10 * MS, relay_settle_us=300 * MS)
    assert bench.ask(AmplifierRequest.STANDBY).accepted
    start_us = bench.now_us
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)

    assert [(at_us, name) for at_us, name in bench.since(start_us) if name.startswith("amplifier")] == [
        (0, "amplifier-standby"),
        (301 * MS, "amplifier-operate"),
    ]


def test_a_tank_that_is_sent_elsewhere_again_and_again_is_spared_too() -> None:
    bench = live(preset_settle_us=100 * MS)
    bench.run(30 * S)
    start_us = bench.now_us
    for turn in range(100):
        bench.tune(14_050_000 if turn % 2 else 14_250_000, push=True)
        bench.run(90 * MS)

    recalls = [at_us for at_us in bench.times(CommandName.RECALL_PRESET) if at_us >= start_us]
    assert 10 <= len(recalls) <= 13


# How it ends


def closings(bench: Bench, start_us: int) -> list[tuple[int, str]]:
    """When notes are closed, and as what; grows as the bench runs."""
    closed: list[tuple[int, str]] = []

    def watch(_: Event, effects: tuple[Effect, ...]) -> None:
        closed.extend((bench.now_us - start_us, each.outcome) for each in effects if isinstance(each, CloseIntent))

    bench.watchers.append(watch)
    return closed


def codes(bench: Bench, start_us: int) -> list[str]:
    return [told.code for told in bench.told("warning", start_us) if isinstance(told, Warned)]


def test_a_change_over_left_while_the_tank_moves_ends_once_it_rests() -> None:
    bench = live()
    start_us = bench.now_us
    closed = closings(bench, start_us)
    bench.tune(14_250_000, push=True)
    bench.run(100 * MS)
    bench.tune(14_400_000, push=True)
    bench.run(S)

    assert closed == [(352 * MS, "abandoned")]
    assert codes(bench, start_us) == ["change-over-abandoned"]


def test_going_to_operate_that_comes_to_nothing_is_no_change_over_to_warn_of() -> None:
    bench = live()
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(181 * S)
    start_us = bench.now_us
    closed = closings(bench, start_us)
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(10 * MS)
    bench.tune(14_400_000, push=True)
    bench.run(S)

    assert [outcome for _, outcome in closed] == ["abandoned"]
    assert codes(bench, start_us) == []


def test_going_to_operate_that_no_device_answers_is_no_change_over_to_warn_of() -> None:
    bench = live()
    assert bench.ask(AmplifierRequest.ON).accepted
    bench.run(181 * S)
    bench.refusing.add(CommandName.INHIBIT_TRANSMIT)
    start_us = bench.now_us
    closed = closings(bench, start_us)
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)

    assert closed[0][1] == "failed safe"
    assert "change-over-failed" not in codes(bench, start_us)


@pytest.mark.parametrize("at_ms", [10, 60, 200])
def test_a_stop_in_the_middle_gives_that_as_its_only_reason_and_warns_of_nothing(at_ms: int) -> None:
    bench = operating()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(at_ms * MS)
    bench.stop()
    bench.run(S)

    assert bench.reasons[0] == "the daemon is stopping"
    assert not any(reason.startswith("changing over to") for reason in bench.reasons)
    assert codes(bench, start_us) == []


def test_a_drive_that_nothing_can_limit_keeps_nobody_waiting() -> None:
    bench = operating(drive_w=60, outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.LIMIT_DRIVE}})

    assert bench.times(CommandName.LIMIT_DRIVE) == []
    assert bench.is_released()


def test_what_has_failed_and_is_not_needed_here_holds_nothing_up() -> None:
    """30 m is barefoot: the tank that refused everything may rest anywhere."""
    bench = live()
    bench.refusing.add(CommandName.RECALL_PRESET)
    bench.tune(14_250_000, push=True)
    bench.run(4 * S)
    start_us = bench.now_us
    bench.tune(10_120_000, push=True)
    bench.run(S)

    assert selected(bench, start_us) == [bench.line_us]  # inhibited already, and asked again at once
    assert bench.is_released()


def test_a_change_over_that_failed_safe_says_what_was_answered() -> None:
    bench = live()
    bench.refusing.add(CommandName.SELECT_ANTENNA)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(500 * MS)

    texts = [told.text for told in bench.told("warning", start_us) if isinstance(told, Warned)]
    assert texts == ["change-over to wire on 40m/1 failed safe: switch: refused"]
