"""What holds whatever happens: random histories of dial, key, operator, devices, disk and clock, in any order.

An observer with an account of its own judges every command as it leaves (`station_observer`); afterwards the world is
healed, and the station has to come to rest where the dial is.
"""

from dataclasses import replace

import pytest
from core_deeds import Deed, deeds, flags, histories, pauses
from hypothesis import event, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule
from random_histories import lived_through
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


def live_through(bench: Bench, history: list[tuple[Deed, int]]) -> None:
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)


@pytest.mark.parametrize("wiring", WIRINGS)
@lived_through(40)
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


@lived_through(250)
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


@lived_through(40)
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
    settings = settings(lived_through(40), stateful_step_count=40)
