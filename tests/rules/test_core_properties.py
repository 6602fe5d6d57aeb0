"""What holds whatever happens: random histories of dial, key, operator, devices, disk and clock, in any order.

An observer with an account of its own judges every command as it leaves (`station_observer`); afterwards the world is
healed, and the station has to come to rest where the dial is.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, station
from station_observer import Observer

from qsyd_rules.actuator import rests_at
from qsyd_rules.amplifier import Hot
from qsyd_rules.command import CommandName
from qsyd_rules.event import AmplifierRequest, FaultAcknowledged
from qsyd_rules.station import Rule, Station, Then, When
from qsyd_rules.words import AmplifierState, Mode

WARM_UP_US = 20 * S
"""Shorter than any real one, so that histories get past it."""
HEALED_WITHIN_US = 60 * S

PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
WIRINGS: dict[str, dict[str, frozenset[CommandName]]] = {
    "two boxes": {"switch": SWITCH, "amp": AMPLIFIER_BOX},
    "permit apart": {"switch": SWITCH, "permit": PERMIT, "amp": AMPLIFIER_BOX - PERMIT},
    "one box": {"box": SWITCH | AMPLIFIER_BOX},
    "unguarded": {"switch": SWITCH, "amp": AMPLIFIER_BOX - PERMIT},
    "no tank": {"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.RECALL_PRESET, CommandName.LIMIT_DRIVE}},
    "switch only": {"switch": SWITCH},
    "nothing": {},
}
RULES = (
    Rule("data runs cool", When(modes=frozenset({Mode.DATA})), Then(drive_w=25)),
    Rule("loop at night", When(bands=frozenset({"40m"}), between=((1320, 360),)), Then(antenna="loop")),
    Rule("a place to leave free", When(frequencies_hz=((14_170_000, 14_172_000),)), Then(inhibit="a beacon")),
    Rule("cool at the top", When(frequencies_hz=((21_400_000, 21_450_001),)), Then(amplifier_standby=True)),
    Rule("gently", When(amplifier=frozenset({AmplifierState.OPERATE})), Then(drive_w=60)),
)
DIALS = (
    *(3_550_000, 3_599_950, 3_700_000, 3_950_000),
    *(7_050_000, 7_149_900, 7_150_100, 7_299_990),
    *(10_120_000, 14_050_000, 14_171_000, 14_174_990, 14_175_010, 14_176_500, 14_349_990, 14_350_010),
    *(18_100_000, 21_100_000, 21_420_000, 5_000_000, 0),
)


def a_bench(wiring: str = "two boxes", *, rules: bool = True) -> Bench:
    """With rules and a drive limit, or without either."""
    plain = station(*RULES, drive_w=75) if rules else station()
    assert plain.amplifier is not None
    quick: Station = replace(plain, amplifier=replace(plain.amplifier, warm_up_us=WARM_UP_US, cool_down_us=10 * S))
    presets = every_preset(quick)
    del presets["beam", "17m/1"]
    return Bench(quick, presets, outputs=WIRINGS[wiring], poll_us=100 * MS)


def warm_up(bench: Bench) -> None:
    """On the air and, where the station can, in operate."""
    bench.run(S)
    bench.ask(AmplifierRequest.ON)
    bench.run(WARM_UP_US + S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)


@dataclass(frozen=True)
class Deed:
    """Something that happens to a station, in words that a failing example shows."""

    name: str
    do: Callable[[Bench], None]

    def __repr__(self) -> str:
        return self.name


def _set(**fields: object) -> Callable[[Bench], None]:
    def change(bench: Bench) -> None:
        for name, value in fields.items():
            setattr(bench if hasattr(bench, name) else bench.rig, name, value)

    return change


def _toggle(bench: Bench, output: str, *, link: bool) -> None:
    """A device dies or comes back, with or without its link telling so."""
    if output not in bench.outputs:
        return
    dead = output in bench.failing
    if link:
        (bench.connect if dead else bench.lose)(output)
    elif dead:
        bench.failing.discard(output)
    else:
        bench.failing.add(output)


def _misread(bench: Bench, frequency_hz: int) -> None:
    bench.misread_hz = frequency_hz
    if not bench.rig.silent:
        bench.push()


def _tune(bench: Bench, frequency_hz: int, *, push: bool) -> None:
    bench.tune(frequency_hz, push=push and not bench.rig.silent)


def _spin(bench: Bench, by_hz: int, every_us: int, times: int) -> None:
    """Turn the dial to and fro, a report at every turn."""
    for turn in range(times):
        _tune(bench, bench.rig.frequency_hz + (by_hz if turn % 2 else -by_hz), push=True)
        bench.run(every_us)


def _leap(bench: Bench, dials: list[int]) -> None:
    for frequency_hz in dials:
        _tune(bench, frequency_hz, push=True)
        bench.run(60 * MS)


def _forget(bench: Bench, place: tuple[str, str]) -> None:
    bench.store({key: preset for key, preset in bench.presets.items() if key != place})


def _key(bench: Bench, *, down: bool, push: bool) -> None:
    bench.rig.keyed = down
    if push and not bench.rig.silent:
        bench.push()


def heal(bench: Bench) -> None:
    """Everything works again, nobody keys, and the dial rests where an antenna and a preset serve."""
    bench.intents_fail = bench.intents_hang = False
    bench.refusing.clear()
    for output in bench.outputs:
        bench.failing.add(output)
        bench.connect(output)
    rig = bench.rig
    rig.silent, rig.keyed, rig.split, rig.frequency_hz = False, False, False, 14_060_000
    bench.answer_us = 1 * MS
    bench.store(every_preset(bench.station))
    bench.run(2 * S)
    if bench.state.fault is not None:  # a key that was down for three minutes; only a person leaves that
        bench.tell(FaultAcknowledged(bench.now_us, 0, None, "operator", "the key was stuck"))


def is_at_rest(bench: Bench) -> bool:
    """Whether no change-over is under way and no reason is shown, nor operate still to come."""
    state = bench.state
    wished = state.wish and isinstance(state.amplifier, Hot) and "amp" in bench.outputs
    return state.change_over is None and state.reasons is None and (bench.is_in_operate() or not wished)


def must_come_to_rest(bench: Bench) -> None:
    """Once healed: no change-over left, released, antenna and preset of the place, and operate where it is wished for."""
    heal(bench)
    healed_us = bench.now_us
    for lull_us in (S, 0):  # what comes late, such as the end of a warm-up, is given its time too
        while not is_at_rest(bench) and bench.now_us < healed_us + HEALED_WITHIN_US:
            bench.run(500 * MS)
        bench.run(lull_us)
    state, carried = bench.state, {name for names in bench.outputs.values() for name in names}
    assert state.change_over is None
    assert state.reasons is None, bench.reasons
    if CommandName.RELEASE_TRANSMIT in carried:
        assert bench.is_released()
    if CommandName.SELECT_ANTENNA in carried:
        assert rests_at(state.antenna, "beam")
    if CommandName.AMPLIFIER_OPERATE in carried:
        assert bench.is_in_operate() is (state.wish and isinstance(state.amplifier, Hot))


dials = st.sampled_from(DIALS)
flags = st.booleans()
deeds = st.one_of(
    st.builds(lambda hz, push: Deed(f"tune({hz}, push={push})", lambda b: _tune(b, hz, push=push)), dials, flags),
    st.builds(lambda hz, push: Deed(f"tune({hz}, push={push})", lambda b: _tune(b, hz, push=push)), dials, flags),
    st.builds(lambda by: Deed(f"turn({by})", lambda b: _tune(b, b.rig.frequency_hz + by, push=True)), st.integers(-1500, 1500)),
    st.builds(
        lambda by, us, times: Deed(f"spin({by}, {us}, {times})", lambda b: _spin(b, by, us, times)),
        st.integers(1, 3000),
        st.sampled_from([10 * MS, 60 * MS, 170 * MS]),
        st.integers(2, 30),
    ),
    st.builds(lambda them: Deed(f"leap({them})", lambda b: _leap(b, them)), st.lists(dials, min_size=2, max_size=12)),
    st.builds(lambda down, push: Deed(f"key({down}, push={push})", lambda b: _key(b, down=down, push=push)), flags, flags),
    st.builds(lambda hz: Deed(f"misread({hz})", lambda b: _misread(b, hz)), dials),
    st.builds(lambda on, hz: Deed(f"split({on}, {hz})", _set(split=on, other_hz=hz)), flags, st.none() | dials),
    st.builds(lambda mode: Deed(f"mode({mode})", _set(mode=mode)), st.sampled_from([Mode.CW, Mode.DATA, Mode.USB])),
    st.builds(lambda it: Deed(f"ask({it})", lambda b: void(b.ask(it))), st.sampled_from(list(AmplifierRequest))),
    st.builds(
        lambda output, link: Deed(f"toggle({output}, link={link})", lambda b: _toggle(b, output, link=link)),
        st.sampled_from(["switch", "amp", "permit", "box"]),
        flags,
    ),
    st.builds(lambda it: Deed(f"refuse({it})", lambda b: b.refusing.symmetric_difference_update({it})), st.sampled_from(list(CommandName))),
    st.builds(lambda silent: Deed(f"silent({silent})", _set(silent=silent)), flags),
    st.just(Deed("cut", lambda b: b.cut_rig())),
    st.builds(lambda f, h: Deed(f"disk(fails={f}, hangs={h})", _set(intents_fail=f, intents_hang=h)), flags, flags),
    st.builds(lambda minute: Deed(f"minute({minute})", lambda b: b.turn_minute(minute)), st.sampled_from([0, 359, 360, 1320])),
    st.builds(lambda us: Deed(f"answers after {us} us", _set(answer_us=us)), st.sampled_from([0, 1 * MS, 40 * MS, 400 * MS])),
    st.builds(lambda place: Deed(f"forget({place})", lambda b: _forget(b, place)), st.sampled_from([("beam", "20m/1"), ("wire", "40m/1")])),
)  # fmt: skip
pauses = st.sampled_from([0, 1, 1 * MS, 3 * MS, 20 * MS, 51 * MS, 160 * MS, 700 * MS, 2500 * MS, 6 * S])
histories = st.lists(st.tuples(deeds, pauses), min_size=1, max_size=30)


def void(_: object) -> None:
    """For deeds whose answer nobody looks at."""


def live_through(bench: Bench, history: list[tuple[Deed, int]]) -> None:
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)


relaxed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@pytest.mark.parametrize("wiring", WIRINGS)
@settings(relaxed, max_examples=60)
@given(history=histories, rules=flags)
def test_no_history_breaks_an_invariant_and_every_one_can_be_healed(
    wiring: str, history: list[tuple[Deed, int]], rules: bool
) -> None:
    """From cold: nothing known, nothing warm."""
    bench = a_bench(wiring, rules=rules)
    observer = Observer(bench)
    live_through(bench, history)
    must_come_to_rest(bench)
    observer.judge_relay_care()


@settings(relaxed, max_examples=600)
@given(history=histories, rules=flags)
def test_no_history_breaks_an_invariant_with_the_amplifier_in_operate(
    history: list[tuple[Deed, int]], rules: bool
) -> None:
    """The amplifier is hot and wished for, so that every move has something to lose."""
    bench = a_bench(rules=rules)
    observer = Observer(bench)
    warm_up(bench)
    assert bench.is_in_operate()
    live_through(bench, history)
    must_come_to_rest(bench)
    observer.judge_relay_care()
    event(f"operates: {min(observer.counts.operates, 5)}")
    event(f"moves: {min(observer.counts.selects, 5)}")


@settings(relaxed, max_examples=60)
@given(history=histories, afterwards=histories)
def test_a_stop_leaves_the_station_safe_whatever_came_before_and_after(
    history: list[tuple[Deed, int]], afterwards: list[tuple[Deed, int]]
) -> None:
    bench = a_bench()
    warm_up(bench)
    live_through(bench, history)
    before = len(bench.sent)
    bench.stop()
    assert bench.names(before)[:2] == ["inhibit-transmit", "amplifier-standby"]
    Observer(bench).stopping = True
    live_through(bench, afterwards)
    bench.run(5 * S)
    allowed = {"inhibit-transmit", "amplifier-standby", "amplifier-off"}  # a cool-down under way goes on to its end
    assert set(bench.names(before)) <= allowed


class Afternoon(RuleBasedStateMachine):
    """One long history, in which the world is mended now and then and the station has to recover each time."""

    @initialize(wiring=st.sampled_from(list(WIRINGS)), rules=flags, warm=flags)
    def begin(self, wiring: str, rules: bool, warm: bool) -> None:
        self.bench = a_bench(wiring, rules=rules)
        self.observer = Observer(self.bench)
        if warm:
            warm_up(self.bench)

    @rule(deed=deeds, pause_us=pauses)
    def something_happens(self, deed: Deed, pause_us: int) -> None:
        deed.do(self.bench)
        self.bench.run(pause_us)

    @rule()
    def everything_works_again(self) -> None:
        must_come_to_rest(self.bench)

    @rule()
    def the_operator_wants_to_operate(self) -> None:
        self.bench.ask(AmplifierRequest.ON)
        self.bench.run(S)
        self.bench.ask(AmplifierRequest.OPERATE_WHEN_READY)

    @rule()
    def time_passes(self) -> None:
        self.bench.run(WARM_UP_US)

    def teardown(self) -> None:
        if hasattr(self, "bench"):
            must_come_to_rest(self.bench)
            self.observer.judge_relay_care()


class TestAfternoon(Afternoon.TestCase):  # type: ignore[misc, valid-type]
    settings = settings(relaxed, max_examples=100, stateful_step_count=40)
