"""The monitor alone, on hand-written traces: commands that must not have left.

Each trace breaks one invariant, and the trace next to it breaks none. The numbers of the invariants are those of
DEVELOPERS.md. Times are common practice, no source, except where named.
"""

import pytest
from monitor_trace import (
    BEAM,
    BEAM_20M,
    BY_HAND,
    INHIBIT,
    OPERATE,
    RELEASE,
    STANDBY,
    UNGUARDED,
    WARM_UP_US,
    WIRE,
    WIRE_40M,
    WIRING,
    barefoot,
    operating,
    ready,
    started,
)
from station_bench import MS, S

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    Command,
    HighVoltageOff,
)
from qsyd_rules.event import (
    AmplifierRequest,
    DeviceRead,
    KeySensed,
    LoopStalled,
    OutputConnected,
    OutputLost,
    SafetyTripped,
)
from qsyd_rules.readings import Readings
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import AmplifierState, Result


def test_a_whole_change_over_in_its_order_is_right() -> None:
    trace = operating()
    trace.read(7_050_000, INHIBIT, STANDBY)
    for number in (trace.number - 1, trace.number):
        trace.answer(number)
    trace.note()
    trace.wait(50 * MS)
    trace.do(WIRE)
    trace.wait(30 * MS)
    trace.do(WIRE_40M)
    trace.wait(300 * MS)
    trace.do(OPERATE)
    trace.wait(30 * MS)
    trace.do(RELEASE)
    trace.wait(300 * S)
    assert trace.wrong == []


# I1 and I3: an antenna command


@pytest.mark.parametrize(("waited_us", "wrong"), [(50 * MS, []), (50 * MS - 1, ["I1"])])
def test_antenna_waits_for_the_guard_time_since_the_inhibit_was_answered(waited_us: int, wrong: list[str]) -> None:
    trace = barefoot()
    trace.read(7_050_000, INHIBIT)
    trace.answer(trace.number)
    trace.note()
    trace.wait(waited_us)
    trace.leave(WIRE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(("waited_us", "wrong"), [(50 * MS, []), (50 * MS - 1, ["I1"])])
def test_antenna_waits_for_the_guard_time_since_key_up(waited_us: int, wrong: list[str]) -> None:
    trace = barefoot()
    trace.read(7_050_000, INHIBIT, keyed=True)
    trace.answer(trace.number)
    trace.note()
    trace.wait(S)
    trace.read(7_050_000)
    trace.wait(waited_us)
    trace.leave(WIRE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(
    ("result", "wrong"), [(Result.ACKNOWLEDGED, []), (Result.ASSUMED, []), (Result.FAILED, ["I1"]), (None, ["I1"])]
)
def test_antenna_waits_for_the_inhibit_to_be_answered(result: Result | None, wrong: list[str]) -> None:
    trace = barefoot()
    trace.read(7_050_000, INHIBIT)
    if result is not None:
        trace.answer(trace.number, result)
    trace.note()
    trace.wait(S)
    trace.leave(WIRE)
    assert trace.wrong == wrong


def test_antenna_never_moves_while_released() -> None:
    trace = barefoot()
    trace.note()
    trace.leave(BEAM)
    assert trace.wrong == ["I1"]


def test_an_inhibit_is_doubted_once_its_device_was_lost() -> None:
    trace = started()
    trace.then(OutputLost(trace.at_us, "amp", "unplugged"))
    trace.then(OutputConnected(trace.at_us, "amp"))
    trace.note()
    trace.leave(BEAM)
    assert trace.wrong == ["I1"]


def test_a_station_without_inhibit_waits_for_the_key_alone() -> None:
    trace = started(UNGUARDED)
    trace.note()
    trace.leave(BEAM)
    assert trace.wrong == []


@pytest.mark.parametrize("answered", [True, False])
def test_antenna_waits_for_standby_to_be_answered(answered: bool) -> None:
    trace = operating()
    inhibit = trace.leave(INHIBIT)
    standby = trace.leave(STANDBY)
    trace.answer(inhibit)
    if answered:
        trace.answer(standby)
    trace.note()
    trace.wait(S)
    trace.leave(BEAM)
    assert trace.wrong == ([] if answered else ["I3"])


def test_antenna_never_moves_in_operate() -> None:
    trace = operating()
    trace.do(INHIBIT)
    trace.note()
    trace.wait(S)
    trace.leave(BEAM)
    assert trace.wrong == ["I3"]


def test_an_amplifier_that_goes_on_saying_operate_keeps_the_antenna() -> None:
    trace = operating()
    trace.do(INHIBIT, STANDBY)
    trace.wait(2 * S)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.OPERATE)))
    trace.note()
    trace.leave(BEAM)
    assert trace.wrong == ["I3"]


