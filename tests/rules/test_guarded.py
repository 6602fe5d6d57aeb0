"""Core, gate and monitor together: whatever happens, nothing is ever objected to."""

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from guarded_bench import LOCKOUT, WARM_UP_US, WIRINGS, Guarded, a_bench, a_station, warm_up
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from station_bench import MS, S, every_preset

from qsyd_rules.command import (
    CommandName,
)
from qsyd_rules.event import (
    AmplifierRequest,
    FaultAcknowledged,
    Hold,
    HoldChanged,
    KeySensed,
    LockoutChanged,
    LoopStalled,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.words import AmplifierState

# Nothing is objected to


@pytest.mark.parametrize("metered", [False, True])
@pytest.mark.parametrize("wiring", WIRINGS)
def test_whole_change_overs_and_a_warm_up_are_let_pass(wiring: str, metered: bool) -> None:
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    if CommandName.AMPLIFIER_OPERATE in {name for carried in bench.outputs.values() for name in carried}:
        assert bench.is_in_operate() or (wiring == "heater by hand" and metered)  # it would say that it is off
    for frequency_hz in (7_050_000, 14_050_000, 14_300_000, 10_120_000, 5_000_000, 3_550_000, 21_050_000):
        bench.tune(frequency_hz, push=True)
        bench.run(2 * S)
        bench.key()
        bench.run(S)
        bench.unkey()
        bench.run(S)
    bench.ask(AmplifierRequest.OFF)
    bench.run(15 * S)
    bench.stop()
    bench.run(S)
    bench.must_be_unobjected()
    assert len(bench.times(CommandName.SELECT_ANTENNA)) >= 5


def test_a_stuck_key_a_fault_and_a_lockout_are_answered_in_time() -> None:
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.key()
    bench.run(40 * S)
    assert bench.state.fault is not None
    bench.unkey()
    bench.run(S)
    bench.tell(FaultAcknowledged(bench.now_us, 1, None, "operator"))
    assert bench.ask(AmplifierRequest.OPERATE).accepted
    bench.run(S)
    assert bench.is_in_operate()
    bench.tell(LockoutChanged(bench.now_us, LOCKOUT))
    bench.run(S)
    bench.tell(LockoutChanged(bench.now_us, None))
    bench.run(S)
    bench.lie["fault"] = "F7"
    bench.run(S)
    assert bench.state.fault is not None
    assert bench.state.fault.code is FaultCode.TOLD
    bench.lie.clear()
    bench.run(30 * S)
    bench.tell(FaultAcknowledged(bench.now_us, 2, None, "operator"))
    warm_up(bench)
    assert bench.is_in_operate()
    bench.must_be_unobjected()


@dataclass(frozen=True)
class Deed:
    """Something that happens to a station, in words that a failing example shows."""

    name: str
    do: Callable[[Guarded], object]

    def __repr__(self) -> str:
        return self.name


def _set(**fields: object) -> Callable[[Guarded], None]:
    def change(bench: Guarded) -> None:
        for name, value in fields.items():
            setattr(bench if hasattr(bench, name) else bench.rig, name, value)

    return change


def _toggle(bench: Guarded, output: str) -> None:
    if output in bench.outputs:
        (bench.connect if output in bench.failing else bench.lose)(output)


def _tune(bench: Guarded, frequency_hz: int) -> None:
    bench.tune(frequency_hz, push=not bench.rig.silent)


def _key(bench: Guarded, down: bool) -> None:
    bench.rig.keyed = down
    if not bench.rig.silent:
        bench.push()


def _hold(bench: Guarded, antenna: str | None, for_us: int) -> None:
    held = None if antenna is None else Hold(antenna, bench.now_us + for_us, "later", "jo")
    bench.tell(HoldChanged(bench.now_us, held, "jo"))


def _misread(bench: Guarded, frequency_hz: int) -> None:
    bench.misread_hz = frequency_hz
    if not bench.rig.silent:
        bench.push()


dials = st.sampled_from(
    [3_550_000, 7_050_000, 7_149_900, 7_150_100, 10_120_000, 14_050_000, 14_174_990, 14_176_500, 21_100_000, 5_000_000]
)
flags = st.booleans()
requests = st.sampled_from(list(AmplifierRequest))
lies = st.sampled_from(
    [
        {},
        {"forward_w": 40.0},
        {"state": AmplifierState.STANDBY},
        {"state": AmplifierState.OPERATE},
        {"state": AmplifierState.WARM_UP},
        {"state": None},
        {"fault": "F7"},
        {"tune": 5},
    ]
)
deeds = st.one_of(
    st.builds(lambda hz: Deed(f"tune({hz})", lambda b: _tune(b, hz)), dials),
    st.builds(lambda hz: Deed(f"tune({hz})", lambda b: _tune(b, hz)), dials),
    st.builds(lambda down: Deed(f"key({down})", lambda b: _key(b, down)), flags),
    st.builds(
        lambda it: Deed(f"sense({it})", lambda b: b.tell(KeySensed(b.now_us, "main", it))),
        st.sampled_from([True, False, None]),
    ),
    st.builds(lambda hz: Deed(f"misread({hz})", lambda b: _misread(b, hz)), dials),
    st.builds(lambda on, hz: Deed(f"split({on}, {hz})", _set(split=on, other_hz=hz)), flags, st.none() | dials),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: b.ask(it)), requests),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: b.ask(it)), requests),
    st.builds(
        lambda it: Deed(f"toggle({it})", lambda b: _toggle(b, it)), st.sampled_from(["switch", "amp", "permit", "box"])
    ),
    st.builds(
        lambda it: Deed(f"refuse({it})", lambda b: b.refusing.symmetric_difference_update({it})),
        st.sampled_from(list(CommandName)),
    ),
    st.builds(lambda silent: Deed(f"silent({silent})", _set(silent=silent)), flags),
    st.just(Deed("cut", lambda b: b.cut_rig())),
    st.builds(lambda f, h: Deed(f"disk(fails={f}, hangs={h})", _set(intents_fail=f, intents_hang=h)), flags, flags),
    st.builds(
        lambda us: Deed(f"answers after {us} us", _set(answer_us=us)), st.sampled_from([0, 1 * MS, 40 * MS, 400 * MS])
    ),
    st.builds(lambda it: Deed(f"lie({it})", _set(lie=it)), lies),
    st.builds(lambda it: Deed(f"mute({it})", _set(mute=it)), flags),
    st.builds(
        lambda it: Deed("acknowledge", lambda b: b.tell(FaultAcknowledged(b.now_us, 1, None, "operator", it))),
        st.sampled_from([None, "looked at"]),
    ),
    st.builds(
        lambda it: Deed(f"lockout({it})", lambda b: b.tell(LockoutChanged(b.now_us, LOCKOUT if it else None))), flags
    ),
    st.builds(
        lambda it, us: Deed(f"hold({it}, {us} us)", lambda b: _hold(b, it, us)),
        st.sampled_from(["beam", "wire", "loop", None]),
        st.sampled_from([0, 1 * S, 100 * S]),
    ),
    st.builds(
        lambda us: Deed(f"stall({us})", lambda b: b.tell(LoopStalled(b.now_us, us))), st.sampled_from([600 * MS, 6 * S])
    ),
)
pauses = st.sampled_from([0, 1, 1 * MS, 20 * MS, 51 * MS, 160 * MS, 700 * MS, 2500 * MS, 6 * S, WARM_UP_US])
histories = st.lists(st.tuples(deeds, pauses), min_size=1, max_size=30)
relaxed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@pytest.mark.parametrize("wiring", WIRINGS)
@settings(relaxed, max_examples=60)
@given(history=histories, metered=flags)
def test_no_history_makes_gate_or_monitor_object(wiring: str, history: list[tuple[Deed, int]], metered: bool) -> None:
    """Whatever happens, the core asks for nothing that the other two would not have."""
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()


