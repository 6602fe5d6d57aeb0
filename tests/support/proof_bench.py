"""Random afternoons on the bench, watched by three who cannot stop them: observer, gate and monitor.

The core acts alone; what gate and monitor would have objected to is only written down.
"""

import random
from collections.abc import Callable
from dataclasses import replace

from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, station
from station_observer import Observer

from qsyd_rules.command import CommandName
from qsyd_rules.effect import Actuate, Effect
from qsyd_rules.event import (
    AmplifierRequest,
    Event,
    FaultAcknowledged,
    KeySensed,
    Lockout,
    LockoutChanged,
    Started,
    TuningChanged,
)
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import Account, observe, passed, told
from qsyd_rules.monitor import Monitor, seen
from qsyd_rules.preset import Preset
from qsyd_rules.station import WithoutPreset
from qsyd_rules.tuning import Tuning

WARM_UP_US = 20 * S
LOCKOUT = Lockout("a rigger", "work on the mast", "2026-01-01T12:00:00Z")
DIALS = (14_050_000, 14_174_800, 14_175_200, 14_300_000, 7_050_000, 21_100_000, 10_120_000, 5_000_000)
DEEDS_A_HISTORY = 25
GUESSED, UNKNOWN = ("wire", "80m/3"), ("beam", "20m/1")
"""Without a preset in the evening: one that those beside it give, one that they do not."""
TUNINGS = (
    Tuning(*UNKNOWN, 12, Preset(*UNKNOWN, 500, 600)),
    Tuning(*UNKNOWN, 12, Preset(*UNKNOWN, 500, 600), "a reading"),
    Tuning(*GUESSED, 12, Preset(*GUESSED, 500, 600)),
    None,
)
Deed = Callable[[Bench, random.Random], object]


class Watchers:
    """Observer, gate and monitor over one bench; `found` is the first word of each."""

    def __init__(self, bench: Bench, *, observed: bool = True) -> None:
        """`observed` without: the observer knows nothing of tune-ups and estimates, so it is not asked."""
        self.observed = observed
        self.found: dict[str, str] = {}
        self.bench = bench
        self.gate = Gate(bench.core.atlas, bench.core.wiring)
        self.monitor = Monitor(bench.station, bench.core.wiring)
        self.account = Account(now_us=0, presets=bench.presets)
        self.watched = self.monitor.initial(0)
        self.observer = Observer(bench)
        bench.watchers[:] = [self]
        started = tuple(Actuate(number, command) for number, command in bench.state.commands.items())
        for effect in started:
            self.account = passed(self.account, effect.command_id, effect.command)
        self.watched, _ = self.monitor.step(self.watched, Started(0, bench.minute), started)

    def __call__(self, event: Event, effects: tuple[Effect, ...]) -> None:
        if self.observed and "observer" not in self.found:  # after its first word its account is no longer whole
            try:
                self.observer(event, effects)
            except AssertionError as error:
                self.heard("observer", str(error))
        self._ask_gate(event, effects)
        self.watched, wrong = self.monitor.step(self.watched, event, seen(effects))
        if wrong is not None:
            self.heard("monitor", f"{wrong.invariant}: {wrong.text}")

    def heard(self, who: str, text: str) -> None:
        """Keep the first word of each."""
        self.found.setdefault(who, (text.splitlines() or ["a bare assertion"])[0])

    def _ask_gate(self, event: Event, effects: tuple[Effect, ...]) -> None:
        self.account = told(observe(self.account, event, self.bench.station, self.bench.core.wiring), effects)
        for effect in effects:
            if not isinstance(effect, Actuate):
                continue
            try:
                self.gate.judge(self.account, effect.command)
            except RefusedError as error:
                self.heard("gate", str(error))
            self.account = passed(self.account, effect.command_id, effect.command)


def a_bench() -> Bench:
    """Two antennas over six bands, with every preset; the warm-up shortened."""
    plain = station()
    assert plain.amplifier is not None
    limits = replace(plain.amplifier.limits, key_down_us=8 * S)
    quick = replace(
        plain, amplifier=replace(plain.amplifier, warm_up_us=WARM_UP_US, cool_down_us=10 * S, limits=limits)
    )
    return Bench(quick, every_preset(quick), outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX}, poll_us=100 * MS)


def afternoon(seed: int) -> Watchers:
    """Live through one random history; the same seed gives the same one."""
    draw = random.Random(seed)
    bench = a_bench()
    watchers = Watchers(bench)
    try:
        _live(bench, draw, impatient=seed % 4 == 3)
        watchers.observer.judge_relay_care()
    except AssertionError as error:
        watchers.heard("observer", str(error))
    return watchers


def evening(seed: int) -> Watchers:
    """The same on a station with two presets too few, where a person tunes up now and then; gate and monitor watch."""
    draw = random.Random(seed)
    plain = a_bench().station
    assert plain.amplifier is not None
    limits = replace(plain.amplifier.limits, drive_w=60)
    amplifier = replace(plain.amplifier, without_preset=WithoutPreset.ESTIMATE, limits=limits)
    of = replace(plain, amplifier=amplifier)
    presets = {key: each for key, each in every_preset(of).items() if key not in {GUESSED, UNKNOWN}}
    bench = Bench(of, presets, outputs={"switch": SWITCH, "amp": AMPLIFIER_BOX}, poll_us=100 * MS)
    watchers = Watchers(bench, observed=False)
    _live(bench, draw, impatient=False, deeds=EVENING)
    return watchers


