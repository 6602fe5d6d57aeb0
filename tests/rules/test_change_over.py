"""A change-over in its order and with its waits, on a virtual clock: commands are answered after exactly one millisecond."""

from dataclasses import replace

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, live, operating, when

from qsyd_rules.command import CommandName, LimitDrive, RecallPreset, SelectAntenna
from qsyd_rules.effect import Actuate, CloseIntent, ReadRig, RecordIntent
from qsyd_rules.event import AmplifierRequest, CommandFinished, OutputAnswer
from qsyd_rules.notice import ChangeOverFinished, ChangeOverStarted, Placed, Positions, Spot, TransmitInhibited
from qsyd_rules.station import Rule, Then
from qsyd_rules.words import AmplifierState, Mode, Result


def test_a_change_over_takes_its_steps_in_order_and_no_wait_is_cut_short() -> None:
    """Waits count from the answer: 1 + 50 guard, 1 + 30 relay, 1 + 300 tank, 1 + 30 transfer relay, 1 release."""
    bench = operating()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)

    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (0, "amplifier-standby"),
        (51 * MS, "select-antenna"),
        (82 * MS, "recall-preset"),
        (383 * MS, "amplifier-operate"),
        (414 * MS, "release-transmit"),
    ]
    assert bench.told("change-over-finished", start_us) == [ChangeOverFinished(415.0, "wire", "40m/1")]


def test_it_is_told_what_was_decided_before_anything_moves_and_once_it_is_done() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    placed = Placed("main", "40m", "40m/1", "wire", 2, Positions(105, 205), ())

    assert [notice for at_us, notice in bench.notices if at_us == start_us and notice.event != "frequency"] == [
        placed,
        ChangeOverStarted(Spot("beam", "20m/1"), Spot("wire", "40m/1")),
        TransmitInhibited(("changing over to wire on 40m/1",)),
    ]
    bench.run(S)
    ends = [notice.event for _, notice in bench.notices[-3:]]
    assert ends == ["command", "transmit-released", "change-over-finished"]


def test_the_devices_are_told_which_port_and_which_positions() -> None:
    bench = live()
    number = len(bench.sent)
    bench.tune(7_050_000)
    bench.run(S)

    commands = [command for _, command in bench.sent[number:]]
    assert SelectAntenna("main", "wire", 2) in commands
    assert RecallPreset("wire", "40m/1", 105, 205) in commands


@pytest.mark.parametrize("frequency_hz", [14_000_000, 14_050_001, 14_174_999])
def test_nothing_at_all_is_sent_inside_a_segment(frequency_hz: int) -> None:
    bench = operating()
    start_us = bench.now_us
    bench.tune(frequency_hz)

    bench.run(5 * S)

    assert bench.since(start_us) == []
    assert {notice.event for at_us, notice in bench.notices if at_us >= start_us} == {"frequency"}


def test_the_same_antenna_costs_no_relay() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (51 * MS, "recall-preset"),
        (352 * MS, "release-transmit"),
    ]


def test_a_tank_that_is_right_already_costs_no_motor() -> None:
    """30 m is barefoot: the tank is still where 20 m left it."""
    bench = live()
    bench.tune(10_120_000)
    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (51 * MS, "select-antenna"),
        (82 * MS, "release-transmit"),
    ]


def test_the_amplifier_alone_goes_to_standby_where_only_the_preset_is_missing() -> None:
    """Same antenna, nothing to recall: one move of the transfer relay, and transmit waits for it to settle."""
    bench = operating()
    bench.store({key: preset for key, preset in bench.presets.items() if key != ("beam", "20m/2")})
    bench.run(10 * MS)
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (0, "amplifier-standby"),
        (31 * MS, "release-transmit"),
    ]


def test_drive_and_preset_go_out_together_after_the_antenna() -> None:
    bench = live(drive_w=75)
    bench.store({key: replace(preset, drive_w=40) for key, preset in bench.presets.items() if key[0] == "wire"})
    bench.run(10 * MS)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us)[1:4] == [
        (51 * MS, "select-antenna"),
        (82 * MS, "recall-preset"),
        (82 * MS, "limit-drive"),
    ]