def test_a_release_that_may_still_get_through_keeps_the_antenna() -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(S)
    release = trace.leave(RELEASE)
    trace.do(INHIBIT)
    trace.note()
    trace.wait(S)
    trace.leave(BEAM)
    assert trace.wrong == ["I1"]
    trace.answer(release)
    trace.leave(BEAM)
    assert trace.wrong == ["I1", "I1"]


# I2: keyed, by any source


@pytest.mark.parametrize("command", [BEAM, BEAM_20M, OPERATE])
@pytest.mark.parametrize("source", ["rig", "line", "power", "none"])
def test_nothing_bold_leaves_while_any_source_says_keyed(command: Command, source: str) -> None:
    trace = ready()
    match source:
        case "rig":
            trace.read(14_050_000, keyed=True)
        case "line":
            trace.then(KeySensed(trace.at_us, "main", True))
        case "power":
            trace.then(DeviceRead(trace.at_us, "amp", Readings(forward_w=10.5)))
        case _:
            trace.then(DeviceRead(trace.at_us, "amp", Readings(forward_w=9.5)))
    trace.wait(200 * MS)
    trace.leave(command)
    assert trace.wrong == ([] if source == "none" else ["I2"])


def test_forward_power_is_believed_for_as_long_as_its_readings_are() -> None:
    trace = ready()
    trace.then(DeviceRead(trace.at_us, "amp", Readings(forward_w=100.0)))
    trace.wait(S + 50 * MS - 1)
    trace.leave(BEAM)
    trace.wait(1)
    trace.leave(BEAM)
    assert trace.wrong == ["I1"]


# I4: release


@pytest.mark.parametrize(("waited_us", "wrong"), [(30 * MS, []), (30 * MS - 1, ["I4"])])
def test_release_waits_for_the_antenna_to_settle(waited_us: int, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(waited_us)
    trace.leave(RELEASE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(("waited_us", "wrong"), [(300 * MS, []), (300 * MS - 1, ["I4"])])
def test_release_waits_for_the_tank_to_settle(waited_us: int, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.wait(waited_us)
    trace.leave(RELEASE)
    assert trace.wrong == wrong


@pytest.mark.parametrize("told", [(108, 208), (108, 207)])
def test_a_tank_that_tells_its_positions_has_settled_when_it_has_arrived(told: tuple[int, int]) -> None:
    wiring = Wiring(WIRING.outputs, {"amp": Meters(frozenset({"tune", "load"}), S)})
    trace = started(wiring)
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(tune=told[0], load=told[1])))
    trace.leave(RELEASE)
    assert trace.wrong == ([] if told == (108, 208) else ["I4"])


@pytest.mark.parametrize("what", [BEAM, BEAM_20M])
def test_release_waits_for_what_is_not_answered(what: Command) -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(S)
    trace.leave(what)
    trace.wait(S)
    trace.leave(RELEASE)
    assert trace.wrong == ["I4"]


@pytest.mark.parametrize(("waited_us", "wrong"), [(30 * MS, []), (30 * MS - 1, ["I4"])])
def test_release_waits_for_the_transfer_relay(waited_us: int, wrong: list[str]) -> None:
    trace = ready()
    trace.do(OPERATE)
    trace.wait(waited_us)
    trace.leave(RELEASE)
    assert trace.wrong == wrong


def test_release_never_leaves_on_an_antenna_that_did_not_answer() -> None:
    trace = started()
    trace.note()
    trace.answer(trace.leave(BEAM), Result.FAILED)
    trace.wait(S)
    trace.leave(RELEASE)
    assert trace.wrong == ["I4"]


# I5: warm-up


@pytest.mark.parametrize(("early_us", "wrong"), [(0, []), (1, ["I5"])])
def test_operate_waits_for_the_whole_warm_up(early_us: int, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.wait(S)
    trace.do(AmplifierOn())
    trace.ask(AmplifierRequest.OPERATE_WHEN_READY)
    trace.wait(WARM_UP_US - early_us)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


def test_operate_never_leaves_with_a_heater_that_was_never_switched_on() -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == ["I5"]


@pytest.mark.parametrize("wiring", [WIRING, BY_HAND])
@pytest.mark.parametrize(("gap_us", "wrong"), [(5 * S, []), (5 * S + 1, ["I5"])])
def test_a_gap_in_the_amplifiers_link_voids_the_warm_up(wiring: Wiring, gap_us: int, wrong: list[str]) -> None:
    trace = ready(wiring)
    trace.then(OutputLost(trace.at_us, "amp", "unplugged"))
    trace.wait(gap_us)
    trace.then(OutputConnected(trace.at_us, "amp"))
    trace.do(INHIBIT, STANDBY)
    trace.wait(S)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(("stalled_us", "wrong"), [(5 * S, []), (5 * S + 1, ["I5"])])
def test_a_stall_voids_the_warm_up(stalled_us: int, wrong: list[str]) -> None:
    trace = ready()
    trace.then(LoopStalled(trace.at_us, stalled_us))
    trace.wait(S)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


def test_a_heater_that_was_off_in_between_has_not_warmed_up() -> None:
    trace = ready()
    trace.do(AmplifierOff(), AmplifierOn())
    trace.leave(OPERATE)
    assert trace.wrong == ["I5"]


@pytest.mark.parametrize(("asked", "wrong"), [(True, []), (False, ["I5"])])
def test_where_nothing_carries_the_heater_its_operators_word_counts(asked: bool, wrong: list[str]) -> None:
    trace = started(BY_HAND)
    if asked:
        trace.ask(AmplifierRequest.ON)
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(("early_us", "wrong"), [(0, []), (1, ["I5"])])
def test_an_amplifier_found_hot_has_its_warm_up_counted_from_then(early_us: int, wrong: list[str]) -> None:
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.STANDBY)))
    trace.wait(WARM_UP_US - early_us)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == wrong


