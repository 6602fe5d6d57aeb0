"""A written scenario: acts and expectations in their order, on the virtual clock, with the watch of every invariant."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from qsyd_rules.command import CommandName
from qsyd_rules.effect import Answer, Effect, Report
from qsyd_rules.event import Event
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.notice import (
    AmplifierChanged,
    FaultCleared,
    FaultFound,
    Notice,
    Placed,
    TransmitInhibited,
    TransmitReleased,
    Warned,
    event_fields,
)
from qsyd_rules.preset import Presets
from qsyd_rules.words import AmplifierState
from qsyd_simulators.world.agenda import MS
from qsyd_simulators.world.happening import Act
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.mischief import Mischief
from qsyd_simulators.world.verdict import Violation
from qsyd_simulators.world.world import MakeStation, World

LOOK_EVERY_US = 5 * MS
"""How often an expectation that is not met yet is looked at."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """What should be so, in the words of `Onlooker.found`, at some time within `within_us`."""

    wants: Mapping[str, str]
    within_us: int


@dataclass(frozen=True, slots=True)
class Step:
    """At a time since the beginning, or `after_us` since the step before was done, one act or expectation."""

    number: int
    at_us: int | None
    after_us: int
    what: Act | Expectation


@dataclass(frozen=True, slots=True)
class Judged:
    """An expectation as it turned out; `missed` names what was not so, what was wanted, and what was found."""

    step: Step
    at_us: int
    missed: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """One line of the trace: an event of the station with its fields, or a step of the scenario."""

    at_us: int
    time: str
    """What the wall clock shows then, RFC 3339, UTC."""
    event: Mapping[str, Any] | None = None
    step: Step | None = None
    judged: Judged | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a scenario."""

    judged: tuple[Judged, ...]
    violations: tuple[Violation, ...]
    ended_us: int
    presets: Presets
    """What is stored in the end."""

    @property
    def passed(self) -> bool:
        """Whether everything came as expected, and no invariant was violated."""
        return not self.violations and not any(each.missed for each in self.judged)


class Onlooker:
    """Knows what expectations ask of: the true hardware, and what the station has said last."""

    def __init__(self, world: World, tell: Callable[[Told], None]) -> None:
        self._world, self._tell = world, tell
        self._amplifier = AmplifierState.OFF
        self._reasons: tuple[str, ...] = ()
        self._segment: str | None = None
        self._fault: str | None = None
        self._warnings: list[str] = []
        self._answer: Answer | None = None
        self._moves = 0
        for event, effects in world.first:
            self._watch(event, effects)
        world.watchers.append(self._watch)

    def begin_step(self) -> None:
        """Movements, warnings and answers count from here."""
        self._moves = self._world.plant.moves
        self._warnings = []
        self._answer = None

    def found(self, name: str) -> str:
        """What is so now, in the words of a scenario."""
        plant = self._world.plant
        match name:
            case "antenna":
                antennas = self._world.layout.station.antennas
                return next((each.name for each in antennas if each.port == plant.port), "none")
            case "segment":
                return self._segment or "none"
            case "amplifier":
                return str(self._amplifier)
            case "transmit":
                guarded = self._world.layout.carries(CommandName.INHIBIT_TRANSMIT)
                held = any(plant.held.values()) if guarded else bool(self._reasons)
                return "inhibited" if held else "released"
            case "reason":
                return "; ".join(self._reasons)
            case "rf":
                return "on" if plant.rf else "off"
            case "moved":
                return "true" if plant.moves > self._moves else "false"
            case "answer":
                return "none" if self._answer is None else "accepted" if self._answer.accepted else "refused"
            case "says":
                return "" if self._answer is None else self._answer.text
            case "fault":
                return self._fault or "none"
            case "warning":
                return ", ".join(self._warnings)
            case _:
                raise ValueError(f"nothing is known of {name!r}")

    def missed(self, wants: Mapping[str, str]) -> tuple[tuple[str, str, str], ...]:
        """What is not so: its name, what was wanted, what was found. Texts need only be contained."""
        missed = []
        for name, wanted in wants.items():
            found = self.found(name)
            if not (wanted in found if name in {"reason", "says", "warning"} else wanted == found):
                missed.append((name, wanted, found))
        return tuple(missed)

    def _watch(self, event: Event, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            match effect:
                case Report(notice=notice):
                    self._noticed(notice)
                    self._say(event.at_us, {"event": notice.event, **event_fields(notice)})
                case Answer():
                    self._answer = effect
                    fields = {"event": "answer", "accepted": effect.accepted, "text": effect.text}
                    self._say(event.at_us, fields)
                case _:
                    pass

    def _say(self, at_us: int, fields: Mapping[str, Any]) -> None:
        self._tell(Told(at_us, self._world.clock(at_us), fields))

    def _noticed(self, notice: Notice) -> None:
        match notice:
            case AmplifierChanged(state=state):
                self._amplifier = state
            case TransmitInhibited(reasons=reasons):
                self._reasons = reasons
            case TransmitReleased():
                self._reasons = ()
            case Placed(segment=segment):
                self._segment = segment
            case FaultFound(code=code):
                self._fault = str(code)
            case FaultCleared():
                self._fault = None
            case Warned(code=code):
                self._warnings.append(code)
            case _:
                pass


def play(
    layout: Layout,
    steps: tuple[Step, ...],
    seed: str,
    before: tuple[Act, ...] = (),
    tell: Callable[[Told], None] = lambda told: None,
    make_station: MakeStation = GuardedStation,
) -> Outcome:
    """Play the steps in order; `before` is how the rig stands at first. Whatever happens is told as it happens."""
    world = World(layout, make_station, seed)
    mischief = Mischief(world, seed)
    onlooker = Onlooker(world, tell)
    for act in before:
        mischief.do(act)
    judged = []
    for step in steps:
        due_us = world.now_us + step.after_us if step.at_us is None else max(step.at_us, world.now_us)
        world.run(due_us)
        if isinstance(step.what, Expectation):
            verdict = _await(world, onlooker, step, step.what)
            judged.append(verdict)
            tell(Told(verdict.at_us, world.clock(verdict.at_us), step=step, judged=verdict))
        else:
            onlooker.begin_step()
            tell(Told(world.now_us, world.clock(world.now_us), step=step))
            mischief.do(step.what)
    return Outcome(tuple(judged), tuple(world.verdict.violations), world.now_us, world.store.presets)


def _await(world: World, onlooker: Onlooker, step: Step, expectation: Expectation) -> Judged:
    end_us = world.now_us + expectation.within_us
    while True:
        missed = onlooker.missed(expectation.wants)
        if not missed or world.now_us >= end_us:
            return Judged(step, world.now_us, missed)
        world.run(min(end_us, world.now_us + LOOK_EVERY_US))
