"""The world around the small station: everything that can happen next, in any order, and one step of it.

A `Node` is core, gate, witness and environment together, all in their normal form, with the clock at `BASE_US`. What
happens takes no time; time passes only to the next moment that the core asks for, with the rig polled until then or
silent, or to where the rig's word grows too old. So an event can meet every wait at its beginning and at its end, in
every order with the others.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from proof_claims import Claims
from proof_deeds import Deed, Kind, World
from proof_keys import core_key, gate_key
from proof_normal import BASE_US, FIRST_ID, NOTE_ID, Clock, core_state, gate_account, numbers
from proof_station import ATLAS, LOST_US, OUTPUTS, PRESETS, STATION, TUNINGS, WIRING
from proof_witness import FRESH_US, Witness

from qsyd_rules.command import SAFE_COMMANDS
from qsyd_rules.core import StationCore
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
    Lockout,
    LockoutChanged,
    OperatorAsked,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    Started,
    StopRequested,
    TuningChanged,
)
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import Account, observe, passed, told
from qsyd_rules.readings import Readings
from qsyd_rules.state import StationState
from qsyd_rules.words import Result

LOCKOUT = Lockout("a rigger", "work on the mast", "2026-01-01T12:00:00Z")
POLL_US = LOST_US // 2
CARRIER = {name: output for output, carried in OUTPUTS.items() for name in carried}
CORE = StationCore(ATLAS, WIRING)
GATE = Gate(ATLAS, WIRING)


@dataclass(frozen=True, slots=True)
class Node:
    """One state of the whole: core, gate, witness, the links that are down, and whether a note is still being written."""

    core: StationState
    gate: Account
    witness: Witness
    down: frozenset[str]
    writing: bool

    def key(self) -> tuple[object, ...]:
        return (core_key(self.core), gate_key(self.gate), self.witness.key(), self.down, self.writing)


@dataclass(frozen=True, slots=True)
class Step:
    """What one deed made: the node after it, and what was sent and told on the way."""

    node: Node
    effects: tuple[Effect, ...]
    refusal: RefusedError | None
    """What the gate would not have let pass; it was let pass here."""
    took_us: int


def beginning() -> Node:
    """Nothing is known, nothing has been told."""
    return Node(
        CORE.initial(PRESETS, BASE_US, FIRST_ID),
        Account(now_us=BASE_US, presets=PRESETS),
        Witness(),
        frozenset(),
        False,
    )


def deeds(node: Node, world: World) -> Iterator[Deed]:
    """All that can happen next, in a fixed order: the nearest to what is usual comes first."""
    kinds = world.kinds
    core, witness = node.core, node.witness
    if Kind.WAIT in kinds and CORE.wake_at_us(core) is not None:
        if witness.hz is not None and core.wake_us is not None:
            yield Deed(Kind.WAIT)
        if Kind.SILENCE in kinds or witness.hz is None:
            yield Deed(Kind.SILENCE)
        if Kind.AGE in kinds and BASE_US < _too_old_us(witness) < (CORE.wake_at_us(core) or 0):
            yield Deed(Kind.AGE)
    busy: set[str] = set()  # a link does ordinary commands in order; only safe ones overtake
    for number, command in core.commands.items():
        output, is_safe = CARRIER[command.name], command.name in SAFE_COMMANDS
        if output not in node.down and (is_safe or output not in busy):
            yield Deed(Kind.DONE, number)
        if not is_safe:
            busy.add(output)
        if Kind.FAILED in kinds:
            yield Deed(Kind.FAILED, number)
    if node.writing:
        yield Deed(Kind.RECORDED)
        if Kind.UNRECORDED in kinds:
            yield Deed(Kind.UNRECORDED)
    yield from _rig_deeds(node, world)
    for request in world.requests:
        yield Deed(Kind.ASK, request)
    for output in OUTPUTS:
        if output in node.down:
            yield Deed(Kind.CONNECT, output)
        elif Kind.LOSE in kinds:
            yield Deed(Kind.LOSE, output)
    if Kind.SENSE in kinds:
        yield Deed(Kind.SENSE, not witness.line_keyed)
    if core.fault is not None:
        yield Deed(Kind.ACKNOWLEDGE)
    elif Kind.FAULT in kinds:
        yield Deed(Kind.FAULT)
    if Kind.LOCK in kinds or witness.lockout:
        yield Deed(Kind.UNLOCK if witness.lockout else Kind.LOCK)
    if Kind.TUNE in kinds:
        yield from (Deed(Kind.TUNE, name) for name in world.tunings if TUNINGS[name] != witness.tuning)
    if Kind.STOP in kinds and not witness.stopping:
        yield Deed(Kind.STOP)


def _rig_deeds(node: Node, world: World) -> Iterator[Deed]:
    witness = node.witness
    if witness.hz is None:
        for hz in world.dials:
            yield Deed(Kind.APPEAR, hz)
        return
    if Kind.DIAL in world.kinds:
        yield from (Deed(Kind.DIAL, hz) for hz in world.dials if hz != witness.hz)
    if Kind.KEY in world.kinds:
        yield Deed(Kind.KEY, not witness.rig_keyed)
    yield Deed(Kind.POLL)
    if Kind.CLOSE in world.kinds:
        yield Deed(Kind.CLOSE)


def events(node: Node, deed: Deed) -> list[Event]:
    """The events that a deed is."""
    witness, now_us = node.witness, BASE_US
    match deed.kind:
        case Kind.START:
            return [Started(now_us, None)]
        case Kind.DIAL | Kind.APPEAR:
            keyed = witness.rig_keyed if deed.kind is Kind.DIAL else False
            return [_read(now_us, int(deed.what or 0), keyed, None)]
        case Kind.KEY:
            return [_read(now_us, witness.hz or 0, deed.what is True, None)]
        case Kind.POLL:
            return [_read(now_us, witness.hz or 0, witness.rig_keyed, now_us)]
        case Kind.CLOSE:
            return [RigLinkClosed(now_us, "main", "closed")]
        case Kind.SENSE:
            return [KeySensed(now_us, "main", deed.what is True)]
        case Kind.DONE | Kind.FAILED:
            result = Result.ACKNOWLEDGED if deed.kind is Kind.DONE else Result.FAILED
            number = int(deed.what or 0)
            carrier = CARRIER[node.core.commands[number].name]
            error = None if result is Result.ACKNOWLEDGED else "no answer"
            return [CommandFinished(now_us, number, (OutputAnswer(carrier, result, error, ignored=error is not None),))]
        case Kind.RECORDED | Kind.UNRECORDED:
            return [IntentRecorded(now_us, NOTE_ID, None if deed.kind is Kind.RECORDED else "disk full")]
        case Kind.ASK:
            assert isinstance(deed.what, AmplifierRequest)
            return [OperatorAsked(now_us, 1, deed.what, "operator")]
        case Kind.LOSE:
            return [OutputLost(now_us, str(deed.what), "unplugged")]
        case Kind.CONNECT:
            return [OutputConnected(now_us, str(deed.what))]
        case Kind.FAULT:
            return [DeviceRead(now_us, "amp", Readings(fault="F7")), DeviceRead(now_us, "amp", Readings())]
        case Kind.ACKNOWLEDGE:
            return [FaultAcknowledged(now_us, 1, None, "operator")]
        case Kind.LOCK | Kind.UNLOCK:
            return [LockoutChanged(now_us, LOCKOUT if deed.kind is Kind.LOCK else None)]
        case Kind.TUNE:
            return [TuningChanged(now_us, TUNINGS[str(deed.what)])]
        case Kind.STOP:
            return [StopRequested(now_us)]
        case Kind.WAIT:
            return _polled(node)
        case Kind.SILENCE:
            return [DeadlineReached(CORE.wake_at_us(node.core) or now_us)]
        case Kind.AGE:
            return [DeadlineReached(_too_old_us(witness))]


def _too_old_us(witness: Witness) -> int:
    """When the rig's newest word is too old for anything bold to rest on it."""
    return witness.word_us + FRESH_US + 1


