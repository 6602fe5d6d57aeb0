"""The station core: `(state, event) -> (state, effects)`, and when it wants to be woken.

The core never reads a clock and never waits. The shell tells it what happened and when, carries out the effects in
order, and sends `DeadlineReached` at `wake_at_us`. The same core runs live and on a virtual clock.
"""

from collections.abc import Iterable
from typing import assert_never

from qsyd_rules import amplifier as model
from qsyd_rules.actuator import (
    Commanded,
    Settling,
    deadline_us,
    doubted,
    settled,
)
from qsyd_rules.amplifier import Line
from qsyd_rules.belief import device_back, device_lost, finish_command
from qsyd_rules.change_over import NOTE_WAIT_US, note_answered
from qsyd_rules.command import AmplifierStandby, CommandName, InhibitTransmit
from qsyd_rules.effect import Answer, Effect
from qsyd_rules.event import (
    CommandFinished,
    DeadlineReached,
    DeviceRead,
    Event,
    ExchangeChanged,
    FaultAcknowledged,
    FaultRemembered,
    HoldChanged,
    IntentRecorded,
    KeySensed,
    Lockout,
    LockoutChanged,
    LoopStalled,
    MinuteTurned,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    PresetsChanged,
    Reloaded,
    RigLinkClosed,
    RigRead,
    SafetyTripped,
    Started,
    StopRequested,
    TuningChanged,
)
from qsyd_rules.evidence import DISAGREE_US, STUCK_GRACE_US, key_down_us, note_key
from qsyd_rules.fault import FaultCode
from qsyd_rules.faults import acknowledge, pass_fault_time, raise_fault, remember_fault
from qsyd_rules.follow import lose_rig, read_rig, redecide, silent_at_us, take_minute
from qsyd_rules.heater import EVIDENCE_GAP_US, ask_amplifier, doubt_heater, pass_heater_time
from qsyd_rules.hold import change_hold, hold_ends_us, pass_hold_time
from qsyd_rules.judgement import FORCE_STANDBY_US, FRESH_US, at_rest_at_us, quiet_at_us
from qsyd_rules.metering import pass_reading_time, read_device, stale_at_us, tank_overdue
from qsyd_rules.notice import Asked, PresetSaved, StationStarted, Warned
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.reloading import take_reload
from qsyd_rules.report import amplifier_change, react, remarks
from qsyd_rules.sequencer import advance
from qsyd_rules.state import Permit, RigState, StationState
from qsyd_rules.tuning import SET_BY_HAND, Tuning
from qsyd_rules.turn import Turn
from qsyd_rules.wiring import Wiring

UNKEYED_FOR_MINUTE_US = 60_000_000
"""Unkeyed for this long, a change that only the clock brings takes effect without the dial."""


class StationCore:
    """The pure core of one station. Immutable: all that changes is in the `StationState` handed in and out."""

    __slots__ = ("atlas", "followed", "wiring")

    def __init__(self, atlas: Atlas, wiring: Wiring) -> None:
        self.atlas = atlas
        self.wiring = wiring
        self.followed = atlas.station.followed

    def initial(self, presets: Presets, at_us: int, first_id: int = 1) -> StationState:
        """The state before anything is known; commands and intents are numbered from `first_id`."""
        rigs = {rig.name: RigState(heard_us=at_us) for rig in self.atlas.station.rigs}
        return StationState(now_us=at_us, rigs=rigs, presets=presets, next_id=first_id)

    def step(self, state: StationState, event: Event) -> tuple[StationState, tuple[Effect, ...]]:
        """Decide what one event changes: the next state, and what the shell must do, in this order."""
        if isinstance(event, RigRead):
            quiet = self._nothing_new(state, event)
            if quiet is not None:
                return quiet, ()
        turn = Turn(self.atlas, self.wiring, self.followed, state, event.at_us)
        _take(turn, event)
        _pass_time(turn)
        redecide(turn)
        _decide(turn)
        answered, stood_by = react(turn, 0)
        while stood_by:
            _decide(turn)
            answered, stood_by = react(turn, answered)
        turn.change(wake_us=_next_deadline_us(turn))
        return turn.state, tuple(turn.effects)

    def wake_at_us(self, state: StationState) -> int | None:
        """When to send `DeadlineReached`; None to wait for something to happen."""
        due = [silent_at_us(rig, state.rigs[rig.name]) for rig in self.atlas.station.rigs if state.rigs[rig.name].up]
        if state.wake_us is not None:
            due.append(state.wake_us)
        return min(due, default=None)

    def _nothing_new(self, state: StationState, event: RigRead) -> StationState | None:
        """The state after a reading that tells what is known already, while nothing is under way: the usual case."""
        rig = state.rigs[event.rig]
        if (
            not rig.up
            or rig.frequency_hz != event.frequency_hz
            or rig.transmit_hz != event.transmit_hz
            or rig.keyed is not event.keyed
            or rig.mode is not event.mode
            or rig.split is not event.split
            or (state.change_over is not None and event.at_us - rig.told_from_us > FRESH_US)
            or rig.asked_us < state.reported_us
            or (state.here is not None and state.target is not state.here)
            or (state.wake_us is not None and state.wake_us <= event.at_us)
        ):
            return None
        asked_us = rig.asked_us if event.asked_at_us is None else event.asked_at_us
        told_from_us = rig.told_from_us if event.fresh_from_us is None else event.fresh_from_us
        known = rig.but(heard_us=event.at_us, asked_us=asked_us, told_from_us=told_from_us)
        return state.but(now_us=event.at_us, rigs={**state.rigs, event.rig: known})


