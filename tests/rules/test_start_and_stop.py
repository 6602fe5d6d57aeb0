"""At start and at stop the devices are told the safe state; and stations that lack this or that device."""

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, live, operating, station

from qsyd_rules.command import CommandName, InhibitTransmit
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.notice import Placed, StationStarted
from qsyd_rules.state import Permit


def test_the_first_that_leaves_is_the_safe_state() -> None:
    bench = Bench(station())

    assert bench.names() == ["inhibit-transmit", "amplifier-standby"]
    assert bench.sent[0] == (0, InhibitTransmit(("the daemon has just started",)))
    assert bench.told("station-started") == [StationStarted("Marsh End")]


def test_nothing_else_leaves_until_the_rig_has_answered() -> None:
    bench = Bench(station(), every_preset(station()))
    bench.rig.silent = True
    bench.run(600 * S)

    assert bench.names() == ["inhibit-transmit", "amplifier-standby"]
    assert bench.reasons == ("rig main: no answer yet",)


def test_after_the_first_answer_the_antenna_is_selected_whatever_it_was_before() -> None:
    bench = Bench(station(), every_preset(station()))
    bench.run(S)

    assert bench.names() == [
        "inhibit-transmit",
        "amplifier-standby",
        "select-antenna",
        "recall-preset",
        "release-transmit",
    ]
    assert [notice.event for _, notice in bench.notices if notice.event in ("link-up", "placed")] == [
        "link-up",
        "placed",
    ]


def test_nothing_moves_until_the_safe_state_is_answered() -> None:
    bench = Bench(station(), every_preset(station()), answer_us=700 * MS)
    bench.run(749 * MS)
    assert bench.names() == ["inhibit-transmit", "amplifier-standby"]

    bench.run(1 * MS)

    assert bench.names()[2] == "select-antenna"


def test_a_start_keyed_waits_for_unkey() -> None:
    bench = Bench(station(), every_preset(station()))
    bench.rig.keyed = True
    bench.run(20 * S)
    assert bench.names() == ["inhibit-transmit", "amplifier-standby"]

    bench.unkey()
    bench.run(S)

    assert bench.is_released()


@pytest.mark.parametrize("frequency_hz", [0, 13_999_999, 14_350_001, 10_150_001])
def test_a_start_where_nothing_serves_stays_inhibited_and_is_told_with_nulls(frequency_hz: int) -> None:
    bench = Bench(station(), every_preset(station()))
    bench.tune(frequency_hz)
    bench.run(20 * S)

    assert bench.names() == ["inhibit-transmit", "amplifier-standby"]
    assert bench.told("placed") == [Placed("main", None, None, None, None, None, ())]
    assert "outside every band" in bench.reasons[0]


def test_back_from_where_nothing_serves_the_place_is_told_again() -> None:
    bench = live()
    start_us = bench.now_us
    bench.tune(14_350_001)
    bench.run(S)
    bench.tune(14_050_000)
    bench.run(S)

    placed = [notice.segment for notice in bench.told("placed", start_us) if isinstance(notice, Placed)]
    assert placed == [None, "20m/1"]
    assert bench.is_released()


@pytest.mark.parametrize("keyed", [False, True])
def test_a_stop_always_tells_the_safe_state_even_what_is_believed_to_hold(keyed: bool) -> None:
    bench = operating()
    bench.rig.keyed = keyed
    bench.run(S)
    bench.cut_rig()
    bench.run(S)
    number = len(bench.sent)
    bench.stop()

    assert bench.names(number) == ["inhibit-transmit", "amplifier-standby"]
    assert bench.reasons[0] == "the daemon is stopping"


@pytest.mark.parametrize("at_ms", [0, 20, 51, 60, 82, 200, 383, 384, 400, 414])
def test_a_stop_in_the_middle_of_a_change_over_moves_nothing_more(at_ms: int) -> None:
    bench = operating()
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(at_ms * MS)
    number = len(bench.sent)
    bench.stop()
    bench.run(20 * S)

    assert bench.names(number) == ["inhibit-transmit", "amplifier-standby"]
    finished = bench.told("change-over-finished", start_us)
    assert finished == [] or at_ms == 414
    assert bench.state.change_over is None


def test_nothing_is_granted_while_stopping() -> None:
    bench = operating()
    bench.stop()
    for request in AmplifierRequest:
        assert not bench.ask(request).accepted
    bench.run(300 * S)
    assert not bench.is_in_operate()


# Stations that lack something


def test_a_station_without_outputs_follows_and_says_it_is_released() -> None:
    bench = live(amplifier=False, outputs={})
    bench.tune(7_050_000)
    bench.run(S)

    assert bench.sent == []
    assert bench.state.reasons is None
    assert [placed.antenna for placed in bench.told("placed") if isinstance(placed, Placed)] == ["beam", "wire"]
    assert [notice.event for notice in bench.told("transmit-released")] == ["transmit-released"]


def test_a_station_with_only_a_switch_moves_it_after_guard_and_second_reading() -> None:
    bench = live(amplifier=False, outputs={"switch": SWITCH})
    start_us = bench.now_us
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us] == [
        (50 * MS, "select-antenna")
    ]
    assert bench.state.reasons is None


def test_a_station_with_only_a_switch_never_moves_it_while_keyed() -> None:
    bench = live(amplifier=False, outputs={"switch": SWITCH})
    bench.key()
    number = len(bench.sent)
    bench.tune(7_050_000, push=True)
    bench.run(20 * S)
    assert bench.names(number) == []
    assert bench.reasons == ("changing over to wire on 40m/1; it waits for unkey",)

    bench.unkey()
    bench.run(S)

    assert bench.names(number) == ["select-antenna"]


def test_a_station_without_an_amplifier_is_still_told_standby_where_a_device_knows_it() -> None:
    bench = live(amplifier=False)
    assert "amplifier-standby" in bench.names()
    bench.tune(7_050_000)
    bench.run(S)

    assert bench.is_released()


def test_a_device_without_an_amplifier_that_misses_one_standby_is_told_again() -> None:
    bench = Bench(station(amplifier=False))
    bench.failing.add("amp")
    bench.run(5 * S)
    bench.failing.clear()
    bench.run(31 * S)

    assert bench.is_released()


def test_a_device_that_can_only_release_is_released_and_says_so_again_after_every_loss() -> None:
    bench = live(amplifier=False, outputs={"switch": SWITCH, "permit": frozenset({CommandName.RELEASE_TRANSMIT})})
    assert bench.state.permit.value is Permit.RELEASED  # type: ignore[union-attr]
    bench.cut_rig()
    bench.run(S)
    assert bench.state.reasons
    bench.rig.silent = False
    bench.run(S)

    assert bench.state.reasons is None


def test_a_station_whose_amplifier_has_no_tank_operates_on_the_antenna_alone() -> None:
    bench = live(outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.RECALL_PRESET}})
    bench.operate()

    assert bench.is_in_operate()
    assert "recall-preset" not in bench.names()
