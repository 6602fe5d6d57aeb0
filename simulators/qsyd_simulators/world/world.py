"""One run: the station under test with everything around it, on one virtual clock and from one seed.

The station is whatever has the core's interface: the bare core, or the guarded one. Nothing here reads what it
believes; what it is told and what it sends go past the observer, what the hardware does past the truth.
"""

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any, Protocol, assert_never

from qsyd_rules.effect import Actuate, Answer, CloseIntent, Effect, ReadRig, RecordIntent, Report, SendNoMore, SendText
from qsyd_rules.event import (
    AmplifierRequest,
    DeadlineReached,
    Event,
    FaultAcknowledged,
    FaultRemembered,
    Hold,
    HoldChanged,
    IntentRecorded,
    KeySensed,
    Lockout,
    LockoutChanged,
    LoopStalled,
    MinuteTurned,
    OperatorAsked,
    PresetsChanged,
    RigLinkClosed,
    Started,
)
from qsyd_rules.notice import FaultCleared, FaultFound
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.wiring import Wiring
from qsyd_simulators.world.agenda import MS, NEVER_US, Agenda, S
from qsyd_simulators.world.layout import Layout, stamp
from qsyd_simulators.world.observer import Observer
from qsyd_simulators.world.outputs import Outputs
from qsyd_simulators.world.plant import Plant
from qsyd_simulators.world.rig import WorldRig
from qsyd_simulators.world.store import Store
from qsyd_simulators.world.truth import Truth
from qsyd_simulators.world.verdict import Verdict

MINUTE_US = 60 * S
STALL_TOLD_US = 500 * MS
"""A loop that stood still for this long is noticed: permits that fall by themselves have fallen."""


class StationUnderTest(Protocol):
    """The interface of the core. Its state is its own affair."""

    def initial(self, presets: Presets, at_us: int, first_id: int = 1) -> Any:
        """The state before anything is known."""

    def step(self, state: Any, event: Event) -> tuple[Any, tuple[Effect, ...]]:
        """Decide what one event changes."""

    def wake_at_us(self, state: Any) -> int | None:
        """When to be told that time has passed."""


MakeStation = Callable[[Atlas, Wiring], StationUnderTest]