def _take(turn: Turn, event: Event) -> None:
    match event:
        case Started():
            _start(turn, event)
        case StopRequested():
            _stop(turn)
        case RigRead():
            read_rig(turn, event)
        case RigLinkClosed(rig=rig, reason=reason):
            lose_rig(turn, rig, reason)
        case CommandFinished():
            finish_command(turn, event)
        case OutputConnected(output=output):
            device_back(turn, output)
        case OutputLost(output=output, reason=reason):
            device_lost(turn, output, reason)
        case IntentRecorded(intent_id=intent_id, error=error):
            note_answered(turn, intent_id, error)
        case PresetsChanged(presets=presets, saved=saved):
            turn.change(presets=presets)
            for antenna, segment in saved:
                turn.report(PresetSaved(antenna, segment))
        case OperatorAsked():
            ask_amplifier(turn, event)
            _tell_of_asking(turn, event)
        case MinuteTurned(minute=minute):
            turn.change(minute=minute)
        case DeviceRead():
            read_device(turn, event)
        case KeySensed(rig=rig, keyed=keyed):
            if rig == turn.followed:  # a line that said keyed and cannot be read any more says so still
                turn.change(key_line=True if keyed is None and turn.state.key_line else keyed)
        case FaultAcknowledged():
            acknowledge(turn, event)
        case FaultRemembered(code=code, detail=detail):
            remember_fault(turn, code, detail)
        case LockoutChanged(lockout=lockout):
            _lock_out(turn, lockout)
        case TuningChanged(tuning=tuning):
            change_tuning(turn, tuning)
        case HoldChanged():
            change_hold(turn, event)
        case ExchangeChanged(what=what):
            turn.change(exchanging=what)
        case Reloaded():
            take_reload(turn, event)
        case LoopStalled(stalled_us=stalled_us):
            _stalled(turn, stalled_us)
        case SafetyTripped(invariant=invariant, text=text):
            raise_fault(turn, FaultCode.UNSAFE_COMMAND, f"{invariant}: {text}")
            _send_safe_state(turn, "something unsafe was about to be done")
        case DeadlineReached():
            pass
        case _:
            assert_never(event)


def _tell_of_asking(turn: Turn, event: OperatorAsked) -> None:
    """Whoever asks later why the amplifier was in standby has to know whether anybody wished otherwise."""
    answered = [effect for effect in turn.effects if isinstance(effect, Answer)]
    if answered:
        turn.report(Asked(str(event.request), event.operator, answered[-1].accepted, answered[-1].text))


def _decide(turn: Turn) -> None:
    """Take every step that is due, and tell what has become of it; rules may look at the amplifier's state."""
    advance(turn)
    if amplifier_change(turn):
        redecide(turn)
        advance(turn)
        amplifier_change(turn)
    remarks(turn)


def _start(turn: Turn, event: Started) -> None:
    turn.change(minute=event.minute, minute_used=event.minute, started=True)
    turn.report(StationStarted(turn.atlas.station.name, event.file_sha256))
    _send_safe_state(turn, "the daemon has just started")


def _stop(turn: Turn) -> None:
    turn.change(stopping=True, wish=False)
    turn.send_no_more()
    turn.amplifier_reason = "the daemon is stopping"
    _send_safe_state(turn, "the daemon is stopping")


def change_tuning(turn: Turn, tuning: Tuning | None) -> None:
    """A tune-up begins, goes on to another place, or ends. Where it was, the operator's hand was on the tank."""
    left = turn.state.tuning
    if left is not None and not left.is_at(tuning):
        turn.change(tank=doubted(turn.state.tank, SET_BY_HAND))
    turn.change(tuning=tuning)


