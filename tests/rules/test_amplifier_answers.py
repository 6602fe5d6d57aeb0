"""What an operator is told when asking something of the amplifier."""

import pytest
from guarded_bench import WARM_UP_US, Guarded, a_bench, warm_up
from station_bench import MS, S

from qsyd_rules.actuator import Resting
from qsyd_rules.amplifier import Hot, Line, SwitchingOn, label, ready_in_us, seconds
from qsyd_rules.effect import Answer
from qsyd_rules.event import AmplifierRequest, OperatorAsked
from qsyd_rules.words import AmplifierState, Result


def ask(bench: Guarded, request: AmplifierRequest) -> Answer:
    """Asked, and answered within the same event."""
    bench.tell(OperatorAsked(bench.now_us, 700 + len(bench.answers), request, "operator"))
    return bench.answers[-1]


@pytest.mark.parametrize(("duration_us", "shown"), [(-1, "0 s"), (0, "0 s"), (1, "1 s"), (S, "1 s"), (S + 1, "2 s")])
def test_seconds_are_whole_and_rounded_up(duration_us: int, shown: str) -> None:
    assert seconds(duration_us) == shown


def test_a_hot_tube_is_ready_now_and_in_the_path_only_with_its_relay() -> None:
    assert ready_in_us(Hot(), 5 * S) == 0
    relay = {line: Resting(line, Result.CONFIRMED, 0) for line in Line}
    assert label(Hot(), relay[Line.OPERATE], faulted=False) is AmplifierState.OPERATE
    assert label(Hot(), relay[Line.STANDBY], faulted=False) is AmplifierState.STANDBY
    assert label(Hot(), relay[Line.OPERATE], faulted=True) is AmplifierState.FAULT


def test_operate_is_refused_while_the_heater_is_just_going_on_unless_armed() -> None:
    bench = a_bench()
    bench.ask(AmplifierRequest.ON)
    assert isinstance(bench.state.amplifier, SwitchingOn)
    refused = ask(bench, AmplifierRequest.OPERATE)
    assert (refused.accepted, refused.ready_in_s) == (False, WARM_UP_US / 1e6)

    armed = ask(bench, AmplifierRequest.OPERATE_WHEN_READY)

    assert armed.accepted
    bench.run(WARM_UP_US + 2 * S)
    assert bench.state.amplifier_shown is AmplifierState.OPERATE
    bench.must_be_unobjected()


def test_the_answer_says_how_soon_and_what_happens() -> None:
    bench = a_bench()
    assert ask(bench, AmplifierRequest.STANDBY).text == "standby; the amplifier is not on"
    bench.ask(AmplifierRequest.ON)
    bench.run(S)
    assert "after the warm-up" in ask(bench, AmplifierRequest.STANDBY).text
    left = ask(bench, AmplifierRequest.OPERATE)
    assert not left.accepted
    assert left.ready_in_s is not None
    assert WARM_UP_US / 1e6 - 2 < left.ready_in_s <= WARM_UP_US / 1e6
    bench.run(WARM_UP_US)
    assert ask(bench, AmplifierRequest.STANDBY).text == "standby"
    accepted = ask(bench, AmplifierRequest.OPERATE)
    assert (accepted.accepted, accepted.text, accepted.ready_in_s) == (True, "operate", 0.0)
    bench.run(S)
    assert ask(bench, AmplifierRequest.OPERATE).text == "operate is already wished for"


def test_a_heater_by_hand_is_told_when_it_has_to_be_switched_on_and_not_else() -> None:
    bench = a_bench("heater by hand")
    assert "by hand" not in ask(bench, AmplifierRequest.STANDBY).text
    assert "by hand" in ask(bench, AmplifierRequest.ON).text
    bench.run(WARM_UP_US + S)
    assert "by hand" not in ask(bench, AmplifierRequest.OPERATE).text
    bench.run(S)
    assert bench.state.amplifier_shown is AmplifierState.OPERATE


def test_where_operate_cannot_be_the_answer_says_why_but_not_for_a_change_over_on_the_way() -> None:
    bench = a_bench()
    bench.store({})
    bench.ask(AmplifierRequest.ON)
    bench.run(WARM_UP_US + S)
    held = ask(bench, AmplifierRequest.OPERATE)
    assert held.accepted
    assert held.text.startswith("operate is wished for; it stays in standby here: no preset")
    assert ask(bench, AmplifierRequest.STANDBY).text == "standby"

    bench = a_bench()
    warm_up(bench)
    ask(bench, AmplifierRequest.STANDBY)
    bench.run(S)
    bench.tune(7_050_000, push=True)
    bench.run(120 * MS)
    assert not bench.is_released(), "changing over"
    assert ask(bench, AmplifierRequest.OPERATE).text == "operate"


@pytest.mark.parametrize(("lags_us", "taken_up"), [(800 * MS, False), (1500 * MS, True)])
def test_what_it_tells_of_its_heater_may_lag_behind_its_answer_to_off(lags_us: int, taken_up: bool) -> None:
    """For a second it is not taken as switched on again by somebody; then what it tells holds."""
    bench = a_bench(metered=True)
    warm_up(bench)
    assert ask(bench, AmplifierRequest.OFF_NOW).accepted
    bench.lie = {"state": AmplifierState.STANDBY}
    bench.run(lags_us)
    bench.lie = {}
    assert (bench.state.amplifier_shown is not AmplifierState.OFF) is taken_up
    bench.run(10 * S)

    assert bool(bench.told("fault")) is taken_up