def test_only_the_drive_is_lowered_where_nothing_else_changes() -> None:
    """Transmit is inhibited until the lower drive is in force; the amplifier stays in operate."""
    bench = operating(Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=75)
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.push()
    bench.run(S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "limit-drive"), (1 * MS, "release-transmit")]
    assert bench.told("transmit-inhibited", start_us) == [TransmitInhibited(("the drive is being lowered",))]
    assert bench.is_in_operate()


def test_only_the_drive_is_raised_without_inhibiting_anything() -> None:
    bench = operating(Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=75)
    bench.rig.mode = Mode.DATA
    bench.run(S)
    start_us = bench.now_us
    bench.rig.mode = Mode.CW
    bench.push()
    bench.run(S)

    assert [command for at_us, command in bench.sent if at_us >= start_us] == [LimitDrive(75)]


def test_the_drive_is_lowered_at_once_even_into_a_transmission() -> None:
    bench = operating(Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=75)
    bench.key()
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.push()
    bench.run(S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "limit-drive"), (1 * MS, "release-transmit")]


def test_the_drive_is_not_raised_into_a_transmission() -> None:
    bench = operating(Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=75)
    bench.rig.mode = Mode.DATA
    bench.run(S)
    start_us = bench.now_us
    bench.rig.mode = Mode.CW
    bench.key()
    bench.run(5 * S)
    assert bench.since(start_us) == []

    bench.unkey()
    assert bench.since(start_us) == [(5 * S, "limit-drive")]


@pytest.mark.parametrize("amplifier_limit_w", [None, 75])
def test_a_drive_rule_about_operate_itself_neither_loops_nor_hangs(amplifier_limit_w: int | None) -> None:
    bench = operating(
        Rule("gently", when(amplifier={AmplifierState.OPERATE}), Then(drive_w=60)), drive_w=amplifier_limit_w
    )
    number = len(bench.sent)
    bench.run(60 * S)

    assert bench.names(number) == []
    assert LimitDrive(60) in [command for _, command in bench.sent]


# The guard


def test_the_guard_counts_from_the_answer_to_inhibit() -> None:
    bench = live()
    bench.answer_us = 40 * MS
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us)[:2] == [(0, "inhibit-transmit"), (90 * MS, "select-antenna")]


def test_waits_count_from_the_arrival_of_an_answer_though_the_daemon_comes_to_it_later() -> None:
    """And not from before it: what is settled by then goes on at once, what is not goes on when it has."""
    times: list[list[int]] = []
    for late_us in (0, 5 * MS, 20 * MS):
        bench = live()
        bench.late_us = late_us
        start_us = bench.now_us
        bench.tune(7_050_000)
        bench.run(1 * S)
        assert bench.is_released()
        times.append([at_us - start_us for at_us, _ in bench.since(start_us)])

    assert times[0] == times[1] == times[2]


def test_an_answer_that_waited_long_makes_no_older_word_of_the_rig_do() -> None:
    """The daemon stood still: the guard is over by the answer's own time, and nobody knows whether the rig was keyed since."""
    bench = live()
    bench.late_us = 10 * S  # this test tells of the answer itself
    bench.tune(7_050_000)
    bench.run(100 * MS)
    (number,) = bench.state.commands
    answered_us, heard_us = bench.now_us, bench.now_us + 1200 * MS
    answer = CommandFinished(heard_us, number, (OutputAnswer("amp", Result.ACKNOWLEDGED),), answered_us)

    _, effects = bench.core.step(bench.state, answer)

    assert not [effect for effect in effects if isinstance(effect, Actuate)]
    assert [effect for effect in effects if isinstance(effect, ReadRig)]


def test_the_guard_counts_from_the_last_unkey_where_that_is_later() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(20 * MS)
    bench.key()
    bench.run(180 * MS)
    bench.unkey()
    bench.run(S)

    assert bench.since(start_us)[:2] == [(0, "inhibit-transmit"), (250 * MS, "select-antenna")]


def test_the_guard_begins_anew_with_every_key_down() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    for _ in range(20):
        bench.key()
        bench.run(10 * MS)
        bench.unkey()
        bench.run(40 * MS)

    assert bench.since(start_us) == [(0, "inhibit-transmit")]
    bench.run(20 * MS)
    assert bench.since(start_us)[1] == (1000 * MS + 10 * MS, "select-antenna")


