"""The daemon's own account of the amplifier: warm-up, standby, operate, cool-down, and what an operator may ask when."""

from dataclasses import replace

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, live, operating, station

from qsyd_rules.actuator import Unknown
from qsyd_rules.amplifier import Amplifier, CoolDown, Hot, Off, SwitchingOff, SwitchingOn, WarmUp, asked, label
from qsyd_rules.command import CommandName
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.notice import AmplifierChanged
from qsyd_rules.words import AmplifierState

ON, OFF, OFF_NOW, STANDBY, OPERATE, WHEN_READY = AmplifierRequest


def model(bench: Bench) -> Amplifier:
    return bench.state.amplifier


def states(bench: Bench, since_us: int = 0) -> list[AmplifierState]:
    return [told.state for told in bench.told("amplifier", since_us) if isinstance(told, AmplifierChanged)]


def test_warm_up_runs_its_whole_time_from_the_answer_to_heater_on() -> None:
    bench = live()
    bench.answer_us = 700 * MS
    bench.ask(ON)
    bench.run(700 * MS + 180 * S - 1)
    assert model(bench) == WarmUp(bench.now_us + 1)

    bench.run(1)

    assert model(bench) == Hot()


def test_the_way_from_off_to_operate_and_back_is_told_state_by_state() -> None:
    bench = operating()
    bench.ask(OFF)
    bench.run(121 * S)

    assert states(bench) == [
        AmplifierState.WARM_UP,
        AmplifierState.STANDBY,
        AmplifierState.OPERATE,
        AmplifierState.COOL_DOWN,
        AmplifierState.OFF,
    ]


def test_each_state_is_told_with_what_it_was_why_and_the_seconds_left() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(5 * MS)

    assert bench.told("amplifier") == [AmplifierChanged(AmplifierState.WARM_UP, AmplifierState.OFF, "heater on", 180.0)]


@pytest.mark.parametrize(("waited_us", "left_s"), [(0, 180.0), (60 * S, 120.0), (180 * S - 1, 0.000001)])
def test_operate_during_warm_up_is_refused_with_the_seconds_left(waited_us: int, left_s: float) -> None:
    bench = live()
    bench.ask(ON)
    bench.run(1 * MS + waited_us)
    answer = bench.ask(OPERATE)

    assert not answer.accepted
    assert answer.ready_in_s == pytest.approx(left_s)
    assert f"{-(-(180 * S - waited_us) // S)} s left" in answer.text


def test_a_refused_operate_is_forgotten() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(S)
    bench.ask(OPERATE)
    bench.run(200 * S)

    assert not bench.is_in_operate()
    assert not bench.state.wish


def test_armed_operate_follows_the_warm_up_by_itself() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(10 * S)
    start_us = bench.now_us
    answer = bench.ask(WHEN_READY)
    assert answer.accepted
    bench.run(180 * S)

    assert bench.is_in_operate()
    assert bench.times(CommandName.AMPLIFIER_OPERATE)[0] > start_us + 170 * S


def test_operate_may_be_armed_before_heater_on_is_answered() -> None:
    bench = live()
    bench.ask(ON)
    assert bench.ask(WHEN_READY).accepted
    bench.run(182 * S)

    assert bench.is_in_operate()


@pytest.mark.parametrize("disarm", [STANDBY, OFF, OFF_NOW])
def test_armed_operate_can_be_taken_back(disarm: AmplifierRequest) -> None:
    bench = live()
    bench.ask(ON)
    bench.run(S)
    bench.ask(WHEN_READY)
    bench.ask(disarm)
    bench.run(400 * S)

    assert bench.times(CommandName.AMPLIFIER_OPERATE) == []


def test_switching_on_again_while_on_does_not_start_the_warm_up_anew() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(100 * S)
    answer = bench.ask(ON)

    assert answer.accepted
    assert answer.ready_in_s == pytest.approx(80.001)
    assert len(bench.times(CommandName.AMPLIFIER_ON)) == 1


def test_an_amplifier_that_is_off_refuses_operate() -> None:
    bench = live()
    for request in (OPERATE, WHEN_READY):
        answer = bench.ask(request)
        assert not answer.accepted
        assert "off" in answer.text


def test_heater_on_that_is_not_answered_leaves_the_amplifier_off_with_a_warning() -> None:
    bench = live()
    bench.refusing.add(CommandName.AMPLIFIER_ON)
    bench.ask(ON)
    bench.ask(WHEN_READY)
    bench.run(300 * S)

    assert bench.state.amplifier == Off()
    assert bench.times(CommandName.AMPLIFIER_OPERATE) == []
    assert "amplifier-not-on" in [notice.code for notice in bench.told("warning")]  # type: ignore[union-attr]


