"""The change-over's finer points: what shows only where everything else already allows the step.

Each was written for a change of the safety core that no other test noticed.
"""

from station_bench import MS, Bench, S, live, operating, when

from qsyd_rules.command import LimitDrive
from qsyd_rules.effect import CloseIntent, Effect, ReadRig
from qsyd_rules.event import Event
from qsyd_rules.station import Rule, Then
from qsyd_rules.words import Mode

EDGE_HZ = 14_175_000
"""Between 20m/1 and 20m/2."""


def since(bench: Bench, start_us: int) -> list[tuple[int, str]]:
    """What was sent from then on, in microseconds from then."""
    return [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us]


def questions(bench: Bench) -> list[int]:
    """When the core itself asked the rig; grows as the bench runs."""
    asked: list[int] = []

    def watch(_: Event, effects: tuple[Effect, ...]) -> None:
        asked.extend(bench.now_us for effect in effects if isinstance(effect, ReadRig))

    bench.watchers.append(watch)
    return asked


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
    asked = questions(bench)
    start_us = bench.now_us
    bench.line_us = 200 * MS
    bench.rig.mode = Mode.DATA
    bench.tune(edge_hz + 100, push=True)
    bench.run(150 * MS)

    assert since(bench, start_us) == [(0, "inhibit-transmit")]
    assert asked[0] == start_us


def test_a_target_that_two_readings_agree_on_already_costs_no_question() -> None:
    """A drift over the edge that comes to rest: the polls meanwhile have told it again."""
    bench = live()
    bench.tune(EDGE_HZ - 100)
    bench.run(S)
    asked = questions(bench)
    bench.tune(EDGE_HZ + 100, push=True)
    bench.run(S)

    assert bench.state.spot is not None
    assert bench.state.spot.segment == "20m/2"
    assert asked == []


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

    standby = next(at_us for at_us, name in since(bench, start_us) if name == "amplifier-standby")
    assert standby == 2 * S


def test_the_drive_rises_again_in_standby_too_and_costs_no_change_over() -> None:
    bench = live(Rule("data runs cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=60)
    bench.rig.mode = Mode.DATA
    bench.run(S)
    start_us = bench.now_us
    bench.rig.mode = Mode.CW
    bench.push()
    bench.run(S)

    assert since(bench, start_us) == [(0, "limit-drive")]
    assert bench.sent[-1][1] == LimitDrive(60)