def test_a_step_that_is_overdue_is_taken_with_whatever_comes_first() -> None:
    """The loop was held up: a reading that tells nothing new arrives in the place of the wake-up."""
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(40 * MS)
    bench.now_us = start_us + 60 * MS
    bench.push()

    assert bench.since(start_us)[1] == (60 * MS, "select-antenna")


def test_without_a_way_to_inhibit_the_guard_counts_from_the_first_report() -> None:
    permit = {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - permit})
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [(50 * MS, "select-antenna"), (81 * MS, "recall-preset")]


def test_all_waits_are_those_of_the_station_file() -> None:
    bench = live(guard_us=7 * MS, relay_settle_us=11 * MS, preset_settle_us=13 * MS)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (8 * MS, "select-antenna"),
        (20 * MS, "recall-preset"),
        (34 * MS, "release-transmit"),
    ]


# The second reading


def test_a_false_reading_followed_by_the_true_one_moves_nothing() -> None:
    bench = live()
    start_us = bench.now_us
    bench.misread_hz = 7_050_000
    bench.push()
    bench.run(S)

    assert [name for _, name in bench.since(start_us)] == ["inhibit-transmit", "release-transmit"]
    assert bench.told("change-over-finished", start_us) == [ChangeOverFinished(5.0, "beam", "20m/1")]


def test_a_false_reading_takes_the_amplifier_out_and_nothing_else() -> None:
    """Standby waits for no second reading; it is back in operate once the dial has rested."""
    bench = operating()
    start_us = bench.now_us
    bench.misread_hz = 7_050_000
    bench.push()
    bench.run(S)

    names = [name for _, name in bench.since(start_us)]
    assert "select-antenna" not in names
    assert "recall-preset" not in names
    assert bench.is_in_operate()
    assert bench.is_released()


def test_a_false_reading_of_the_origin_releases_nothing_while_the_change_over_goes_on() -> None:
    """The rig is on 40 m all the time: one reading that says 20 m is no reason to let it transmit into the beam."""
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(20 * MS)
    bench.misread_hz = 14_050_000
    bench.push()
    bench.run(S)

    assert [name for _, name in bench.since(start_us)] == [
        "inhibit-transmit",
        "select-antenna",
        "recall-preset",
        "release-transmit",
    ]


def test_the_rig_is_asked_again_at_once_and_not_at_the_next_poll() -> None:
    bench = live(poll_us=900 * MS)
    bench.run(900 * MS)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(500 * MS)

    assert bench.since(start_us)[1] == (51 * MS, "select-antenna")


def test_nothing_moves_before_the_rig_has_answered_again() -> None:
    """Its line is slow; what it repeats unasked is no second reading, for it may be an old report in a buffer."""
    bench = live(poll_us=900 * MS)
    bench.run(900 * MS)
    bench.line_us = 400 * MS
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(100 * MS)
    bench.push()
    bench.run(S)

    assert bench.since(start_us)[:2] == [(0, "inhibit-transmit"), (400 * MS, "select-antenna")]


def moved_with_a_late_rig(for_us: int) -> tuple[Bench, int]:
    """A change of band, and then so long with a rig that answers too late; the bench, and when the dial moved."""
    bench = live()
    bench.rig.late_us = 800 * MS
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(for_us)
    return bench, start_us


def test_it_is_told_that_the_rigs_answers_come_too_late_to_move_anything() -> None:
    """Over a slow network nothing moves, for the rig may have been keyed since it was asked; a wait that is short is not told."""
    bench, start_us = moved_with_a_late_rig(60 * S)

    assert [name for _, name in bench.since(start_us)] == ["inhibit-transmit"]
    told = bench.told("transmit-inhibited", start_us)
    assert [notice.reasons for notice in told if isinstance(notice, TransmitInhibited)] == [
        ("changing over to wire on 40m/1",),
        ("changing over to wire on 40m/1; it waits for an answer of the rig that comes within 0.6 s",),
    ]

    bench.rig.late_us = 0
    bench.run(2 * S)
    assert bench.is_released()


