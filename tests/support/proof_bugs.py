"""Seeded bugs: one mistake each in the core, put in while a `with` lasts. Gate, monitor and witness stay as they are.

A proof that finds nothing may only have looked nowhere. Each bug here is one that a hasty hand could make; each has to
be found by at least two of the methods.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from qsyd_rules import change_over, core, estimate, evidence, faults, follow, heater, judgement, relay_care, sequencer
from qsyd_rules.actuator import Commanded, Unknown, commanded
from qsyd_rules.amplifier import Hot, Line, WarmUp
from qsyd_rules.command import AmplifierOperate, CommandName, SelectAntenna
from qsyd_rules.event import AmplifierRequest, OperatorAsked
from qsyd_rules.judgement import Needs
from qsyd_rules.placement import Placement
from qsyd_rules.state import Intent, Permit, Tank
from qsyd_rules.station import ChangeOverTimes
from qsyd_rules.tuning import Tuning
from qsyd_rules.turn import Turn

Patch = tuple[Any, Any]
"""A function of the core, and what stands in for it."""


@contextmanager
def replaced(*patches: Patch) -> Iterator[None]:
    """Put other functions in the place of some, in every module of the core that knows them."""
    undo: list[tuple[Any, str, Any]] = []
    spared = ("qsyd_rules.gate", "qsyd_rules.monitor")
    modules: list[Any] = [
        each for name, each in sys.modules.items() if name.startswith("qsyd_rules.") and not name.startswith(spared)
    ]
    try:
        for original, other in patches:
            known_as = str(original.__name__)
            places = [each for each in modules if getattr(each, known_as, None) is original]
            assert places, f"nobody knows {known_as}"
            for module in places:
                undo.append((module, known_as, original))
                setattr(module, known_as, other)
        yield
    finally:
        for module, name, original in undo:
            setattr(module, name, original)


@contextmanager
def in_turn(name: str, value: Any) -> Iterator[None]:
    """Replace an attribute of every turn."""
    original = Turn.__dict__[name]
    setattr(Turn, name, value)
    try:
        yield
    finally:
        setattr(Turn, name, original)


@contextmanager
def _times(**changed: int) -> Iterator[None]:
    """The core believes in other waits than the station file has."""
    original = Turn.__init__

    def hasty(self: Turn, *given: Any) -> None:
        original(self, *given)
        self.times = _hastened(self.times, **changed)

    with in_turn("__init__", hasty):
        yield


def _hastened(times: ChangeOverTimes, **changed: int) -> ChangeOverTimes:
    return replace(times, **changed)


def _quiet_while_keyed(turn: Turn) -> int | None:
    held = turn.state.permit
    rests = not isinstance(held, Commanded | Unknown) and held.value is Permit.INHIBITED
    return turn.state.reported_us + turn.times.guard_us if turn.rig.up and rests else None


def _quiet_since_the_report(turn: Turn) -> int | None:
    """The guard time counts from the report, not from the inhibit's answer."""
    return None if turn.keyed or not turn.rig.up else turn.state.reported_us + turn.times.guard_us


def _whatever_the_line(turn: Turn, it: Any) -> bool:
    due_us = judgement.quiet_at_us(turn)
    ready = due_us is not None and turn.now_us >= due_us and judgement.is_fresh(turn) and judgement.agrees(turn)
    return ready and it.intent is not Intent.PENDING


def _as_if(**believed: Any) -> Callable[[Turn, Needs], str | None]:
    """The refusal to operate, in a state that is not."""
    original = judgement.operate_refusal

    def refusal(turn: Turn, wanted: Needs) -> str | None:
        truth = turn.state
        turn.state = truth.but(**believed)
        try:
            return original(turn, wanted)
        finally:
            turn.state = truth

    return refusal


_needs, _tank_of, _heater_answered = (
    judgement.needs,
    judgement.tank_of,
    heater.heater_answered,
)
_acknowledge, _lose_rig, _ask, _note = faults.acknowledge, follow.lose_rig, heater.ask_amplifier, change_over.retarget
_pass_fault_time, _noted = faults.pass_fault_time, change_over._noted
_is_under_way = Turn.under_way


def _antenna_unknown_will_do(turn: Turn) -> Needs:
    wanted = _needs(turn)
    return replace(wanted, antenna=wanted.antenna and not isinstance(turn.state.antenna, Unknown))


