"""One state for all that differ in nothing but the clock, numbers and words: what makes the state space finite.

Every time is moved so that now is `BASE_US`. A time further back than anything looks is moved up to just there; numbers
of commands and notes are given out anew in their order; texts become one word. What is only told (which notices were
reported already, since when a step waits for the rig) is forgotten. Forgotten too, and so not part of this proof: how worn
the relays are (relay care), how often a fault came lately, and that pauses between tries double more than once. Nobody holds
an antenna: no band of the small station has two, so that a hold could choose nothing.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from proof_station import GUARD_US, KEY_DOWN_US, LOST_US, REST_US, WARM_UP_US

from qsyd_rules.actuator import Commanded, Resting, Settling, Unknown
from qsyd_rules.amplifier import Amplifier, CoolDown, Hot, Off, SwitchingOff, SwitchingOn, WarmUp
from qsyd_rules.command import Command, InhibitTransmit
from qsyd_rules.fault import Fault
from qsyd_rules.gate_account import Account
from qsyd_rules.protection import Guarded
from qsyd_rules.readings import NO_READINGS
from qsyd_rules.relay_care import RelayCare
from qsyd_rules.state import IGNORED_AT_ONCE, ChangeOver, HoldOff, RigState, StationState

BASE_US = 1_000_000_000_000
FIRST_ID = 100
NOTE_ID, OLD_NOTE_ID, FAULT_ID = 90, 91, 80
_FORCE_US, _DISAGREE_US, _NOTE_US, _GAP_US, _FRESH_US = 2_000_000, 500_000, 500_000, 5_000_000, 600_001
_GRACE_US = 2_000_000
_INHIBIT = InhibitTransmit(("x",))
_NOTHING = Unknown()


class Clock:
    """Moves times of one state; `past` ones are of no interest before their horizon, `due` ones once they are over."""

    __slots__ = ("_now_us", "_shift_us")

    def __init__(self, now_us: int) -> None:
        self._now_us = now_us
        self._shift_us = BASE_US - now_us

    def past(self, at_us: int, horizon_us: int) -> int:
        """A time that has been: how long ago, up to the horizon."""
        return max(at_us + self._shift_us, BASE_US - horizon_us)

    def past_or_none(self, at_us: int | None, horizon_us: int) -> int | None:
        return None if at_us is None else max(at_us + self._shift_us, BASE_US - horizon_us)

    def due(self, at_us: int) -> int:
        """A time to come, or 0 for one that has been."""
        return at_us + self._shift_us if at_us > self._now_us else 0

    def moved(self, at_us: int) -> int:
        return at_us + self._shift_us


Ids = Mapping[int, int]


def numbers(commands: Mapping[int, Command]) -> dict[int, int]:
    """New numbers for the commands under way, in their order."""
    return {old: new for new, old in enumerate(sorted(commands), 1)}


def renumbered(commands: Mapping[int, Command], ids: Ids) -> dict[int, Command]:
    return {
        ids[old]: _INHIBIT if isinstance(command, InhibitTransmit) else command
        for old, command in sorted(commands.items())
    }


def _actuator(it: Any, clock: Clock, ids: Ids, horizon_us: int = 0) -> Any:
    match it:
        case Resting(value, result, since_us):
            return Resting(value, result, clock.past(since_us, horizon_us))
        case Commanded(value, command_id, failures, error):
            return Commanded(value, ids[command_id], min(failures, 1), None if error is None else "x")
        case Settling(value, result, until_us):
            return Settling(value, result, clock.moved(until_us))
        case Unknown(failures, retry_at_us, error):
            if not failures and not retry_at_us and error is None:
                return _NOTHING
            return Unknown(min(failures, 1), clock.due(retry_at_us), None if error is None else "x")


def _rig(rig: RigState, clock: Clock, asked_us: int) -> RigState:
    if not rig.up:
        told_from_us = clock.past(rig.told_from_us, _FRESH_US)
        return RigState(heard_us=BASE_US, lost_because="x", asked_us=asked_us, told_from_us=told_from_us)
    return RigState(
        True,
        clock.past(rig.heard_us, LOST_US),
        "",
        rig.frequency_hz,
        rig.transmit_hz,
        rig.split,
        rig.mode,
        rig.keyed,
        clock.past(rig.unkeyed_since_us, GUARD_US),
        clock.past(rig.moved_us, REST_US),
        asked_us,
        clock.past(rig.told_from_us, _FRESH_US),
        None,
    )


def _in_order(now_us: int, *times_us: int) -> list[int]:
    """Of these only the order counts, and whether one is now."""
    earlier = sorted({at_us for at_us in times_us if at_us < now_us})
    return [BASE_US if at_us >= now_us else BASE_US - len(earlier) + earlier.index(at_us) for at_us in times_us]


def _heater(heater: Amplifier, clock: Clock, ids: Ids) -> Amplifier:
    match heater:
        case Off() | Hot():
            return heater
        case SwitchingOn(command_id, armed):
            return SwitchingOn(ids[command_id], armed)
        case WarmUp(ready_us, armed):
            return WarmUp(clock.moved(ready_us), armed)
        case CoolDown(off_us, ready_us):
            return CoolDown(clock.moved(off_us), clock.past_or_none(ready_us, 0))
        case SwitchingOff(command_id, retry_us):
            return SwitchingOff(None if command_id is None else ids[command_id], clock.due(retry_us))


def _change_over(it: ChangeOver | None, clock: Clock) -> ChangeOver | None:
    if it is None:
        return None
    return ChangeOver(
        NOTE_ID,
        clock.past(it.started_us, GUARD_US),
        None,
        it.target,
        it.shown,
        clock.past(it.noted_us, _NOTE_US),
        it.intent,
        it.touched,
        it.operated,
        clock.due(it.not_before_us),
    )


def core_state(state: StationState, ids: Ids, clock: Clock) -> StationState:
    """The state of the core that stands for all like it."""
    ((name, rig),) = state.rigs.items()
    asked_us, here_since_us, reported_us = _in_order(state.now_us, rig.asked_us, state.here_since_us, state.reported_us)
    fault = state.fault
    return state.but(
        now_us=BASE_US,
        rigs={name: _rig(rig, clock, asked_us)},
        here_since_us=here_since_us,
        reported_us=reported_us,
        permit=_actuator(state.permit, clock, ids, GUARD_US),
        line=_actuator(state.line, clock, ids),
        antenna=_actuator(state.antenna, clock, ids),
        tank=_actuator(state.tank, clock, ids),
        drive=_actuator(state.drive, clock, ids),
        amplifier=_heater(state.amplifier, clock, ids),
        heater_on_us=None,  # only another station file asks for it
        heater_off_us=None,  # only what the amplifier tells of its heater asks for it
        change_over=_change_over(state.change_over, clock),
        finishing=None
        if state.finishing is None
        else replace(state.finishing, intent_id=OLD_NOTE_ID, started_us=BASE_US),
        spot=None,
        care=RelayCare(),
        care_warned=False,
        keyed_since_us=clock.past_or_none(state.keyed_since_us, KEY_DOWN_US + _GRACE_US),
        quiet_since_us=clock.past(state.quiet_since_us, GUARD_US),
        disagree_since_us=clock.past_or_none(state.disagree_since_us, _DISAGREE_US),
        readings={},
        guarded=Guarded(),
        fault=None if fault is None else Fault(FAULT_ID, fault.code, "x", BASE_US, NO_READINGS),
        fault_locked=False,
        covered=tuple((Fault(FAULT_ID, each.code, "x", BASE_US, NO_READINGS), False) for each, _ in state.covered),
        fault_history=(),
        misplaced_since_us=clock.past_or_none(state.misplaced_since_us, _FORCE_US),
        amplifier_lost_us=clock.past_or_none(state.amplifier_lost_us, _GAP_US),
        hold_offs={
            each: HoldOff(min(hold_off.failures, 1), clock.due(hold_off.until_us))
            for each, hold_off in sorted(state.hold_offs.items())
        },
        reasons=("x",) if state.reasons else state.reasons,
        advice=frozenset(),
        sending=frozenset(),
        preset_missed=None,
        failing=frozenset(),
        ignored={each: min(count, IGNORED_AT_ONCE + 1) for each, count in sorted(state.ignored.items())},
        commands=renumbered(state.commands, ids),
        next_id=FIRST_ID,
        wake_us=None if state.wake_us is None else clock.moved(state.wake_us),
    )


def gate_account(account: Account, ids: Ids, clock: Clock) -> Account:
    """The gate's account that stands for all like it."""
    note = account.note
    return account.but(
        now_us=BASE_US,
        rig_heard_us=clock.past_or_none(account.rig_heard_us, LOST_US),
        rig_told_from_us=clock.past(account.rig_told_from_us, _FRESH_US),
        rf={},
        unkeyed_since_us=clock.past(account.unkeyed_since_us, GUARD_US),
        inhibited_since_us=clock.past_or_none(account.inhibited_since_us, GUARD_US),
        standby_since_us=clock.past_or_none(account.standby_since_us, 0),
        line_settles_us=clock.due(account.line_settles_us),
        heater_on_us=clock.past_or_none(account.heater_on_us, WARM_UP_US),
        off_since_us=None,
        off_asked_us=None,
        lost_us=clock.past_or_none(account.lost_us, _GAP_US),
        antenna_settles_us=clock.due(account.antenna_settles_us),
        antenna_spent_us=0,
        tank_settles_us=clock.due(account.tank_settles_us),
        under_way=renumbered(account.under_way, ids),
        note=note
        if note.number is None
        else replace(note, number=NOTE_ID, asked_us=clock.past(note.asked_us, _NOTE_US)),
        fault=None if account.fault is None else FAULT_ID,
        acknowledging=False,
    )