def test_a_rig_that_is_late_for_a_moment_is_not_told_of() -> None:
    bench, start_us = moved_with_a_late_rig(1 * S)
    bench.rig.late_us = 0
    bench.run(2 * S)

    assert len(bench.told("transmit-inhibited", start_us)) == 1
    assert bench.is_released()


def test_an_answer_to_a_question_asked_before_the_first_report_is_no_second_reading() -> None:
    bench = live(poll_us=900 * MS)
    bench.run(900 * MS)
    bench.line_us = 400 * MS
    bench.run(840 * MS)  # a poll has asked 50 ms ago
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us)[1] == (400 * MS, "select-antenna")


# The note of what is about to be done


def test_nothing_moves_before_the_note_is_durable() -> None:
    bench = live()
    bench.intents_hang = True
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(499 * MS)
    assert bench.since(start_us) == [(0, "inhibit-transmit")]

    bench.run(1 * MS)

    assert bench.since(start_us)[1] == (500 * MS, "select-antenna")
    assert bench.told("warning", start_us)


def test_every_note_says_where_from_and_where_to_and_is_closed_with_its_outcome() -> None:
    bench = operating()
    bench.intents.clear()
    bench.tune(7_050_000)
    bench.run(S)

    noted, closed = bench.intents
    assert isinstance(noted, RecordIntent)
    assert (noted.origin, noted.target) == ("beam 20m/1", "wire 40m/1")
    assert closed == CloseIntent(noted.intent_id, "finished")


def test_a_new_target_is_noted_before_it_is_moved_to() -> None:
    bench = live()
    bench.intents.clear()
    bench.tune(7_050_000, push=True)
    bench.run(10 * MS)
    bench.tune(21_050_000, push=True)
    bench.run(S)

    targets = [each.target if isinstance(each, RecordIntent) else each.outcome for each in bench.intents]
    assert targets == ["wire 40m/1", "replaced", "beam 15m/1", "finished"]


@pytest.mark.parametrize("how", ["fails", "hangs"])
def test_a_dead_disk_lets_the_antenna_follow_barefoot(how: str) -> None:
    bench = operating()
    bench.intents_fail, bench.intents_hang = how == "fails", how == "hangs"
    bench.tune(7_050_000, push=True)
    start_us = bench.now_us
    bench.run(2 * S)

    names = [name for _, name in bench.since(start_us)]
    assert names == ["inhibit-transmit", "amplifier-standby", "select-antenna", "recall-preset", "release-transmit"]
    assert [notice.code for notice in bench.told("warning", start_us)] == ["intent-not-recorded"]  # type: ignore[union-attr]


@pytest.mark.parametrize("how", ["fails", "hangs"])
@pytest.mark.parametrize("dead_s", [1, 4, 6, 20, 60])
def test_no_change_over_goes_to_operate_without_a_note(how: str, dead_s: int) -> None:
    """However long the disk has been dead, and at every new target."""
    bench = operating()
    bench.intents_fail, bench.intents_hang = how == "fails", how == "hangs"
    number = len(bench.sent)
    for frequency_hz in (7_050_000, 14_050_000, 3_550_000, 21_050_000):
        bench.tune(frequency_hz, push=True)
        bench.run(dead_s * S)

    assert bench.names(number).count("select-antenna") == 4
    assert "amplifier-operate" not in bench.names(number)


@pytest.mark.parametrize("how", ["fails", "hangs"])
def test_a_dead_disk_never_interrupts_who_transmits_barefoot(how: str) -> None:
    """Operate waits and is tried again; that alone inhibits nothing, and says nothing more."""
    bench = operating()
    bench.intents_fail, bench.intents_hang = how == "fails", how == "hangs"
    bench.tune(7_050_000)
    bench.run(2 * S)
    start_us = bench.now_us
    bench.run(120 * S)

    assert bench.since(start_us) == []
    assert bench.told("warning", start_us) == []
    assert bench.state.wish