def _read(at_us: int, hz: int, keyed: bool, asked_at_us: int | None) -> RigRead:
    return RigRead(at_us, "main", hz, hz, False, None, keyed, asked_at_us)


def _polled(node: Node) -> list[Event]:
    """Polls that tell nothing new, until the core's next deadline but for the silence of the rig."""
    witness, until_us = node.witness, node.core.wake_us or BASE_US
    asked_us = BASE_US
    found: list[Event] = []
    heard_us = witness.heard_us
    while heard_us + LOST_US <= until_us:
        heard_us = min(max(heard_us + POLL_US, BASE_US), until_us - 1)
        found.append(_read(heard_us, witness.hz or 0, witness.rig_keyed, min(asked_us, heard_us)))
        asked_us = heard_us
    return [*found, _read(until_us, witness.hz or 0, witness.rig_keyed, min(asked_us, until_us))]


def take(node: Node, deed: Deed, claims: Claims | None, *, gated: bool = True) -> Step:
    """Let one thing happen. Raises `BrokenClaim` where a claim does not hold; without claims none is checked."""
    core, gate, witness = node.core, node.gate, node.witness.copy()
    sent: tuple[Effect, ...] = ()
    refusal: RefusedError | None = None
    writing = node.writing and deed.kind not in {Kind.RECORDED, Kind.UNRECORDED}
    for event in events(node, deed):
        witness.take(event)
        core, effects = CORE.step(core, event)
        if gated:
            gate, objection = _through_the_gate(gate, event, effects)
            refusal = refusal or objection
        if claims is not None:
            claims.judge(witness, event, effects)
        else:
            follow(witness, event, effects)
        writing = writing or any(isinstance(effect, RecordIntent) for effect in effects)
        sent += effects
    ids = numbers({**core.commands, **gate.under_way})
    clock = Clock(core.now_us)
    down = node.down
    if deed.kind is Kind.LOSE:
        down |= {str(deed.what)}
    elif deed.kind is Kind.CONNECT:
        down -= {str(deed.what)}
    after = Node(
        core_state(core, ids, clock), gate_account(gate, ids, clock), witness.normal(ids, clock), down, writing
    )
    return Step(after, sent, refusal, core.now_us - BASE_US)


def _through_the_gate(gate: Account, event: Event, effects: tuple[Effect, ...]) -> tuple[Account, RefusedError | None]:
    refusal: RefusedError | None = None
    gate = observe(gate, event, STATION, WIRING)
    if effects:
        gate = told(gate, effects)
    for effect in effects:
        if isinstance(effect, Actuate):
            try:
                GATE.judge(gate, effect.command)
            except RefusedError as error:
                refusal = refusal or error
            gate = passed(gate, effect.command_id, effect.command)
    return gate, refusal


def follow(witness: Witness, event: Event, effects: tuple[Effect, ...]) -> None:
    """Let the witness see a transition without judging it."""
    witness.told(event, effects)
    for effect in effects:
        if isinstance(effect, Actuate):
            witness.left(effect.command_id, effect.command)
    witness.settle(event.at_us)
