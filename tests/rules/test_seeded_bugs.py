"""Cores that are made wrong: each bug is found by the gate or by the monitor, and by the monitor alone as well.

The bugs change what the core is told, what it says, or the station file it believes in; gate and monitor keep the true
one. The station ends safe, with the fault latched.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest
from guarded_bench import LOCKOUT, Core, Guarded, a_bench, warm_up
from station_bench import S

from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Effect, RecordIntent
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    DeviceRead,
    Event,
    FaultAcknowledged,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    OperatorAsked,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    SafetyTripped,
)
from qsyd_rules.gate import Gate
from qsyd_rules.gate_account import Account
from qsyd_rules.placement import Atlas
from qsyd_rules.state import StationState
from qsyd_rules.station import Station
from qsyd_rules.words import Result


def _as_it_is(of: Station) -> Station:
    return of


def _hears_all(event: Event) -> Event:
    return event


def _adds_nothing(_: Event) -> tuple[Effect, ...]:
    return ()


def _drop(*kinds: type[Event]) -> Callable[[Event], Event]:
    """A core that is deaf to these events: only time passes for it."""
    return lambda event: DeadlineReached(event.at_us) if isinstance(event, kinds) else event


@dataclass(frozen=True)
class Seed:
    """One bug: what the core believes, does not hear, leaves unsaid or adds; and who has to find it."""

    found_by: str
    invariant: str
    provoke: Callable[[Guarded], object]
    believes: Callable[[Station], Station] = _as_it_is
    hears: Callable[[Event], Event] = _hears_all
    swallows: CommandName | None = None
    adds: Callable[[Event], tuple[Effect, ...]] = _adds_nothing
    prepare: Callable[[Guarded], object] = warm_up
    metered: bool = False
    wiring: str = "two boxes"
    alone: str | None = None
    """The invariant that the monitor names where there is no gate, if another."""


class Seeded(Core):
    """The core with a bug, until the bug has been found."""

    def __init__(self, of: Guarded, seed: Seed) -> None:
        super().__init__(Atlas(seed.believes(of.station)), of.guard.wiring, of.tripped)
        self.seed = seed

    def step(self, state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        if self.tripped or isinstance(event, SafetyTripped):
            return super().step(state, event)
        state, said = super().step(state, self.seed.hears(event))
        effects = [*said, *self.seed.adds(event)]
        while (dropped := next((each for each in effects if self._swallowed(each)), None)) is not None:
            assert isinstance(dropped, Actuate)
            effects.remove(dropped)
            done = CommandFinished(event.at_us, dropped.command_id, (OutputAnswer("amp", Result.ACKNOWLEDGED),))
            state, more = super().step(state, done)
            effects += more
        return state, tuple(effects)

    def _swallowed(self, effect: Effect) -> bool:
        return isinstance(effect, Actuate) and effect.command.name is self.seed.swallows


def _times(**times: int) -> Callable[[Station], Station]:
    return lambda of: replace(of, change_over=replace(of.change_over, **times))


def _amplifier(**fields: Any) -> Callable[[Station], Station]:
    def believed(of: Station) -> Station:
        assert of.amplifier is not None
        return replace(of, amplifier=replace(of.amplifier, **fields))

    return believed


def _antennas_swapped(of: Station) -> Station:
    beam, wire, loop = of.antennas
    return replace(of, antennas=(replace(beam, bands=wire.bands), replace(wire, bands=beam.bands), loop))


def _long_key(of: Station) -> Station:
    assert of.amplifier is not None
    limits = replace(of.amplifier.limits, key_down_us=10**12)
    return replace(of, amplifier=replace(of.amplifier, limits=limits))


def _never_lost(of: Station) -> Station:
    return replace(of, rigs=tuple(replace(rig, lost_after_us=10**12) for rig in of.rigs))


def _unkeyed(event: Event) -> Event:
    return replace(event, keyed=False) if isinstance(event, RigRead) else event


def _frozen_dial(event: Event) -> Event:
    return replace(event, frequency_hz=14_050_000, transmit_hz=14_050_000) if isinstance(event, RigRead) else event


def _to(frequency_hz: int) -> Callable[[Guarded], None]:
    def move(bench: Guarded) -> None:
        bench.tune(frequency_hz, push=True)
        bench.run(3 * S)

    return move


_to_40m = _to(7_050_000)


def _keyed_to_40m(bench: Guarded) -> None:
    bench.key()
    bench.run(S)
    _to_40m(bench)


def _sensed_to_40m(bench: Guarded) -> None:
    bench.tell(KeySensed(bench.now_us, "main", True))
    _to_40m(bench)


def _power_to_40m(bench: Guarded) -> None:
    bench.lie["forward_w"] = 60.0
    bench.run(S)
    _to_40m(bench)


def _silent(bench: Guarded) -> None:
    bench.rig.silent = True
    bench.run(5 * S)


def _cut(bench: Guarded) -> None:
    bench.cut_rig()
    bench.run(S)


def _stuck(bench: Guarded) -> None:
    bench.key()
    bench.run(40 * S)


def _asked_early(bench: Guarded) -> None:
    bench.ask(AmplifierRequest.ON)
    bench.run(6 * S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)


def _standby_asked(bench: Guarded) -> None:
    bench.tell(OperatorAsked(bench.now_us, 99, AmplifierRequest.STANDBY, "operator"))
    bench.run(S)


def _locked_out(bench: Guarded) -> None:
    bench.tell(LockoutChanged(bench.now_us, LOCKOUT))
    bench.run(S)


def _gap(bench: Guarded) -> None:
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    bench.lose("amp")
    bench.run(6 * S)
    bench.connect("amp")
    bench.run(S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(3 * S)


def _shut_down_and_acknowledged(bench: Guarded) -> None:
    bench.lie["fault"] = "F7"
    bench.run(S)
    assert bench.state.fault is not None
    bench.lie.clear()
    bench.run(S)
    bench.tell(FaultAcknowledged(bench.now_us, 1, None, "operator"))
    bench.run(S)


def _stalled_at_rest(bench: Guarded) -> None:
    _locked_out(bench)
    bench.tell(LoopStalled(bench.now_us, S))
    bench.run(S)


def _hung_disk(bench: Guarded) -> None:
    bench.intents_hang = True
    _to_40m(bench)


class _Hasty(Seeded):
    """Takes every note as written the moment it is asked for."""

    def step(self, state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        state, effects = super().step(state, event)
        for effect in effects:
            if isinstance(effect, RecordIntent) and not self.tripped:
                state, more = super().step(state, IntentRecorded(event.at_us, effect.intent_id, None))
                effects += more
        return state, effects


def _upon(kind: type[Event], command: Command) -> Callable[[Event], tuple[Effect, ...]]:
    return lambda event: (Actuate(10**6, command),) if isinstance(event, kind) else ()


HASTY = Seed("gate", "I14", _hung_disk)
SEEDS = {
    "drops the guard time": Seed("gate", "I1", _to_40m, believes=_times(guard_us=0)),
    "never inhibits": Seed("gate", "I1", _to_40m, swallows=CommandName.INHIBIT_TRANSMIT),
    "never goes to standby": Seed("gate", "I3", _to_40m, swallows=CommandName.AMPLIFIER_STANDBY),
    "is deaf to the rig's key": Seed("gate", "I2", _keyed_to_40m, hears=_unkeyed),
    "is deaf to the sensed line": Seed("gate", "I2", _sensed_to_40m, hears=_drop(KeySensed)),
    "is deaf to forward power": Seed("gate", "I2", _power_to_40m, hears=_drop(DeviceRead), metered=True),
    "releases before the relay has settled": Seed("gate", "I4", _to_40m, believes=_times(relay_settle_us=0)),
    "releases before the tank has settled": Seed(
        "gate", "I4", _to_40m, believes=_times(preset_settle_us=0), prepare=lambda bench: None
    ),
    "operates early": Seed(
        "gate", "I5", _asked_early, believes=_amplifier(warm_up_us=5 * S), prepare=lambda bench: None
    ),
    "forgets the gap in the amplifier's link": Seed("gate", "I5", _gap, hears=_drop(OutputLost, OutputConnected)),
    "operates upon an acknowledgement": Seed(
        "gate",
        "I1",
        _shut_down_and_acknowledged,
        adds=_upon(FaultAcknowledged, AmplifierOperate()),
        metered=True,
        alone="I7",
    ),
    "ignores a silent rig": Seed("monitor", "I8", _silent, believes=_never_lost),
    "ignores a closed link": Seed("monitor", "I8", _cut, hears=_drop(RigLinkClosed), believes=_never_lost),
    "selects another band's antenna": Seed("gate", "I10", _to(21_050_000), believes=_antennas_swapped),
    "operates where the amplifier does not serve": Seed(
        "gate",
        "I10",
        _to(10_120_000),
        believes=_amplifier(bands=("80m", "40m", "30m", "20m", "17m", "15m")),
    ),
    "operates on an antenna that does not bear it": Seed(
        "gate",
        "I10",
        _to_40m,
        believes=lambda of: replace(of, antennas=(of.antennas[0], replace(of.antennas[2], max_power_w=None))),
    ),
    "stays in operate while the dial moves": Seed("monitor", "I10", _to_40m, hears=_frozen_dial),
    "takes a note as written": HASTY,
    "moves the antenna upon a stall": Seed(
        "gate", "I1", _stalled_at_rest, adds=_upon(LoopStalled, SelectAntenna("main", "beam", 1)), alone="I16"
    ),
    "ignores a stuck key": Seed("monitor", "I17", _stuck, believes=_long_key),
    "stays in operate when asked for standby": Seed("monitor", "I24", _standby_asked, hears=_drop(OperatorAsked)),
    "ignores a lockout": Seed("monitor", "I24", _locked_out, hears=_drop(LockoutChanged)),
}


class _Open(Gate):
    """A gate that lets everything pass."""

    def judge(self, account: Account, command: Command) -> None:
        pass


@pytest.mark.parametrize("gate", ["with the gate", "the monitor alone"])
@pytest.mark.parametrize("name", SEEDS)
def test_a_bug_in_the_core_is_found_and_ends_in_the_safe_state(name: str, gate: str) -> None:
    seed, alone = SEEDS[name], gate == "the monitor alone"
    bench = a_bench(seed.wiring, metered=seed.metered)
    seed.prepare(bench)
    bench.must_be_unobjected()
    bench.guard.core = (_Hasty if seed is HASTY else Seeded)(bench, seed)
    if alone:
        bench.guard.gate = _Open(bench.guard.atlas, bench.guard.wiring)
    seed.provoke(bench)
    bench.run(5 * S)

    found = bench.tripped[0]
    by = "gate" if found.text.startswith("refused by the gate") else "monitor"
    assert by == ("monitor" if alone else seed.found_by), found
    assert found.invariant == (seed.alone or seed.invariant if alone else seed.invariant), found
    assert isinstance(bench.last(InhibitTransmit, ReleaseTransmit), InhibitTransmit)
    assert isinstance(bench.last(AmplifierStandby, AmplifierOperate), AmplifierStandby)
    assert bench.state.fault is not None
    assert not bench.ask(AmplifierRequest.OPERATE).accepted