def _lock_out(turn: Turn, lockout: Lockout | None) -> None:
    ended = turn.state.lockout
    turn.change(lockout=lockout)
    if lockout is not None:
        turn.change(wish=False, amplifier=model.disarmed(turn.state.amplifier))
        turn.amplifier_reason = f"maintenance lockout by {lockout.operator}"
        turn.report(Warned("lockout", f"maintenance lockout by {lockout.operator}: {lockout.reason}"))
    elif ended is not None:
        turn.report(
            Warned("lockout-ended", "maintenance lockout ended; the operator's wish to operate has to be renewed")
        )


def _stalled(turn: Turn, stalled_us: int) -> None:
    """The shell stood still: what was known is that old, and a permit line has been dropped meanwhile."""
    turn.report(Warned("stalled", f"qsyd stood still for {stalled_us / 1e6:.1f} s; transmit was inhibited meanwhile"))
    turn.change(permit=doubted(turn.state.permit, "qsyd stood still"))
    # Somebody may have keyed meanwhile: the guard runs anew, and upon a word that is asked for from here on.
    rig = turn.rig.but(told_from_us=-1)
    turn.change(quiet_since_us=turn.now_us, rigs={**turn.state.rigs, turn.followed: rig})
    if stalled_us > EVIDENCE_GAP_US:
        doubt_heater(turn, "qsyd stood still: nobody knows whether the heater stayed on")


def _send_safe_state(turn: Turn, reason: str) -> None:
    """Tell the outputs the safe state, whatever they are believed to hold."""
    if turn.wiring.carries(CommandName.INHIBIT_TRANSMIT):
        turn.change(permit=Commanded(Permit.INHIBITED, turn.send(InhibitTransmit((reason,)))))
    if turn.wiring.carries(CommandName.AMPLIFIER_STANDBY):
        turn.change(line=Commanded(Line.STANDBY, turn.send(AmplifierStandby())))


def _pass_time(turn: Turn) -> None:
    """What time alone changes."""
    state, now_us = turn.state, turn.now_us
    if isinstance(state.line, Settling):
        turn.change(line=settled(state.line, now_us))
    if isinstance(state.antenna, Settling):
        turn.change(antenna=settled(state.antenna, now_us))
    if isinstance(state.tank, Settling):
        tank_overdue(turn)
        turn.change(tank=settled(turn.state.tank, now_us))
    pass_reading_time(turn)
    for rig in turn.atlas.station.rigs:
        known = turn.state.rigs[rig.name]
        if known.up and now_us >= silent_at_us(rig, known):
            lose_rig(turn, rig.name, f"no answer for {rig.lost_after_us / 1e6:g} s")
    note_key(turn)
    pass_fault_time(turn)
    pass_heater_time(turn)
    pass_hold_time(turn)
    _take_minute_over(turn)


def _take_minute_over(turn: Turn) -> None:
    rig, state = turn.rig, turn.state
    unkeyed_long = not turn.keyed and turn.now_us >= rig.unkeyed_since_us + UNKEYED_FOR_MINUTE_US
    if unkeyed_long and state.minute_used != state.minute:
        take_minute(turn)


def _next_deadline_us(turn: Turn) -> int | None:
    return min((due for due in _deadlines(turn) if due is not None and due > turn.now_us), default=None)


def _deadlines(turn: Turn) -> Iterable[int | None]:
    """Every instant at which time alone may change what is right; those gone by are left out by the caller."""
    state = turn.state
    yield deadline_us(state.permit)
    yield deadline_us(state.line)
    yield deadline_us(state.antenna)
    yield deadline_us(state.tank)
    yield deadline_us(state.drive)
    yield model.deadline_us(state.amplifier)
    yield quiet_at_us(turn)
    yield stale_at_us(turn)
    if state.keyed_since_us is not None:
        yield state.keyed_since_us + key_down_us(turn)
        yield state.keyed_since_us + key_down_us(turn) + STUCK_GRACE_US
    if state.disagree_since_us is not None and not state.disagree_told:
        yield state.disagree_since_us + DISAGREE_US
    yield at_rest_at_us(turn)
    yield hold_ends_us(turn)
    if state.change_over is not None:
        yield state.change_over.noted_us + NOTE_WAIT_US
        yield state.change_over.not_before_us
    if state.care_warned:
        yield state.care.allowed_at_us(turn.now_us)
    if state.misplaced_since_us is not None:
        yield state.misplaced_since_us + FORCE_STANDBY_US
    if state.amplifier_lost_us is not None:
        yield state.amplifier_lost_us + EVIDENCE_GAP_US
    if state.minute_used != state.minute:
        yield turn.rig.unkeyed_since_us + UNKEYED_FOR_MINUTE_US
    yield from (hold_off.until_us for hold_off in state.hold_offs.values())
