"""A dial that drifts, rests, jumps and chatters. 20 m has its inner edge at 14.175 MHz; hysteresis 1 kHz, rest 150 ms."""

import pytest
from station_bench import MS, Bench, S, live, operating, when

from qsyd_rules.command import CommandName, SelectAntenna
from qsyd_rules.notice import Placed
from qsyd_rules.station import Rule, Then
from qsyd_rules.words import Mode

EDGE_HZ = 14_175_000


def at(frequency_hz: int, *rules: Rule) -> Bench:
    """Resting there in operate, everything in order."""
    bench = operating(*rules)
    bench.tune(frequency_hz)
    bench.run(3 * S)
    assert bench.is_in_operate()
    assert bench.is_released()
    return bench


@pytest.mark.parametrize(
    ("start_hz", "end_hz", "acts_at_us"),
    [
        (14_174_000, 14_174_999, None),  # the last hertz below: the same segment
        (14_174_000, 14_175_000, 150_000),  # the edge belongs to the upper segment
        (14_174_000, 14_176_000, 150_000),  # past it by the hysteresis, and no more
        (14_174_000, 14_176_001, 0),  # by more
        (14_176_000, 14_175_000, None),  # the edge still belongs to the upper segment
        (14_176_000, 14_174_999, 150_000),
        (14_176_000, 14_174_000, 150_000),
        (14_176_000, 14_173_999, 0),
    ],
)
def test_rest_and_hysteresis_are_exact_in_both_directions(start_hz: int, end_hz: int, acts_at_us: int | None) -> None:
    bench = at(start_hz)
    start_us = bench.now_us
    bench.tune(end_hz, push=True)
    bench.run(149_999)
    assert bool(bench.since(start_us)) is (acts_at_us == 0)
    bench.run(2 * S)

    acted = bench.since(start_us)
    assert (acted[0] if acted else None) == (None if acts_at_us is None else (acts_at_us, "inhibit-transmit"))


@pytest.mark.parametrize("width_hz", [1, 2, 100, 999, 1_000])
def test_chatter_within_the_hysteresis_moves_nothing_however_long(width_hz: int) -> None:
    bench = at(14_174_000)
    bench.tune(EDGE_HZ - 1, push=True)
    start_us = bench.now_us
    for turn in range(600):
        bench.tune(EDGE_HZ + (width_hz if turn % 2 else -width_hz), push=True)
        bench.run(50 * MS)

    assert bench.since(start_us) == []
    assert bench.told("placed", start_us) == []


def test_the_place_is_told_once_the_drift_has_come_to_rest() -> None:
    bench = at(14_174_990)
    start_us = bench.now_us
    bench.tune(14_175_010, push=True)
    bench.run(149 * MS)
    assert bench.told("placed", start_us) == []

    bench.run(2 * MS)

    assert [placed.segment for placed in bench.told("placed", start_us) if isinstance(placed, Placed)] == ["20m/2"]


def test_chatter_wider_than_the_hysteresis_is_bounded_by_relay_care() -> None:
    bench = at(14_170_000)
    bench.run(20 * S)
    start_us = bench.now_us
    for turn in range(400):
        bench.tune(EDGE_HZ + (5_000 if turn % 2 else -5_000), push=True)
        bench.run(100 * MS)

    assert 0 < len([name for _, name in bench.since(start_us) if name == "recall-preset"]) <= 10 + 40
    assert "select-antenna" not in [name for _, name in bench.since(start_us)]


@pytest.mark.parametrize("period_ms", [10, 30, 50, 100, 140])
def test_chatter_over_a_band_edge_takes_the_amplifier_out_once_and_leaves_it_out(period_ms: int) -> None:
    """Out of the band nothing serves: standby at once. It comes back only when the dial rests in the band."""
    bench = at(14_349_000)
    start_us = bench.now_us
    for turn in range(200):
        bench.tune(14_350_000 + turn % 2, push=True)
        bench.run(period_ms * MS)
    sent = [name for _, name in bench.since(start_us)]
    assert sent.count("amplifier-standby") == 1
    assert {"amplifier-operate", "select-antenna", "recall-preset"}.isdisjoint(sent)

    bench.tune(14_350_000, push=True)
    bench.run(S)

    assert bench.is_in_operate()


@pytest.mark.parametrize("period_ms", [15, 30, 55, 90, 170, 400])
@pytest.mark.parametrize("pause_ms", [0, 203, 215, 300])
def test_the_transfer_relay_is_bounded_for_any_chatter_over_a_band_edge(period_ms: int, pause_ms: int) -> None:
    """Pauses that let the amplifier just begin to go to operate (at 203 ms) are the worst."""
    bench = at(14_349_000)
    bench.run(20 * S)
    start_us = bench.now_us
    for turn in range(300):
        bench.tune(14_350_000 + turn % 2, push=True)
        bench.run(period_ms * MS)
        if pause_ms and turn % 40 == 0:
            bench.run(pause_ms * MS)
    seconds = (bench.now_us - start_us) / S

    assert len([name for _, name in bench.since(start_us) if name == "amplifier-operate"]) <= 10 + seconds


