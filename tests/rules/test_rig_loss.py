"""A rig that falls silent or loses its link: nothing it told may be used any longer."""

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, S, live, operating

from qsyd_rules.command import CommandName
from qsyd_rules.notice import LinkLost, LinkUp, Placed


def test_a_broken_link_brings_the_safe_state_at_once() -> None:
    bench = operating()
    start_us = bench.now_us
    bench.cut_rig()

    assert bench.since(start_us) == [(0, "inhibit-transmit"), (0, "amplifier-standby")]
    assert bench.reasons[0] == "rig main: closed by the other end"
    assert bench.told("link-lost", start_us) == [LinkLost("main", "closed by the other end")]


@pytest.mark.parametrize("keyed", [False, True])
def test_silence_brings_the_safe_state_to_the_microsecond_keyed_or_not(keyed: bool) -> None:
    bench = operating()
    bench.rig.keyed = keyed
    bench.run(200 * MS)
    bench.rig.silent = True
    last_us = bench.state.rigs["main"].heard_us
    number = len(bench.sent)
    bench.run(last_us + 2 * S - bench.now_us - 1)
    assert bench.names(number) == []

    bench.run(1)

    assert bench.names(number) == ["inhibit-transmit", "amplifier-standby"]
    assert bench.reasons[0] == "rig main: no answer for 2 s"


def test_without_a_way_to_inhibit_standby_goes_out_all_the_same() -> None:
    permit = {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - permit})
    bench.operate()
    start_us = bench.now_us
    bench.cut_rig()

    assert bench.since(start_us) == [(0, "amplifier-standby")]


def test_the_antenna_stays_where_it_is() -> None:
    bench = live()
    bench.tune(7_050_000, push=True)
    bench.run(20 * MS)
    bench.cut_rig()
    number = len(bench.sent)
    bench.run(600 * S)

    assert bench.names(number) == []


def test_a_change_over_under_way_is_abandoned_and_told() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(60 * MS)
    bench.cut_rig()
    bench.run(5 * S)

    assert bench.state.change_over is None
    assert bench.intents[-1].outcome == "abandoned"  # type: ignore[union-attr]
    assert bench.told("change-over-finished", start_us) == []
    assert [notice.code for notice in bench.told("warning", start_us)] == ["change-over-abandoned"]  # type: ignore[union-attr]


def test_once_it_answers_again_the_place_is_told_anew_and_everything_returns() -> None:
    bench = operating()
    bench.cut_rig()
    bench.run(60 * S)
    start_us = bench.now_us
    bench.rig.silent = False
    bench.run(S)

    assert bench.told("link-up", start_us) == [LinkUp("main")]
    assert [type(placed) for placed in bench.told("placed", start_us)] == [Placed]
    assert bench.is_in_operate()
    assert bench.is_released()


def test_after_a_loss_transmit_is_not_released_onto_another_antenna() -> None:
    bench = live()
    bench.cut_rig()
    bench.tune(7_050_000)
    bench.run(10 * S)
    number = len(bench.sent)
    bench.rig.silent = False
    bench.run(S)

    names = bench.names(number)
    assert names.index("select-antenna") < names.index("release-transmit")


def test_after_a_loss_operate_waits_for_a_second_reading() -> None:
    bench = operating()
    bench.cut_rig()
    bench.run(S)
    bench.line_us = 300 * MS
    bench.rig.silent = False
    start_us = bench.now_us
    bench.push()
    bench.run(298 * MS)
    assert "amplifier-operate" not in [name for _, name in bench.since(start_us)]

    bench.run(2 * S)

    assert bench.is_in_operate()


def test_the_guard_counts_anew_after_a_loss() -> None:
    """Nobody knows what was keyed meanwhile."""
    bench = live()
    bench.cut_rig()
    bench.tune(7_050_000)
    bench.run(S)
    bench.rig.silent = False
    start_us = bench.now_us
    bench.push()
    bench.run(S)

    assert [at_us for at_us, name in bench.since(start_us) if name == "select-antenna"] == [50 * MS]


def test_a_link_that_cannot_be_opened_says_why_and_is_told_lost_only_once() -> None:
    bench = operating()
    start_us = bench.now_us
    bench.cut_rig("no such device")
    for _ in range(5):
        bench.run(S)
        bench.cut_rig("no such device")

    assert len(bench.told("link-lost", start_us)) == 1
    assert bench.reasons == ("rig main: no such device",)


def test_no_deadline_is_left_to_spin_on_while_the_rig_is_away() -> None:
    bench = operating()
    bench.cut_rig()
    bench.run(10 * S)
    before = bench.deadlines
    bench.run(600 * S)

    assert bench.deadlines - before <= 2