@pytest.mark.parametrize(("off_us", "wrong"), [(0, []), (2 * S, []), (2 * S + 1, ["I5"])])
def test_an_amplifier_that_said_off_for_long_has_not_warmed_up(off_us: int, wrong: list[str]) -> None:
    trace = ready()
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.OFF)))
    trace.wait(off_us)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.OFF)))
    trace.wait(200 * MS)
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.STANDBY)))
    trace.leave(OPERATE)
    assert trace.wrong == wrong


def test_operate_never_leaves_while_the_amplifier_says_off() -> None:
    trace = ready()
    trace.then(DeviceRead(trace.at_us, "amp", Readings(state=AmplifierState.OFF)))
    trace.leave(OPERATE)
    assert trace.wrong == ["I5"]


# I6 and I7: faults


def test_a_shutdown_is_acknowledged_before_operate_and_costs_a_warm_up() -> None:
    trace = ready()
    trace.do(HighVoltageOff())
    trace.leave(OPERATE)
    assert trace.wrong == ["I6"]
    trace.leave(STANDBY)
    trace.acknowledge()
    trace.leave(OPERATE)
    assert trace.wrong == ["I6", "I5"]
    trace.leave(STANDBY)
    trace.do(AmplifierOn())
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == ["I6", "I5", "L1", "L1", "L1", "L1"]  # nobody answered the first four


def test_what_was_found_unsafe_bars_operate_until_acknowledged() -> None:
    trace = ready()
    trace.then(SafetyTripped(trace.at_us, "I1", "a test"))
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == ["I6"]


@pytest.mark.parametrize("accepted", [True, False], ids=["accepted", "refused"])
def test_an_acknowledgement_that_was_refused_leaves_everything_as_it_was(accepted: bool) -> None:
    trace = ready()
    trace.then(SafetyTripped(trace.at_us, "I1", "a test"), STANDBY)
    trace.answer(trace.number)
    trace.acknowledge(accepted=accepted)
    trace.ask(AmplifierRequest.OPERATE)
    trace.leave(OPERATE)
    assert trace.wrong == ([] if accepted else ["I6"])


def test_an_acknowledgement_never_commands_operate() -> None:
    trace = ready()
    trace.acknowledge(OPERATE)
    assert trace.wrong == ["I7"]