def test_off_goes_to_standby_cools_down_and_only_then_takes_the_heater() -> None:
    bench = operating()
    start_us = bench.now_us
    answer = bench.ask(OFF)
    bench.run(200 * S)

    assert answer.text == "standby, then cool-down; heater off in 120 s"
    sent = [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us]
    assert (0, "amplifier-standby") in sent
    assert sent[-1] == (120 * S, "amplifier-off")


def test_off_now_skips_the_cool_down_but_not_standby() -> None:
    bench = operating()
    number = len(bench.sent)
    bench.ask(OFF_NOW)
    bench.run(S)

    names = bench.names(number)
    assert names.index("amplifier-standby") < names.index("amplifier-off")
    assert bench.state.amplifier == Off()


def test_off_now_may_cut_a_cool_down_short() -> None:
    bench = operating()
    bench.ask(OFF)
    bench.run(10 * S)
    bench.ask(OFF_NOW)
    bench.run(S)

    assert bench.state.amplifier == Off()


def test_switching_on_during_cool_down_keeps_the_warm_up_that_has_run() -> None:
    bench = operating()
    bench.ask(OFF)
    bench.run(60 * S)
    answer = bench.ask(ON)
    assert answer.accepted
    assert answer.ready_in_s == 0
    assert bench.ask(OPERATE).accepted
    bench.run(200 * S)

    assert bench.is_in_operate()
    assert bench.times(CommandName.AMPLIFIER_OFF) == []


def test_switching_on_during_the_cool_down_of_a_warm_up_goes_on_with_it() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(50 * S + 1 * MS)
    bench.ask(OFF)
    bench.run(30 * S)
    bench.ask(ON)

    assert bench.ask(OPERATE).ready_in_s == pytest.approx(100.0)


def test_a_heater_on_that_was_never_answered_is_no_warm_up_to_go_on_with() -> None:
    """Off, and on again during the cool-down: the command goes out again, and the whole time runs from its answer."""
    bench = live()
    bench.failing.add("amp")
    bench.ask(ON)
    bench.run(100 * MS)
    bench.ask(OFF)
    bench.run(2 * S)
    bench.failing.clear()
    bench.run(60 * S)
    bench.ask(ON)
    bench.run(179 * S)

    assert len(bench.times(CommandName.AMPLIFIER_ON)) == 2
    assert not bench.ask(OPERATE).accepted


def test_during_cool_down_operate_is_refused() -> None:
    bench = operating()
    bench.ask(OFF)
    bench.run(S)
    answer = bench.ask(OPERATE)

    assert not answer.accepted
    assert "cooling down" in answer.text


def test_heater_off_that_is_not_answered_is_sent_again_and_the_amplifier_is_not_called_off() -> None:
    bench = live()
    bench.ask(ON)
    bench.run(200 * S)
    bench.refusing.add(CommandName.AMPLIFIER_OFF)
    bench.ask(OFF_NOW)
    bench.run(100 * S)
    assert len(bench.times(CommandName.AMPLIFIER_OFF)) == 4
    assert states(bench)[-1] is AmplifierState.COOL_DOWN

    bench.refusing.clear()
    bench.run(31 * S)

    assert bench.state.amplifier == Off()


def test_standby_ends_the_wish_and_transmit_waits_for_the_transfer_relay() -> None:
    bench = operating()
    start_us = bench.now_us
    bench.ask(STANDBY)
    bench.run(10 * S)

    sent = [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us]
    assert sent == [(0, "inhibit-transmit"), (0, "amplifier-standby"), (31 * MS, "release-transmit")]
    assert not bench.state.wish


def test_going_to_operate_is_noted_inhibited_guarded_and_settled() -> None:
    bench = operating()
    bench.ask(STANDBY)
    bench.run(10 * S)
    start_us = bench.now_us
    bench.ask(OPERATE)
    bench.run(S)

    sent = [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us]
    assert sent == [
        (1 * MS, "inhibit-transmit"),
        (52 * MS, "amplifier-operate"),
        (83 * MS, "release-transmit"),
    ]
    assert bench.told("change-over-started", start_us) == []


def test_the_wish_survives_places_where_it_cannot_be_met() -> None:
    """10 m without an amplifier band, the loop with its low power, no preset, a stale one: barefoot and released."""
    bench = operating()
    presets = every_preset(bench.station)
    stale = replace(presets["beam", "17m/1"], low_hz=18_000_000)
    bench.store({key: each for key, each in presets.items() if key != ("beam", "15m/1")} | {("beam", "17m/1"): stale})
    for frequency_hz in (10_120_000, 21_050_000, 18_100_000):
        bench.tune(frequency_hz)
        bench.run(2 * S)
        assert not bench.is_in_operate(), frequency_hz
        assert bench.is_released(), frequency_hz

    bench.tune(14_050_000)
    bench.run(2 * S)

    assert bench.is_in_operate()