@settings(relaxed, max_examples=60)
@given(history=histories)
def test_no_history_from_cold_makes_gate_or_monitor_object(history: list[tuple[Deed, int]]) -> None:
    of = a_station()
    bench = Guarded(of, every_preset(of), outputs=WIRINGS["two boxes"], poll_us=100 * MS, metered=True)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()


# Where the core once asked for what the other two refuse


def test_a_rig_that_cannot_tell_its_key_is_still_heard_lately_before_an_antenna_moves() -> None:
    bench = a_bench()
    bench.rig.keyed = None
    bench.run(S)
    bench.answer_us = 1500 * MS
    bench.tune(7_050_000, push=True)
    bench.run(200 * MS)
    bench.rig.silent = True
    bench.run(1700 * MS)
    bench.must_be_unobjected()


def test_a_gap_in_the_link_voids_a_warm_up_that_was_begun_by_hand() -> None:
    bench = a_bench("heater by hand")
    warm_up(bench)
    bench.lose("relay")
    bench.run(6 * S)
    bench.connect("relay")
    bench.run(3 * S)
    bench.must_be_unobjected()


def test_an_amplifier_that_says_off_is_not_put_into_operate() -> None:
    bench = a_bench(metered=True)
    bench.ask(AmplifierRequest.ON)
    bench.run(WARM_UP_US + S)
    bench.lie = {"state": AmplifierState.OFF}
    bench.run(300 * MS)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)
    bench.must_be_unobjected()


def test_an_amplifier_that_goes_on_saying_operate_keeps_the_antenna_where_it_is() -> None:
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.lie = {"state": AmplifierState.OPERATE}
    bench.run(S)
    bench.tune(7_050_000, push=True)
    before = len(bench.sent)
    bench.run(900 * MS)
    assert "select-antenna" not in bench.names(before)