def _live(bench: Bench, draw: random.Random, *, impatient: bool, deeds: tuple[Deed, ...] | None = None) -> None:
    bench.run(S)
    bench.ask(AmplifierRequest.ON)
    if impatient:
        bench.run(12 * S)
        bench.ask(AmplifierRequest.OPERATE_WHEN_READY)
    bench.run(WARM_UP_US + S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)
    for _ in range(DEEDS_A_HISTORY):
        draw.choice(deeds or DEEDS)(bench, draw)
        bench.run(draw.choice([0, 1 * MS, 20 * MS, 60 * MS, 160 * MS, 700 * MS, 3 * S]))
    before = len(bench.sent)
    bench.stop()
    assert bench.names(before)[:2] == ["inhibit-transmit", "amplifier-standby"], "not the safe state first"
    bench.run(S)


def _tune(bench: Bench, draw: random.Random) -> None:
    bench.tune(draw.choice(DIALS), push=not bench.rig.silent and draw.random() < 0.7)


def _leap(bench: Bench, draw: random.Random) -> None:
    """To and fro between two bands: faster than a change-over, or than relays like it."""
    for number in range(draw.choice([4, 50])):
        bench.tune((14_050_000, 7_050_000)[number % 2], push=not bench.rig.silent)
        bench.run(400 * MS)


def _waver(bench: Bench, draw: random.Random) -> None:
    """Another band before the change-over to the first has come far."""
    for hz in (7_050_000, 14_050_000, 21_100_000):
        bench.tune(hz, push=not bench.rig.silent)
        bench.run(draw.choice([60, 70, 90]) * MS)


def _spin(bench: Bench, draw: random.Random) -> None:
    """Across a segment's edge and back without a rest, within the hysteresis: nothing may move."""
    bench.tune(14_174_700)
    bench.run(S)
    at_rest = bench.state.change_over is None and bench.state.reasons is None and not bench.rig.silent
    before = len(bench.sent)
    for number in range(draw.randint(2, 12)):
        bench.tune((14_175_300, 14_174_700)[number % 2], push=not bench.rig.silent)
        bench.run(60 * MS)
    moved = {"select-antenna", "recall-preset"} & set(bench.names(before))
    assert not (at_rest and moved), "moved while the dial drifts within the hysteresis"


def _key(bench: Bench, draw: random.Random) -> None:
    bench.rig.keyed = not bench.rig.keyed
    if not bench.rig.silent:
        bench.push()


def _stuck(bench: Bench, draw: random.Random) -> None:
    bench.rig.keyed = True
    bench.run(11 * S)
    bench.rig.keyed = False
    bench.run(200 * MS)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(2 * S)


def _sense(bench: Bench, draw: random.Random) -> None:
    """The foot switch goes down and the rig says so, or it comes up."""
    keyed = bench.state.key_line is not True
    bench.rig.keyed = keyed
    bench.push()
    bench.tell(KeySensed(bench.now_us, "main", keyed))


def _silence(bench: Bench, draw: random.Random) -> None:
    bench.rig.silent = not bench.rig.silent


def _device(bench: Bench, draw: random.Random) -> None:
    output = draw.choice(["switch", "amp"])
    (bench.connect if output in bench.failing else bench.lose)(output)


def _disk(bench: Bench, draw: random.Random) -> None:
    bench.intents_hang = not bench.intents_hang


def _delay(bench: Bench, draw: random.Random) -> None:
    bench.answer_us = draw.choice([1 * MS, 40 * MS, 400 * MS])


def _refuse(bench: Bench, draw: random.Random) -> None:
    bench.refusing ^= {draw.choice([CommandName.SELECT_ANTENNA, CommandName.RECALL_PRESET])}


def _ask(bench: Bench, draw: random.Random) -> None:
    bench.ask(draw.choice(list(AmplifierRequest)))


def _operate(bench: Bench, draw: random.Random) -> None:
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)


def _power(bench: Bench, draw: random.Random) -> None:
    bench.ask(AmplifierRequest.OFF_NOW)
    bench.run(S)
    bench.ask(AmplifierRequest.ON)
    bench.run(draw.choice([0, S, WARM_UP_US]))
    bench.ask(AmplifierRequest.OPERATE_WHEN_READY)


def _acknowledge(bench: Bench, draw: random.Random) -> None:
    bench.tell(FaultAcknowledged(bench.now_us, 1, None, "operator", "looked at"))


def _lock(bench: Bench, draw: random.Random) -> None:
    bench.tell(LockoutChanged(bench.now_us, LOCKOUT))
    bench.run(S)
    bench.tell(LockoutChanged(bench.now_us, None))


DEEDS: tuple[Deed, ...] = (
    *(
        _tune,
        _tune,
        _tune,
        _tune,
        _leap,
        _waver,
        _spin,
        _spin,
        _key,
        _key,
        _stuck,
        _sense,
        _silence,
        _device,
        _disk,
        _delay,
        _refuse,
    ),
    *(_ask, _operate, _operate, _power, _acknowledge, _lock),
)


def _tune_up(bench: Bench, draw: random.Random) -> None:
    """A tune-up begins, goes on elsewhere, takes the permit away, or ends."""
    tuning = draw.choice(TUNINGS)
    bench.tell(TuningChanged(bench.now_us, tuning))
    if draw.random() < 0.7:
        bench.tune(14_050_000 if tuning is None or tuning.antenna == "beam" else 3_750_000)
    bench.run(draw.choice([0, S]))
    bench.ask(AmplifierRequest.OPERATE)


def _guess(bench: Bench, draw: random.Random) -> None:
    """To where there is only an estimate, or to what is stored beside it."""
    bench.tune(draw.choice([3_750_000, 3_550_000]), push=not bench.rig.silent)
    bench.run(S)


EVENING = (*DEEDS, *([_tune_up, _guess] * 6))
