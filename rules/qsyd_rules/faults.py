"""Faults latch: how one is found, what it switches off, and what it takes to leave it.

No fault clears by itself. An `offline` one takes the amplifier out of the signal path and keeps the tube hot; a
`shutdown` one takes the high voltage off, lets the blower run, and costs a fresh warm-up. An acknowledgement is a single
act of a person for one fault, never itself commands operate, and is refused while the cause can still be seen. The same
fault three times in ten minutes locks: acknowledging it then takes a reason.

The first fault is the one that tells what happened. Another is latched above it only where it asks for more than those
that stand, the high voltage off or nobody to transmit; each is then acknowledged by itself.
"""

from qsyd_rules.amplifier import CoolDown, Hot, Off, SwitchingOff, SwitchingOn, WarmUp, disarmed
from qsyd_rules.command import CommandName, HighVoltageOff
from qsyd_rules.effect import Answer
from qsyd_rules.event import DeviceRead, FaultAcknowledged
from qsyd_rules.evidence import stuck_detail, stuck_fault_due
from qsyd_rules.fault import INHIBITING, SEVERITY, Fault, FaultCode, Severity
from qsyd_rules.notice import FaultCleared, FaultFound
from qsyd_rules.protection import persists, watch
from qsyd_rules.readings import NO_READINGS, Readings
from qsyd_rules.state import FaultHistory, StationState, standing
from qsyd_rules.turn import Turn

REPEATS_WITHIN_US = 600_000_000
REPEATS_LOCK = 3
REMEMBERED = "stood when the last run ended: "


def raise_fault(turn: Turn, code: FaultCode, detail: str, readings: Readings = NO_READINGS) -> None:
    """Latch a fault, unless those that stand ask for as much already."""
    state = turn.state
    if not _asks_for_more(state, code):
        return
    recent = tuple((each, at_us) for each, at_us in state.fault_history if turn.now_us - at_us < REPEATS_WITHIN_US)
    history: FaultHistory = (*recent, (code, turn.now_us))
    locked = sum(each is code for each, _ in history) >= REPEATS_LOCK
    if state.fault is not None:
        turn.change(covered=(*state.covered, (state.fault, state.fault_locked)))
    fault = Fault(turn.take_id(), code, detail, turn.now_us, readings)
    turn.change(
        fault=fault, fault_locked=locked, fault_history=history, wish=False, amplifier=disarmed(state.amplifier)
    )
    turn.amplifier_reason = f"fault {code}: {detail}"
    _tell(turn, fault, locked=locked)
    if fault.severity is Severity.SHUTDOWN:
        _shut_down(turn)


def _asks_for_more(state: StationState, code: FaultCode) -> bool:
    """Whether a fault of this code asks for what none of those that stand has asked for."""
    known = standing(state)
    shuts_down = SEVERITY[code] is Severity.SHUTDOWN and all(each.severity is not Severity.SHUTDOWN for each in known)
    inhibits = code in INHIBITING and all(each.code not in INHIBITING for each in known)
    return not known or shuts_down or inhibits


def _tell(turn: Turn, fault: Fault, *, locked: bool) -> None:
    turn.report(FaultFound(fault.number, fault.code, fault.severity, fault.detail, fault.advice, locked))


def _shut_down(turn: Turn) -> None:
    """High voltage off at once; the heater follows after the cool-down, and the warm-up has to run anew."""
    station = turn.atlas.station
    if turn.wiring.carries(CommandName.HIGH_VOLTAGE_OFF):
        turn.send(HighVoltageOff())
    if station.amplifier is None:
        return
    match turn.state.amplifier:
        case WarmUp() | Hot() | SwitchingOn():
            turn.change(amplifier=CoolDown(turn.now_us + station.amplifier.cool_down_us, None))
        case CoolDown(off_us=off_us):
            turn.change(amplifier=CoolDown(off_us, None))
        case Off() | SwitchingOff():
            pass


def remember_fault(turn: Turn, code: FaultCode, detail: str) -> None:
    """Latch a fault that an earlier run has left, however many restarts ago, and end what it had begun.

    Whether the heater is on is not known yet: after a `shutdown` it cools down and goes off, as it would have then.
    """
    raise_fault(turn, code, detail if detail.startswith(REMEMBERED) else REMEMBERED + detail)
    amplifier = turn.atlas.station.amplifier
    if SEVERITY[code] is Severity.SHUTDOWN and amplifier is not None and isinstance(turn.state.amplifier, Off):
        turn.change(amplifier=CoolDown(turn.now_us + amplifier.cool_down_us, None))


def judge_readings(turn: Turn, event: DeviceRead) -> None:
    """Hold a device's readings against the limits."""
    amplifier = turn.atlas.station.amplifier
    if amplifier is None:
        return
    known = frozenset(each.code for each in standing(turn.state))
    guarded, trip = watch(turn.state.guarded, event.readings, amplifier, turn.circumstances(), turn.now_us, known)
    turn.change(guarded=guarded)
    if trip is not None:
        raise_fault(turn, trip.code, trip.detail, event.readings)


def pass_fault_time(turn: Turn) -> None:
    """A key that stays down is found by time alone."""
    if stuck_fault_due(turn):
        raise_fault(turn, FaultCode.KEYED_TOO_LONG, stuck_detail(turn))


def acknowledge(turn: Turn, event: FaultAcknowledged) -> None:
    """Let a person leave a fault whose cause has gone."""
    fault = turn.state.fault
    if fault is None:
        turn.effects.append(Answer(event.request_id, False, "no fault stands"))
        return
    refusal = _refusal(turn, event, fault)
    if refusal is not None:
        turn.effects.append(Answer(event.request_id, False, refusal))
        return
    beneath, locked = turn.state.covered[-1] if turn.state.covered else (None, False)
    turn.change(fault=beneath, fault_locked=locked, covered=turn.state.covered[:-1])
    turn.amplifier_reason = f"fault {fault.code} acknowledged by {event.operator}"
    turn.report(FaultCleared(fault.number, fault.code, event.operator, event.reason))
    after = _after(turn, fault)
    if beneath is not None:
        _tell(turn, beneath, locked=locked)
        after = f"{beneath.code} stands still, from before it: acknowledge that too"
    turn.effects.append(Answer(event.request_id, True, f"fault {fault.code} acknowledged; {after}"))


def _after(turn: Turn, fault: Fault) -> str:
    """What the operator may count on once this fault is acknowledged."""
    if turn.atlas.station.amplifier is None:
        return "no other stands"
    if fault.severity is Severity.SHUTDOWN:
        return "switch the amplifier on again: the whole warm-up runs"
    match turn.state.amplifier:
        case Hot():
            return "ask for operate again"
        case WarmUp():
            return "the warm-up goes on"
        case CoolDown():
            return "the amplifier cools down"
        case _:
            return "the whole warm-up runs before it may operate"


def _refusal(turn: Turn, event: FaultAcknowledged, fault: Fault) -> str | None:
    if event.number is not None and event.number != fault.number:
        return f"fault {event.number} does not stand; the one that does is {fault.number}, {fault.code}"
    if turn.state.fault_locked and not event.reason:
        return f"{fault.code} came {REPEATS_LOCK} times in ten minutes: acknowledging it takes a reason (--reason)"
    if fault.code is FaultCode.KEYED_TOO_LONG:
        return "the key is still down" if turn.keyed else None
    amplifier = turn.atlas.station.amplifier
    if amplifier is None:
        return None
    still = persists(fault.code, turn.fresh_readings(), amplifier, turn.circumstances(), turn.state.guarded)
    return None if still is None else f"its cause has not gone: {still}"