@pytest.mark.parametrize("how", ["fails", "hangs"])
def test_operate_follows_within_ten_seconds_once_the_disk_works_again(how: str) -> None:
    """D4: resumes in 10 s or less after space returns."""
    bench = operating()
    bench.intents_fail, bench.intents_hang = how == "fails", how == "hangs"
    bench.tune(7_050_000)
    bench.run(20 * S)
    assert not bench.is_in_operate()

    bench.intents_fail = bench.intents_hang = False
    bench.run(10 * S)

    assert bench.is_in_operate()


def test_a_dead_disk_delays_only_the_first_change_over() -> None:
    bench = live()
    bench.intents_hang = True
    bench.tune(7_050_000)
    bench.run(2 * S)
    start_us = bench.now_us
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert bench.since(start_us)[1] == (51 * MS, "select-antenna")


# A target that is replaced


def test_only_the_newest_target_is_served() -> None:
    bench = live()
    number = len(bench.sent)
    for frequency_hz in (7_050_000, 10_120_000, 18_100_000, 21_050_000, 3_550_000):
        bench.tune(frequency_hz, push=True)
        bench.run(10 * MS)
    bench.run(S)

    assert bench.names(number) == ["inhibit-transmit", "select-antenna", "recall-preset", "release-transmit"]
    assert [command for _, command in bench.sent[number:]][1:3] == [
        SelectAntenna("main", "wire", 2),
        RecallPreset("wire", "80m/1", 100, 200),
    ]


def test_a_target_replaced_after_the_relay_has_moved_is_left_out_of_the_tank() -> None:
    bench = live()
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(60 * MS)
    bench.tune(21_050_000, push=True)
    bench.run(S)

    assert [
        command for _, command in bench.sent[number:] if command.name in (SelectAntenna.name, RecallPreset.name)
    ] == [
        SelectAntenna("main", "wire", 2),
        SelectAntenna("main", "beam", 1),
        RecallPreset("beam", "15m/1", 111, 211),
    ]
    assert len(bench.told("change-over-started")) == len(bench.told("change-over-finished")) == 2


def test_a_relay_settles_before_it_is_sent_elsewhere() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(51 * MS)
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert [(at_us, name) for at_us, name in bench.since(start_us) if name == "select-antenna"] == [
        (51 * MS, "select-antenna"),
        (82 * MS, "select-antenna"),
    ]


def test_an_antenna_whose_selection_was_not_confirmed_is_selected_again_even_back_at_the_origin() -> None:
    bench = live()
    bench.failing.add("switch")
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(60 * MS)
    bench.failing.clear()
    bench.tune(14_050_000, push=True)
    bench.run(5 * S)

    selected = [command for _, command in bench.sent[number:] if isinstance(command, SelectAntenna)]
    assert selected == [SelectAntenna("main", "wire", 2), SelectAntenna("main", "beam", 1)]
    assert bench.is_released()


def test_back_at_the_origin_before_anything_moved_nothing_moves() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(30 * MS)
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert [name for _, name in bench.since(start_us)] == ["inhibit-transmit", "release-transmit"]


def test_a_relay_that_still_moves_is_not_released_onto_by_a_dial_that_left_and_came_back() -> None:
    """The change-over was abandoned off the band; its antenna command is still unanswered when the dial returns."""
    bench = live()
    bench.tune(7_050_000, push=True)
    bench.run(50 * MS)
    bench.answer_us = 400 * MS
    bench.run(2 * MS)
    bench.tune(5_000_000, push=True)
    bench.run(20 * MS)
    bench.tune(7_050_000, push=True)
    bench.answer_us = 1 * MS
    number = len(bench.sent)
    bench.run(300 * MS)
    assert bench.names(number) == []

    bench.run(S)

    assert bench.names(number) == ["recall-preset", "release-transmit"]


def test_a_change_over_is_told_as_finished_before_the_next_one_is_told_as_started() -> None:
    bench = live()
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    while "release-transmit" not in bench.names(number):
        bench.run(100)
    start_us = bench.now_us
    bench.tune(14_050_000, push=True)
    bench.run(S)

    told = [notice.event for at_us, notice in bench.notices if at_us >= start_us and "change-over" in notice.event]
    assert told == ["change-over-finished", "change-over-started", "change-over-finished"]


