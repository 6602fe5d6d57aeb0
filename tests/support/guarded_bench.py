"""The bench of a station, with core, gate and monitor together as they run."""

from dataclasses import dataclass, replace
from typing import Any, cast

from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S, every_preset, station

from qsyd_rules.command import (
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
)
from qsyd_rules.core import StationCore
from qsyd_rules.effect import Effect
from qsyd_rules.event import (
    AmplifierRequest,
    DeviceRead,
    Event,
    Lockout,
    SafetyTripped,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas
from qsyd_rules.readings import Readings
from qsyd_rules.state import StationState
from qsyd_rules.station import Station
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import AmplifierState, Result

WARM_UP_US = 20 * S
PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
HEATER = frozenset({CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OFF})
WIRINGS: dict[str, dict[str, frozenset[CommandName]]] = {
    "two boxes": {"switch": SWITCH, "amp": AMPLIFIER_BOX | {CommandName.HIGH_VOLTAGE_OFF}},
    "permit apart": {"switch": SWITCH, "permit": PERMIT, "amp": AMPLIFIER_BOX - PERMIT},
    "one box": {"box": SWITCH | AMPLIFIER_BOX},
    "unguarded": {"switch": SWITCH, "amp": AMPLIFIER_BOX - PERMIT},
    "heater by hand": {"switch": SWITCH, "permit": PERMIT, "relay": AMPLIFIER_BOX - PERMIT - HEATER},
    "switch only": {"switch": SWITCH},
}
TOLD = frozenset({"forward_w", "drive_w", "tune", "load", "state", "fault"})
LOCKOUT = Lockout("a rigger", "work on the mast", "2026-01-01T12:00:00Z")


class Core(StationCore):
    """The core as it is, which also keeps what gate and monitor objected to."""

    def __init__(self, atlas: Atlas, wiring: Wiring, tripped: list[SafetyTripped]) -> None:
        super().__init__(atlas, wiring)
        self.tripped = tripped

    def step(self, state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        if isinstance(event, SafetyTripped):
            self.tripped.append(event)
        return super().step(state, event)


@dataclass
class Guarded(Bench):
    """A bench around core, gate and monitor; with `metered`, the amplifier tells truthful readings five times a second."""

    metered: bool = False

    def tell(self, event: Event) -> None:
        if not hasattr(self, "guard"):
            told_by = [output for output, carried in self.outputs.items() if CommandName.AMPLIFIER_OPERATE in carried]
            meters = {output: Meters(TOLD, S) for output in told_by} if self.metered else {}
            self.tripped: list[SafetyTripped] = []
            self.lie: dict[str, Any] = {}
            """Readings that are not so; a name with None is not told."""
            self.mute = False
            self.guard = GuardedStation(Atlas(self.station), Wiring(self.outputs, meters))
            self.guard.core = Core(self.guard.atlas, self.guard.wiring, self.tripped)
            self.guarded = self.guard.initial(self.presets, 0)
            self.core = cast(StationCore, _Front(self))
            for output in meters:
                self._at(10 * MS, lambda output=output: self._meter(output))  # type: ignore[misc]
        super().tell(event)

    def _meter(self, output: str) -> None:
        self._at(self.now_us + 200 * MS, lambda: self._meter(output))
        if output not in self.guard.wiring.meters or self.mute or output in self.failing:
            return
        commands = [each.command for each in self.answered if each.result is not Result.FAILED]
        tank = next((each for each in reversed(commands) if isinstance(each, RecallPreset)), None)
        line = next(
            (each for each in reversed(commands) if isinstance(each, AmplifierStandby | AmplifierOperate)), None
        )
        heated = next((each.name for each in reversed(commands) if each.name in HEATER), None) is AmplifierOn.name
        permit = next(
            (each for each in reversed(commands) if isinstance(each, InhibitTransmit | ReleaseTransmit)), None
        )
        operate = isinstance(line, AmplifierOperate)
        on_the_air = self.rig.keyed is True and not isinstance(permit, InhibitTransmit)
        told: dict[str, Any] = {
            "forward_w": (800.0 if operate else 60.0) if on_the_air else 0.0,
            "drive_w": 60.0 if on_the_air else 0.0,
            "tune": tank.tune if tank else 1,
            "load": tank.load if tank else 1,
            "state": (AmplifierState.OPERATE if operate else AmplifierState.STANDBY) if heated else AmplifierState.OFF,
        }
        self.tell(DeviceRead(self.now_us, output, Readings(**(told | self.lie))))

    def last(self, *kinds: type[Command]) -> Command | None:
        """The newest command of these kinds."""
        return next((command for _, command in reversed(self.sent) if isinstance(command, kinds)), None)

    def must_be_unobjected(self) -> None:
        """Neither gate nor monitor has ever said a word."""
        assert self.tripped == []
        codes = [
            getattr(notice, "code", None) for notice in (each for _, each in self.notices if each.event == "fault")
        ]
        assert FaultCode.UNSAFE_COMMAND not in codes


class _Front:
    """Stands where the bench has its core."""

    def __init__(self, bench: Guarded) -> None:
        self._bench = bench

    @property
    def atlas(self) -> Atlas:
        return self._bench.guard.atlas

    def step(self, _: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        bench = self._bench
        bench.guarded, effects = bench.guard.step(bench.guarded, event)
        due_us = bench.guard.monitor.wake_at_us(bench.guarded.watched)
        assert due_us is None or due_us > event.at_us, "the monitor asks for a moment that has passed"
        return bench.guarded.station, effects

    def wake_at_us(self, _: StationState) -> int | None:
        return self._bench.guard.wake_at_us(self._bench.guarded)


def a_station(key_down_us: int = 30 * S) -> Station:
    plain = station()
    assert plain.amplifier is not None
    limits = replace(plain.amplifier.limits, key_down_us=key_down_us)
    return replace(plain, amplifier=replace(plain.amplifier, warm_up_us=WARM_UP_US, cool_down_us=10 * S, limits=limits))


def a_bench(wiring: str = "two boxes", *, metered: bool = False) -> Guarded:
    """On the air barefoot on 20m/1."""
    of = a_station()
    bench = Guarded(of, every_preset(of), outputs=WIRINGS[wiring], poll_us=100 * MS, metered=metered)
    bench.run(S + 10 * MS)
    return bench


def warm_up(bench: Guarded) -> None:
    """In operate, where the station can."""
    bench.ask(AmplifierRequest.ON)
    bench.run(WARM_UP_US + S)
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(S)
