"""The dial moves while the rig is keyed: inhibit at once, the lesser harm for the amplifier, and never an antenna."""

from collections.abc import Callable

import pytest
from guarded_bench import a_bench, warm_up
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, live, operating, when

from qsyd_rules.command import MOVING_COMMANDS, CommandName
from qsyd_rules.effect import SendNoMore
from qsyd_rules.event import AmplifierRequest, KeySensed
from qsyd_rules.station import Rule, Then


def keyed_in_operate(*rules: Rule) -> Bench:
    bench = operating(*rules)
    bench.key()
    bench.run(10 * MS)
    return bench


def test_onto_another_band_inhibit_and_standby_go_out_at_once() -> None:
    """Full power into the wrong tank is the greater harm."""
    bench = keyed_in_operate()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(30 * S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "amplifier-standby")]


def test_off_the_band_inhibit_and_standby_go_out_at_once() -> None:
    bench = keyed_in_operate()
    start_us = bench.now_us
    bench.tune(14_360_000, push=True)
    bench.run(30 * S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "amplifier-standby")]


def test_within_the_band_standby_follows_after_two_seconds_still_keyed() -> None:
    bench = keyed_in_operate()
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(30 * S)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (2 * S, "amplifier-standby")]


def test_within_the_band_standby_follows_at_once_when_unkeyed() -> None:
    bench = keyed_in_operate()
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(700 * MS)
    bench.unkey()
    bench.run(S)

    assert bench.since(start_us) == [
        (0, "inhibit-transmit"),
        (700 * MS, "amplifier-standby"),
        (750 * MS, "recall-preset"),
        (1051 * MS, "amplifier-operate"),
        (1082 * MS, "release-transmit"),
    ]


def test_within_the_hysteresis_nothing_happens_while_the_dial_moves() -> None:
    bench = keyed_in_operate()
    bench.tune(14_174_500)
    bench.run(S)
    start_us = bench.now_us
    for turn in range(100):
        bench.tune(14_175_400 + turn % 3 * 100, push=True)
        bench.run(60 * MS)

    assert bench.since(start_us) == []
    assert bench.is_released()


def test_a_drift_over_an_edge_while_keyed_counts_its_two_seconds_from_when_it_has_come_to_rest() -> None:
    bench = keyed_in_operate()
    bench.tune(14_174_900)
    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_175_100, push=True)
    bench.run(10 * S)

    assert bench.since(start_us) == [(150 * MS, "inhibit-transmit"), (2150 * MS, "amplifier-standby")]


def test_the_change_over_waits_for_unkey_however_long_and_says_so() -> None:
    bench = live()
    bench.key()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(100 * S)
    assert bench.since(start_us) == [(0, "inhibit-transmit")]
    assert bench.reasons == ("changing over to wire on 40m/1; it waits for unkey",)
    assert bench.told("change-over-started", start_us) == []

    bench.unkey()
    bench.run(S)

    assert bench.since(start_us)[1] == (100 * S + 50 * MS, "select-antenna")
    assert bench.is_released()


def test_back_where_it_came_from_while_still_keyed_it_may_transmit_again() -> None:
    bench = live()
    bench.key()
    bench.tune(7_050_000, push=True)
    bench.run(S)
    start_us = bench.now_us
    bench.tune(14_050_000, push=True)
    bench.run(S)

    assert [name for _, name in bench.since(start_us)] == ["release-transmit"]


def test_back_from_another_band_the_amplifier_returns_to_operate_only_after_unkey() -> None:
    bench = keyed_in_operate()
    bench.tune(7_050_000, push=True)
    bench.run(S)
    bench.tune(14_050_000, push=True)
    bench.run(10 * S)
    assert not bench.is_in_operate()

    bench.unkey()
    bench.run(S)

    assert bench.is_in_operate()


@pytest.mark.parametrize("at_ms", [20, 51, 52, 60, 81])
def test_a_key_down_in_the_middle_stops_every_further_step_until_unkey(at_ms: int) -> None:
    bench = live()
    bench.tune(7_050_000, push=True)
    bench.run(at_ms * MS)
    number = len(bench.sent)
    bench.key()
    bench.run(20 * S)
    assert bench.names(number) == []
    assert not bench.is_released()

    bench.unkey()
    bench.run(S)

    assert bench.is_released()
    assert "recall-preset" in bench.names(number)


def test_a_key_down_before_operate_keeps_the_amplifier_out() -> None:
    bench = operating()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(200 * MS)
    bench.key()
    bench.run(10 * S)
    assert "amplifier-operate" not in [name for _, name in bench.since(start_us)]

    bench.unkey()
    bench.run(S)

    assert bench.is_in_operate()


def test_the_operator_may_ask_for_standby_while_keyed() -> None:
    bench = keyed_in_operate()
    start_us = bench.now_us
    bench.ask(AmplifierRequest.STANDBY)

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "amplifier-standby")]


def test_operate_asked_for_while_keyed_waits_for_unkey_and_interrupts_nothing() -> None:
    bench = operating()
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    bench.key()
    start_us = bench.now_us
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(10 * S)
    assert bench.since(start_us) == []

    bench.unkey()
    bench.run(S)

    assert bench.is_in_operate()