def _warm_in_half_the_time(turn: Turn, number: int, result: Any) -> None:
    _heater_answered(turn, number, result)
    warming = turn.state.amplifier
    if isinstance(warming, WarmUp):
        turn.change(amplifier=replace(warming, ready_us=(turn.now_us + warming.ready_us) // 2))


def _cleared_by_time(turn: Turn) -> None:
    _pass_fault_time(turn)
    if turn.state.fault is not None and not turn.keyed:
        turn.change(fault=None)


def _acknowledged_to_operate(turn: Turn, event: Any) -> None:
    stood = turn.state.fault is not None
    _acknowledge(turn, event)
    if stood and turn.state.fault is None:
        turn.change(wish=True)


def _acknowledged_into_operate(turn: Turn, event: Any) -> None:
    stood = turn.state.fault is not None
    _acknowledge(turn, event)
    if stood and turn.state.fault is None:
        turn.change(line=commanded(turn.state.line, Line.OPERATE, turn.send(AmplifierOperate())))


def _noted_at_once(turn: Turn, it: Any) -> Any:
    return replace(_noted(turn, it), intent=Intent.RECORDED)


def _the_old_note_serves(turn: Turn) -> None:
    before = turn.state.change_over
    _note(turn)
    after = turn.state.change_over
    if before is not None and after is not None:
        turn.effects[:] = [each for each in turn.effects if type(each).__name__ != "RecordIntent"]
        turn.change(change_over=replace(after, intent=before.intent, intent_id=before.intent_id))


def _another_preset(placement: Placement) -> Tank | None:
    tank = _tank_of(placement)
    return None if tank is None else replace(tank, tune=tank.tune + 1)


def _loses_and_moves(turn: Turn, name: str, reason: str) -> None:
    _lose_rig(turn, name, reason)
    turn.send(SelectAntenna(turn.followed, turn.atlas.station.antennas[0].name, turn.atlas.station.antennas[0].port))


def _standby_forgotten(turn: Turn, event: OperatorAsked) -> None:
    wished = turn.state.wish
    _ask(turn, event)
    if event.request is AmplifierRequest.STANDBY:
        turn.change(wish=wished)


def _under_way_but_operate(turn: Turn, name: CommandName) -> bool:
    return name is not CommandName.AMPLIFIER_OPERATE and _is_under_way(turn, name)


def _tuning_never_ends(turn: Turn, tuning: Tuning | None) -> None:
    if tuning is not None:
        turn.change(tuning=tuning)


def _drive_not_reduced(limit_w: int | None, fitted: estimate.Estimate) -> int | None:
    known = [drive_w for drive_w in (limit_w, fitted.drive_w) if drive_w is not None]
    return min(known) if known else None


def _mute(*_: Any, **__: Any) -> None:
    """Does nothing."""


def _no(*_: Any, **__: Any) -> bool:
    return False


def _yes(*_: Any, **__: Any) -> bool:
    return True


def _empty(*_: Any, **__: Any) -> list[str]:
    return []


def _at_once(_: Any, at_us: int) -> int:
    return at_us


@contextmanager
def _relays_never_spared() -> Iterator[None]:
    original = relay_care.RelayCare.allowed_at_us
    relay_care.RelayCare.allowed_at_us = _at_once  # type: ignore[method-assign, assignment]
    try:
        yield
    finally:
        relay_care.RelayCare.allowed_at_us = original  # type: ignore[method-assign]


def _put(*patches: Patch) -> Callable[[], Any]:
    return lambda: replaced(*patches)


@dataclass(frozen=True, slots=True)
class Bug:
    """A seeded bug: the invariant it breaks, how it is put in, and in which world of the search it shows."""

    invariant: str
    put_in: Callable[[], Any]
    """Makes a context manager; the bug is there while it lasts."""
    world: str
    roots: tuple[str, ...]
    searched: bool = True
    """Whether the search can see it at all."""
    evening: bool = False
    """Whether it takes a tune-up or an estimate to show it: then random evenings stand for the afternoons."""


_MOVING = ("in operate", "antenna being selected", "preset being recalled", "barefoot")
BUGS = {
    "the guard ignores the key": Bug("I2", _put((judgement.quiet_at_us, _quiet_while_keyed)), "dial", _MOVING),
    "deaf to every key": Bug("I2", lambda: in_turn("keyed", property(_no)), "key", ("antenna being selected",)),
    "no guard time": Bug("I1", lambda: _times(guard_us=0), "two bands", _MOVING),
    "the inhibit is not awaited": Bug(
        "I1", _put((judgement.quiet_at_us, _quiet_since_the_report)), "two bands", _MOVING
    ),
    "a release under way is forgotten": Bug(
        "I1", lambda: in_turn("under_way", _no), "two bands", ("release commanded",)
    ),
    "an operate under way is forgotten": Bug(
        "I4", lambda: in_turn("under_way", _under_way_but_operate), "two bands", ("operate commanded",)
    ),
    "standby is not awaited": Bug(
        "I3", _put((sequencer._may_actuate, _whatever_the_line)), "two bands", ("in operate",)
    ),
    "never stands by": Bug("I10", _put((judgement.must_stand_by, _no)), "two bands", ("in operate",)),
    "the relay settles in no time": Bug("I4", lambda: _times(relay_settle_us=0), "two bands", _MOVING),
    "the tank settles in no time": Bug("I4", lambda: _times(preset_settle_us=0), "two bands", _MOVING),
    "released with the antenna unknown": Bug(
        "I4", _put((judgement.needs, _antenna_unknown_will_do)), "devices", _MOVING
    ),
    "released while changing over": Bug("I4", _put((judgement._under_way, _empty)), "two bands", _MOVING),
    "operate without a hot tube": Bug(
        "I5", _put((judgement.operate_refusal, _as_if(amplifier=Hot(), wish=True))), "operator", ("barefoot",)
    ),
    "half the warm-up": Bug("I5", _put((heater.heater_answered, _warm_in_half_the_time)), "warm-up", ("barefoot",)),
    "a fault ends by itself": Bug(
        "I6", _put((faults.pass_fault_time, _cleared_by_time)), "operator", ("fault stands",)
    ),
    "operate while a fault stands": Bug(
        "I6", _put((judgement.operate_refusal, _as_if(fault=None, wish=True))), "operator", ("fault stands",)
    ),
    "an acknowledgement wishes": Bug(
        "I24", _put((faults.acknowledge, _acknowledged_to_operate)), "operator", ("fault stands",)
    ),
    "an acknowledgement operates": Bug(
        "I7", _put((faults.acknowledge, _acknowledged_into_operate)), "operator", ("fault stands",)
    ),
    "a lost rig is ignored": Bug("I8", _put((follow.lose_rig, _mute)), "rig", _MOVING),
    "an old word of the rig will do": Bug(
        "I8", _put((judgement.is_fresh, _yes)), "rig", ("antenna being selected", "preset being recalled")
    ),
    "another preset is recalled": Bug("I9", _put((judgement.tank_of, _another_preset)), "two bands", _MOVING),
    "the safe state is not told": Bug("I11", _put((core._send_safe_state, _mute)), "operator", ("cold", "in operate")),
    "a note is not awaited": Bug("I14", _put((change_over._noted, _noted_at_once)), "two bands", _MOVING),
    "the old note serves": Bug("I14", _put((change_over.retarget, _the_old_note_serves)), "two bands", _MOVING),
    "a lost rig moves the antenna": Bug("I16", _put((follow.lose_rig, _loses_and_moves)), "rig", _MOVING),
    "a stuck key is ignored": Bug(
        "I17", _put((evidence.is_stuck, _no), (evidence.stuck_fault_due, _no)), "key", ("in operate, keyed",)
    ),
    "a single reading moves": Bug("I21", _put((judgement.agrees, _yes)), "two bands", _MOVING),
    "a lockout is ignored": Bug("I24", _put((core._lock_out, _mute)), "operator", _MOVING),
    "standby is not obeyed": Bug("I24", _put((heater.ask_amplifier, _standby_forgotten)), "operator", _MOVING),
    "drifts are acted upon at once": Bug("I25", _put((sequencer._only_drifts, _no)), "dial", _MOVING),
    "a tune-up never ends": Bug(
        "I9",
        _put((core.change_tuning, _tuning_never_ends)),
        "tune-up",
        ("tuned up, in standby", "tuned up, in operate"),
        evening=True,
    ),
    "full drive on an estimate": Bug(
        "I9",
        _put((estimate.reduced_drive_w, _drive_not_reduced)),
        "estimate",
        ("estimate being recalled", "on an estimate, in operate"),
        evening=True,
    ),
    "relays are never spared": Bug("I25", _relays_never_spared, "dial", ("in operate",), searched=False),
}