def test_operate_asked_for_where_it_cannot_be_is_accepted_and_says_what_holds_it() -> None:
    bench = operating()
    bench.ask(STANDBY)
    bench.tune(10_120_000)
    bench.run(2 * S)
    answer = bench.ask(OPERATE)

    assert answer.accepted
    assert answer.text == ("operate is wished for; it stays in standby here: the amplifier does not serve 30m")


def test_a_new_daemon_takes_the_amplifier_as_off_and_never_operates_by_itself() -> None:
    bench = live()
    bench.run(600 * S)

    assert bench.state.amplifier == Off()
    assert bench.times(CommandName.AMPLIFIER_OPERATE) == bench.times(CommandName.AMPLIFIER_ON) == []


def test_a_station_without_an_amplifier_refuses_everything_about_one() -> None:
    bench = live(amplifier=False, outputs={"switch": SWITCH})
    for request in AmplifierRequest:
        answer = bench.ask(request)
        assert (answer.accepted, answer.text) == (False, "this station has no amplifier")


def test_operate_without_a_way_back_to_standby_is_never_sent() -> None:
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.AMPLIFIER_STANDBY}})
    bench.operate()

    assert bench.times(CommandName.AMPLIFIER_OPERATE) == []


def test_where_nothing_carries_heater_on_the_warm_up_runs_from_the_request() -> None:
    """The operator switches the amplifier by hand, and tells."""
    heater = {CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OFF}
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - heater})
    bench.ask(ON)
    bench.run(180 * S - 1)
    assert not bench.ask(OPERATE).accepted
    bench.run(1)
    assert bench.ask(OPERATE).accepted
    bench.ask(OFF)
    bench.run(121 * S)
    assert bench.state.amplifier == Off()


def test_warm_up_and_cool_down_are_those_of_the_station_file() -> None:
    of = station()
    assert of.amplifier is not None
    bench = Bench(replace(of, amplifier=replace(of.amplifier, warm_up_us=7 * S, cool_down_us=3 * S)), every_preset(of))
    bench.run(S)
    bench.ask(ON)
    bench.run(7 * S + 1 * MS)
    assert model(bench) == Hot()
    bench.ask(OFF)
    bench.run(3 * S + 1 * MS)
    assert model(bench) == Off()


@pytest.mark.parametrize("request_", AmplifierRequest)
@pytest.mark.parametrize("wish", [False, True])
@pytest.mark.parametrize(
    "before",
    [
        *(Off(), SwitchingOn(1), SwitchingOn(1, armed=True), WarmUp(50 * S), WarmUp(50 * S, armed=True), Hot()),
        *(CoolDown(40 * S, 10 * S), CoolDown(40 * S, 30 * S), CoolDown(40 * S, None)),
        *(SwitchingOff(1), SwitchingOff(None, 30 * S)),
    ],
    ids=repr,
)
def test_every_request_in_every_state_has_one_safe_answer(
    before: Amplifier, wish: bool, request_: AmplifierRequest
) -> None:
    """The whole table: what may be granted, and what a request may never bring about."""
    at_us = 20 * S
    verdict = asked(before, wish, request_, at_us, 180 * S, 120 * S)

    assert verdict.text
    if verdict.wish:
        assert isinstance(verdict.model, Hot) or wish
    if isinstance(verdict.model, Hot):
        assert before == Hot() or (isinstance(before, CoolDown) and before.ready_us == 10 * S)
    if request_ in (OFF, OFF_NOW, STANDBY):
        assert verdict.accepted
        assert not verdict.wish
        assert not getattr(verdict.model, "armed", False)
    if not verdict.accepted:
        assert verdict.model == before
    if verdict.send_off:
        assert request_ is OFF_NOW
    if verdict.send_on:
        assert request_ is ON


def test_switched_on_while_it_goes_off_it_is_refused_and_wishes_for_nothing() -> None:
    verdict = asked(SwitchingOff(1), True, ON, 20 * S, 180 * S, 120 * S)

    assert (verdict.accepted, verdict.wish, verdict.send_on) == (False, False, False)


def test_a_warm_up_that_ends_this_microsecond_has_ended() -> None:
    """Within a cool-down the heater stays on, and the warm-up that it interrupted goes on counting."""
    assert asked(CoolDown(40 * S, 20 * S), False, ON, 20 * S, 180 * S, 120 * S).model == Hot()
    assert asked(CoolDown(40 * S, 20 * S + 1), False, ON, 20 * S, 180 * S, 120 * S).model == WarmUp(20 * S + 1)
    assert asked(WarmUp(20 * S), False, ON, 20 * S, 180 * S, 120 * S).ready_in_us == 0


def test_without_a_word_of_a_fault_the_label_tells_none() -> None:
    assert label(WarmUp(20 * S), Unknown()) is AmplifierState.WARM_UP
    assert label(WarmUp(20 * S), Unknown(), faulted=True) is AmplifierState.FAULT