def test_a_key_down_while_the_note_for_operate_is_made_is_not_cut_off() -> None:
    bench = operating()
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    bench.ask(AmplifierRequest.OPERATE)
    start_us = bench.now_us
    bench.key()
    bench.run(10 * S)

    assert bench.since(start_us) == []
    assert bench.is_released()


def test_without_a_way_to_inhibit_standby_goes_out_at_once_on_any_move() -> None:
    permit = {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - permit})
    bench.operate()
    assert bench.is_in_operate()
    bench.key()
    start_us = bench.now_us
    bench.tune(14_250_000, push=True)
    bench.run(S)

    assert bench.since(start_us) == [(0, "amplifier-standby")]


def test_a_rule_that_asks_for_standby_within_the_band_waits_two_seconds_while_keyed() -> None:
    bench = keyed_in_operate(
        Rule("off the top", when(frequencies_hz=((14_100_000, 14_150_000),)), Then(amplifier_standby=True))
    )
    start_us = bench.now_us
    bench.tune(14_120_000, push=True)
    bench.run(10 * S)

    assert [at_us for at_us, name in bench.since(start_us) if name == "amplifier-standby"] == [2 * S]
    assert bench.is_released()


def test_a_rig_that_cannot_tell_its_keying_is_not_taken_as_keyed() -> None:
    bench = live()
    bench.rig.keyed = None
    bench.run(S)
    number = len(bench.sent)
    bench.tune(7_050_000)
    bench.run(S)

    assert "select-antenna" in bench.names(number)


def test_key_down_and_key_up_are_told_once_each() -> None:
    bench = live()
    start_us = bench.now_us
    bench.key()
    bench.run(S)
    bench.unkey()
    bench.run(S)

    assert [notice.event for at_us, notice in bench.notices if at_us >= start_us] == ["keyed", "unkeyed"]


def _no_more(bench: Bench) -> list[tuple[int, SendNoMore]]:
    told: list[tuple[int, SendNoMore]] = []
    bench.watchers.append(
        lambda event, effects: told.extend((event.at_us, each) for each in effects if isinstance(each, SendNoMore))
    )
    return told


def _an_antenna_command_unanswered(bench: Bench) -> None:
    bench.failing.add("switch")
    bench.tune(7_050_000, push=True)
    bench.run(100 * MS)
    assert bench.names()[-1] == "select-antenna"


@pytest.mark.parametrize("happens", [Bench.key, Bench.cut_rig, Bench.stop])
def test_command_that_moves_contacts_is_not_tried_again_once_somebody_keys_or_the_rig_is_lost(
    happens: Callable[[Bench], None],
) -> None:
    """No select-antenna, recall-preset or amplifier-operate while known to be keyed: reliability page, I2, I8 and I18."""
    bench = live()
    told = _no_more(bench)
    _an_antenna_command_unanswered(bench)
    assert told == []

    happens(bench)

    assert told == [(bench.now_us, SendNoMore(MOVING_COMMANDS))]


def test_without_such_a_command_under_way_nothing_is_withdrawn() -> None:
    bench = live()
    told = _no_more(bench)
    bench.key()
    bench.run(S)
    bench.unkey()
    bench.stop()

    assert told == []


def test_rig_that_was_keyed_and_does_not_tell_its_key_any_more_counts_as_keyed() -> None:
    """What is not known is taken as unsafe: silence about the key is no key-up."""
    bench = live()
    bench.key()
    bench.run(S)
    bench.rig.keyed = None
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(5 * S)
    assert "select-antenna" not in bench.names(number)
    assert any("it waits for unkey" in reason for reason in bench.reasons)

    bench.unkey()
    bench.run(S)

    assert "select-antenna" in bench.names(number)
    assert bench.is_released()


def test_a_sensed_line_that_is_lost_while_it_says_keyed_counts_as_keyed_until_it_is_read_again() -> None:
    """Somebody pulls the adapter in the middle of an over; the rig itself tells nothing of its key."""
    bench = a_bench(metered=False)
    warm_up(bench)
    assert bench.is_in_operate()
    bench.tell(KeySensed(bench.now_us, "main", True))
    bench.run(100 * MS)
    bench.tell(KeySensed(bench.now_us, "main", None))
    bench.run(S)
    since = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(3 * S)
    assert "select-antenna" not in bench.names(since)
    assert {"inhibit-transmit", "amplifier-standby"} <= set(bench.names(since))

    bench.tell(KeySensed(bench.now_us, "main", False))
    bench.run(3 * S)
    assert "select-antenna" in bench.names(since)
    bench.must_be_unobjected()


def test_a_sensed_line_that_was_never_read_counts_for_nothing() -> None:
    bench = a_bench(metered=False)
    warm_up(bench)
    bench.tell(KeySensed(bench.now_us, "main", None))
    bench.run(S)
    since = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(3 * S)
    assert "select-antenna" in bench.names(since)
    bench.must_be_unobjected()