def test_a_dial_that_leaves_the_band_just_after_operate_gets_it_back_only_at_rest() -> None:
    """The same change-over is still under way then; it is not to go to operate a second time."""
    bench = at(14_349_000)
    bench.tune(14_350_001, push=True)
    bench.run(S)
    number = len(bench.sent)
    bench.tune(14_350_000, push=True)
    while "amplifier-operate" not in bench.names(number):
        bench.run(1 * MS)
    bench.run(5 * MS)
    bench.tune(14_350_001, push=True)
    bench.run(5 * MS)
    number = len(bench.sent)
    for turn in range(200):
        bench.tune(14_350_000 - turn % 2, push=True)
        bench.run(10 * MS)
    assert "amplifier-operate" not in bench.names(number)

    bench.run(S)

    assert bench.is_in_operate()


def test_chatter_over_the_edge_of_an_antenna_rule_moves_nothing() -> None:
    bench = live(Rule("low part", when(frequencies_hz=((7_000_000, 7_050_000),)), Then(antenna="loop")))
    bench.tune(7_050_500)
    bench.run(2 * S)
    bench.tune(7_050_100, push=True)
    start_us = bench.now_us
    for turn in range(300):
        bench.tune(7_050_000 + (300 if turn % 2 else -300), push=True)
        bench.run(60 * MS)
    assert bench.since(start_us) == []

    bench.tune(7_049_900, push=True)
    bench.run(S)

    assert SelectAntenna("main", "loop", 3) in [command for _, command in bench.sent]


def test_chatter_over_the_edge_of_an_inhibit_rule_inhibits_and_moves_nothing() -> None:
    bench = at(14_100_000, Rule("beacon", when(frequencies_hz=((14_099_000, 14_099_500),)), Then(inhibit="a beacon")))
    start_us = bench.now_us
    for turn in range(100):
        bench.tune(14_099_500 - turn % 2, push=True)
        bench.run(60 * MS)

    assert {name for _, name in bench.since(start_us)} == {"inhibit-transmit", "release-transmit"}
    assert bench.is_in_operate()


def test_a_slow_turn_through_a_whole_band_moves_the_tank_once_a_segment() -> None:
    """80 m has five segments: from one end to the other in steps of 200 Hz, 20 ms each."""
    bench = live()
    bench.tune(3_500_000)
    bench.run(S)
    number = len(bench.sent)
    for frequency_hz in range(3_500_000, 4_000_001, 200):
        bench.tune(frequency_hz, push=True)
        bench.run(20 * MS)
    bench.run(S)

    assert bench.names(number).count("recall-preset") == 4
    assert bench.is_released()


def test_a_jump_inside_the_band_acts_at_once() -> None:
    bench = at(14_050_000)
    start_us = bench.now_us
    bench.tune(14_300_000, push=True)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "amplifier-standby")]


def test_a_change_over_is_not_held_up_by_a_dial_that_chatters_over_an_edge() -> None:
    """Arriving exactly at an edge: every reading tells another segment, all of them within the hysteresis."""
    bench = live(poll_us=30 * MS)
    bench.tune(7_050_000)
    bench.run(2 * S)
    start_us = bench.now_us
    for turn in range(40):
        bench.tune(EDGE_HZ + (50 if turn % 2 else -50))
        bench.run(30 * MS)

    assert bench.is_released()
    assert [name for _, name in bench.since(start_us)].count("recall-preset") == 1


def test_what_mode_or_presets_change_does_not_wait_for_the_dial_to_rest() -> None:
    bench = at(14_174_500, Rule("data barefoot", when(modes={Mode.DATA}), Then(amplifier_standby=True)))
    bench.tune(14_175_300, push=True)
    bench.run(10 * MS)
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.tune(14_175_200, push=True)

    assert (0, "amplifier-standby") in bench.since(start_us)


def test_a_lower_drive_holds_at_once_for_a_dial_that_drifts() -> None:
    bench = operating(Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25)), drive_w=75)
    bench.tune(14_174_900)
    bench.run(S)
    bench.tune(14_175_100, push=True)
    start_us = bench.now_us
    bench.rig.mode = Mode.DATA
    bench.tune(14_175_200, push=True)

    assert (0, "limit-drive") in bench.since(start_us)


def test_hysteresis_and_rest_are_those_of_the_station_file() -> None:
    bench = live(hysteresis_hz=200, rest_us=500 * MS)
    bench.tune(14_174_990)
    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_175_200, push=True)
    bench.run(499 * MS)
    assert bench.since(start_us) == []
    bench.run(2 * MS)
    assert bench.times(CommandName.INHIBIT_TRANSMIT)[-1] == start_us + 500 * MS

    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_174_799, push=True)
    assert bench.since(start_us) == [(0, "inhibit-transmit")]


def test_no_frequency_lies_at_rest_between_two_places() -> None:
    """Wherever the dial comes to rest, what is in force a second later is the place of that frequency."""
    bench = live()
    for frequency_hz in (7_149_999, 7_150_000, 7_150_001, 3_599_999, 3_600_000, EDGE_HZ - 1, EDGE_HZ, EDGE_HZ + 1):
        bench.tune(frequency_hz)
        bench.run(S)
        segment = next(each for each in bench.station.segments if frequency_hz in each)
        assert bench.state.spot is not None
        assert bench.state.spot.segment == segment.name