def test_going_to_operate_gives_way_to_a_change_over() -> None:
    """The reason shown is that of what is being done, and it is told as any other."""
    bench = operating()
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    start_us = bench.now_us
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(5 * MS)
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.told("transmit-inhibited", start_us) == [
        TransmitInhibited(("the amplifier is going to operate",)),
        TransmitInhibited(("changing over to wire on 40m/1",)),
    ]
    assert [type(each) for each in bench.told("change-over-started", start_us)] == [ChangeOverStarted]
    assert [type(each) for each in bench.told("change-over-finished", start_us)] == [ChangeOverFinished]
    assert bench.is_in_operate()


# Reasons


def test_reasons_do_not_change_within_a_change_over() -> None:
    bench = operating(drive_w=75)
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert bench.told("transmit-inhibited", start_us) == [TransmitInhibited(("changing over to wire on 40m/1",))]


def test_no_reason_is_shown_any_longer_once_release_is_on_its_way() -> None:
    bench = live()
    bench.answer_us = 400 * MS
    number = len(bench.sent)
    bench.tune(7_050_000)
    while "release-transmit" not in bench.names(number):
        bench.run(10 * MS)

    assert bench.reasons == ()


# Split


def test_the_frequency_that_counts_is_the_one_that_would_be_transmitted_on() -> None:
    bench = live()
    bench.rig.other_hz = 7_050_000
    number = len(bench.sent)
    bench.rig.split = True
    bench.run(S)
    assert SelectAntenna("main", "wire", 2) in [command for _, command in bench.sent[number:]]

    number = len(bench.sent)
    bench.tune(3_550_000)  # the receiver may go anywhere
    bench.run(S)
    assert bench.names(number) == []

    bench.rig.frequency_hz = 14_050_000
    bench.rig.split = False
    bench.run(S)
    assert SelectAntenna("main", "beam", 1) in [command for _, command in bench.sent[number:]]


def test_split_with_the_other_vfo_unread_inhibits_and_moves_nothing_until_it_is_read() -> None:
    bench = operating()
    start_us = bench.now_us
    bench.rig.other_hz, bench.rig.split = None, True
    bench.run(S)
    assert [name for _, name in bench.since(start_us)] == ["inhibit-transmit", "amplifier-standby"]
    assert "transmit frequency is not known" in bench.reasons[0]
    assert bench.told("frequency", start_us) == []

    bench.rig.other_hz = 7_050_000
    bench.run(S)

    assert bench.is_in_operate()
    assert bench.is_released()
    assert [notice.transmit_hz for notice in bench.told("frequency", start_us)] == [7_050_000]  # type: ignore[union-attr]


# Relay care


def test_change_overs_in_a_burst_are_spaced_out_to_one_a_second_with_a_warning() -> None:
    bench = live()
    bench.run(20 * S)
    start_us = bench.now_us
    for turn in range(200):
        bench.tune(7_050_000 if turn % 2 else 14_050_000, push=True)
        bench.run(150 * MS)

    selected = bench.times(CommandName.SELECT_ANTENNA)
    within = [at_us for at_us in selected if at_us >= start_us]
    assert 10 <= len(within) <= 10 + 30
    assert "relay-care" in [notice.code for notice in bench.told("warning", start_us)]  # type: ignore[union-attr]
    bench.run(5 * S)
    assert bench.is_released()


def test_transmit_stays_inhibited_while_a_change_over_is_held_back_for_the_relays() -> None:
    bench = live()
    for turn in range(30):
        bench.tune(7_050_000 if turn % 2 else 14_050_000, push=True)
        bench.run(150 * MS)
        if bench.is_released():
            bench.run(400 * MS)
        assert bench.is_released() is False or bench.state.change_over is None


def test_a_saved_preset_is_recalled_where_the_station_stands() -> None:
    bench = live(presets=False)
    number = len(bench.sent)
    of = live().presets
    bench.store({("beam", "20m/1"): of["beam", "20m/1"]}, ("beam", "20m/1"))
    bench.run(S)

    assert bench.names(number) == ["inhibit-transmit", "recall-preset", "release-transmit"]
    assert [notice.event for notice in bench.told("preset-saved")] == ["preset-saved"]