class World:
    """Built at rest and started: the safe state has been sent, links are about to open."""

    def __init__(self, layout: Layout, make_station: MakeStation, seed: str, atlas: Atlas | None = None) -> None:
        """An `atlas` of the same station may be handed in, for it takes long to prepare."""
        self.layout = layout
        self.agenda = Agenda()
        self.verdict = Verdict()
        self.random = Random(f"{seed}/world")
        self.atlas = Atlas(layout.station) if atlas is None else atlas
        self.station = make_station(self.atlas, layout.wiring)
        self.plant = Plant(layout, self.agenda)
        self.store = Store(layout.presets, self.agenda, Random(f"{seed}/disk"))
        self.rig = WorldRig(layout, self.agenda, Random(f"{seed}/rig"), self.plant)
        self.observer = Observer(layout, self.atlas, self.store, self.verdict)
        self.excused: Callable[[int], bool] = lambda since_us: False
        self.truth = Truth(
            layout, self.atlas, self.agenda, self.plant, self.store, self.verdict, lambda since: self.excused(since)
        )
        self.outputs = Outputs(layout, self.agenda, self.plant, self.verdict, seed, self.tell)
        self.devices = self.outputs.devices
        self.events = 0
        """How many things have happened: entries of the agenda, and times the station was woken."""
        self.minute = layout.minute
        self._clock_set_us = 0
        """How far the wall clock has been set forward."""
        self.lockout: Lockout | None = None
        self._standing: dict[int, FaultFound] = {}
        """Faults that nobody has acknowledged, as a journal on a sound disk knows them."""
        self.is_alive = True
        self.watchers: list[Callable[[Event, tuple[Effect, ...]], None]] = []
        self.first: list[tuple[Event, tuple[Effect, ...]]] = []
        """What was told before anybody could watch: the start itself."""
        self.answers: list[Answer] = []
        self._requests = 0
        self._stalled_until_us = 0
        self._stalled_since_us = 0
        self._inbox: list[Event] = []
        self._wake_us = NEVER_US
        self.rig.read = self.tell
        self.rig.closed = lambda reason: self.tell(RigLinkClosed(self.now_us, self.rig.name, reason))
        self.rig.sensed = self._sensed
        self.store.recorded = lambda number, error: self.tell(IntentRecorded(self.now_us, number, error))
        self.state = self.station.initial(self.store.presets, 0)
        self.watchers.append(lambda event, effects: self.first.append((event, effects)))
        self._begin()
        self.watchers.clear()
        self.outputs.ask_readings()
        self.agenda.after(MINUTE_US, self._turn_minute)

    def run(self, until_us: int) -> None:
        """Let time pass."""
        agenda = self.agenda
        while True:
            next_us = agenda.next_us
            if self._wake_us <= next_us:
                if self._wake_us > until_us:
                    break
                agenda.now_us = max(agenda.now_us, self._wake_us)
                self.events += 1
                self.tell(DeadlineReached(agenda.now_us))
                if self._wake_us <= agenda.now_us:
                    self.verdict.violate("L1", agenda.now_us, "woken in time, it asks for a moment that has passed")
                    self._wake_us = NEVER_US
            elif next_us > until_us:
                break
            else:
                self.events += 1
                agenda.take()
        agenda.now_us = max(agenda.now_us, until_us)

    def clock(self, at_us: int) -> str:
        """What the wall clock shows at a virtual time, RFC 3339, UTC, unless somebody sets it before then."""
        return stamp(self.layout.begun, at_us + self._clock_set_us)

    @property
    def now_us(self) -> int:
        """The virtual time."""
        return self.agenda.now_us

    def tell(self, event: Event) -> None:
        """Hand one event to the station and carry out what it decides."""
        if not self.is_alive:
            return
        if self._stalled_until_us:
            self._inbox.append(event)
            return
        quiet = self.observer.is_quiet(event)
        if not quiet:
            self.observer.told(event)
        self.state, effects = self.station.step(self.state, event)
        wake_us = self.station.wake_at_us(self.state)
        self._wake_us = NEVER_US if wake_us is None else wake_us
        if effects or not quiet:
            self.observer.decided(event, effects)
            for watch in self.watchers:
                watch(event, effects)
            for effect in effects:
                if isinstance(effect, SendNoMore):
                    self.outputs.send_no_more(effect.names)
                elif isinstance(effect, Actuate):
                    self.outputs.actuate(effect)
            for effect in effects:
                self._carry_out(effect)

    # What operators do

    def ask(self, request: AmplifierRequest) -> None:
        """Ask something of the amplifier."""
        self._requests += 1
        self.tell(OperatorAsked(self.now_us, self._requests, request, "operator"))

    def acknowledge(self) -> None:
        """Acknowledge whatever fault stands."""
        self._requests += 1
        self.verdict.exercised["I7"] += 1
        self.tell(FaultAcknowledged(self.now_us, self._requests, None, "operator", "looked at it"))

    def lock_out(self, is_on: bool) -> None:
        """A maintenance lockout begins or ends; it is durable."""
        self.lockout = Lockout("operator", "work on the tower", "2031-05-04T10:00:00Z") if is_on else None
        self.truth.lock_out(is_on)
        self.tell(LockoutChanged(self.now_us, self.lockout))

    def hold(self, antenna: str | None, lasts_us: int) -> None:
        """An operator holds an antenna past the rules, or lets go of it."""
        until = self.now_us + lasts_us
        held = None if antenna is None else Hold(antenna, until, self.clock(until), "operator", "a comparison")
        self.tell(HoldChanged(self.now_us, held, "operator"))

    def edit_preset(self, antenna: str, segment: str, positions: tuple[int, int] | None) -> None:
        """A stored preset changes, or goes."""
        self.store.edit(antenna, segment, positions)
        saved = () if positions is None else ((antenna, segment),)
        self.truth.look()
        self.tell(PresetsChanged(self.now_us, self.store.presets, saved))

    def jump_clock(self, minutes: int) -> None:
        """The wall clock is set."""
        self.minute = (self.minute + minutes) % 1440
        self._clock_set_us += minutes * MINUTE_US
        self.tell(MinuteTurned(self.now_us, self.minute))

    # What becomes of the daemon

    def kill(self) -> None:
        """The daemon dies where it is; only what is durable stays, and what is on the wires arrives."""
        if not self.is_alive:
            return
        self.is_alive = False
        self._stalled_until_us = 0
        self._inbox = []
        self._wake_us = NEVER_US
        self.outputs.forget()
        if self.layout.drops_by_itself:
            self.outputs.drop_permits()
        self.rig.forget()
        self.store.forget()

    def restart(self) -> None:
        """The daemon lives again, with nothing but what is durable."""
        if self.is_alive:
            return
        self.is_alive = True
        self.observer.restart(self.now_us, self.minute)
        self.state = self.station.initial(self.store.presets, self.now_us, self.store.highest_id + 1)
        self._begin()

    def stall(self, stalled_us: int) -> None:
        """The daemon's loop stands still; what happens meanwhile it hears all at once, afterwards."""
        if not self.is_alive or self._stalled_until_us:
            return
        self._stalled_since_us = self.now_us
        self._stalled_until_us = self.now_us + stalled_us
        self._wake_us = NEVER_US
        self.outputs.freeze(self._stalled_until_us)
        if self.layout.drops_by_itself and stalled_us >= STALL_TOLD_US:
            self.agenda.after(STALL_TOLD_US, self._drop_permits)
        self.agenda.at(self._stalled_until_us, self._resume)

    def _drop_permits(self, _: object) -> None:
        if self._stalled_until_us:
            self.outputs.drop_permits()

    def _resume(self, _: object) -> None:
        if not self._stalled_until_us:
            return
        now_us, stalled_us = self.now_us, self.now_us - self._stalled_since_us
        self._stalled_until_us = 0
        inbox, self._inbox = self._inbox, []
        if stalled_us >= STALL_TOLD_US:
            self.tell(LoopStalled(now_us, stalled_us))
        for event in inbox:
            self.tell(replace(event, at_us=now_us))
        if not inbox:
            self.tell(DeadlineReached(now_us))

    def _sensed(self, keyed: bool | None) -> None:
        if self.layout.senses_key:
            self.tell(KeySensed(self.now_us, self.rig.name, keyed))

    def _begin(self) -> None:
        self.tell(Started(self.now_us, self.minute, self.layout.file_sha256))
        if self.lockout is not None:
            self.tell(LockoutChanged(self.now_us, self.lockout))
        stood, self._standing = self._standing, {}
        for fault in stood.values():
            self.tell(FaultRemembered(self.now_us, fault.code, fault.detail))
        self.outputs.start()
        self.rig.start()

    def _turn_minute(self, _: object) -> None:
        self.minute = (self.minute + 1) % 1440
        self.agenda.after(MINUTE_US, self._turn_minute)
        self.tell(MinuteTurned(self.now_us, self.minute))

    def _carry_out(self, effect: Effect) -> None:
        match effect:
            case Actuate() | SendNoMore() | CloseIntent() | SendText():
                pass  # those have left already, and nobody here reads the others
            case ReadRig():
                self.rig.ask()
            case RecordIntent():
                self.store.record(effect)
            case Report(notice=FaultFound() as fault):
                self._standing[fault.number] = fault
            case Report(notice=FaultCleared(number=number)):
                self._standing.pop(number, None)
            case Report():
                pass
            case Answer():
                self.answers.append(effect)
            case _:
                assert_never(effect)
