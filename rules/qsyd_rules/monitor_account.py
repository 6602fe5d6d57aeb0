"""The monitor's own account of a station: what events told, what left, and how that was answered.

It is kept from the trace alone and knows nothing of what the core believes, so that one mistake cannot hide in both.
"""

from dataclasses import dataclass, field, replace
from typing import Any

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, RecordIntent
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeviceRead,
    Event,
    ExchangeChanged,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    SafetyTripped,
    Started,
    StopRequested,
    TuningChanged,
)
from qsyd_rules.monitor_evidence import EVIDENCE_GAP_US, KEYED_ABOVE_W, Heater, Key
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.monitor_told import NO_NOTE, Noted, Told, Underway
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import AmplifierState, Result, worst

STALE_AFTER_US = 1_000_000
"""How long a reading is believed where the wiring does not say."""
PANEL_AFTER_US = 1_000_000
"""An amplifier that is not in operate this long after it answered was put into standby at its panel."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """What the monitor found: the invariant, and in words."""

    invariant: str
    text: str


@dataclass(frozen=True)
class Account:
    """What is known of the station. A time of None means: not so."""

    reading: RigRead | None = None
    """The followed rig as it last told itself; None while it is not heard."""
    silent_us: int | None = None
    """Since when the followed rig has not been heard any more."""
    key: Key = field(default_factory=Key)
    heater: Heater = field(default_factory=Heater)
    permit: Told | None = None
    line: Told | None = None
    """Standby or operate."""
    antenna: Told | None = None
    tank: Told | None = None
    drive: Told | None = None
    underway: tuple[Underway, ...] = ()
    line_read: tuple[int, AmplifierState] | None = None
    """What the amplifier last told of itself, and when."""
    positions_read: tuple[int, int] | None = None
    """Tune and load as told since the last recall left."""
    noted: Noted = NO_NOTE
    unwanted_us: int | None = 0
    """Since when no operator wants to operate; None while one does."""
    locked_out_us: int | None = None
    exchanging_us: int | None = None
    """Since when links are about to be exchanged."""
    tuning: Tuning | None = None
    """A person tunes up there, and needs no preset for it."""
    stopped_us: int | None = None
    tripped_us: int | None = None
    """Found unsafe, and not acknowledged since."""
    shut_down: bool = False
    """High voltage was taken away, and that was not acknowledged since."""
    misplaced_us: int | None = None
    """Since when operate has stood where amplifier, antenna or tank do not serve."""
    selections: tuple[int, int] = (0, 0)
    """Antenna commands that count, in millionths, and when that was worked out."""

    def but(self, **fields: Any) -> "Account":
        """The same account with some fields replaced."""
        copy = object.__new__(Account)
        known = copy.__dict__
        known.update(self.__dict__)
        known.update(fields)
        return copy

    @property
    def is_inhibited(self) -> bool:
        """Whether the last word on the permit was to inhibit."""
        return self.permit is not None and isinstance(self.permit.command, InhibitTransmit)

    @property
    def is_in_operate(self) -> bool:
        """Whether the last word to the amplifier was operate."""
        return self.line is not None and isinstance(self.line.command, AmplifierOperate)

    def is_safe(self, facts: Facts) -> bool:
        """Whether everything of the safe direction that can be said has been said."""
        return not self.is_in_operate and (self.is_inhibited or not facts.wiring.inhibits)


def took(account: Account, event: Event, heard_us: int, facts: Facts) -> Account:
    """The account after an event; `heard_us` is when the followed rig was last heard before it."""
    at_us = event.at_us
    if account.reading is not None and at_us > heard_us + facts.lost_after_us:
        account = _silent(account, heard_us + facts.lost_after_us)
    match event:
        case RigRead(rig=rig) if rig == facts.followed:
            return _read(account, event)
        case RigLinkClosed(rig=rig) if rig == facts.followed:
            return _silent(account, at_us)
        case KeySensed(rig=rig, keyed=keyed) if rig == facts.followed:
            return account.but(key=account.key.turned(at_us, sensed=keyed))
        case DeviceRead():
            return _metered(account, event, facts)
        case CommandFinished():
            return _finished(account, event)
        case OutputLost(output=output):
            return _lost(account, at_us, output, facts)
        case OutputConnected(output=output) if output in facts.amplifier_outputs:
            return account.but(heater=account.heater.found(at_us))
        case IntentRecorded(intent_id=number, error=error):
            return account.but(noted=account.noted.answered(number, error is None, at_us))
        case OperatorAsked(request=request):
            return _asked(account, at_us, request, facts)
        case LockoutChanged(lockout=lockout):
            since_us = at_us if account.locked_out_us is None else account.locked_out_us
            return account.but(locked_out_us=since_us if lockout is not None else None)
        case TuningChanged(tuning=tuning):
            return _tuned(account, tuning)
        case ExchangeChanged(what=what):
            since_us = at_us if account.exchanging_us is None else account.exchanging_us
            return account.but(exchanging_us=since_us if what is not None else None)
        case LoopStalled(stalled_us=stalled_us) if stalled_us > EVIDENCE_GAP_US:
            return account.but(heater=replace(account.heater, since_us=None))
        case SafetyTripped():
            return account.but(tripped_us=at_us, unwanted_us=at_us)
        case Started():
            return account.but(unwanted_us=at_us)
        case StopRequested():
            return account.but(unwanted_us=at_us, stopped_us=at_us)
        case _:
            return account


def _tuned(account: Account, tuning: Tuning | None) -> Account:
    """Where a tune-up has been, a hand has moved the tank; only a recall that is under way still says where it is."""
    before, tank = account.tuning, account.tank
    elsewhere = before is not None and (
        tuning is None or (before.antenna, before.segment) != (tuning.antenna, tuning.segment)
    )
    if elsewhere and tank is not None and tank.answered_us is not None:
        tank = None
    return account.but(tuning=tuning, tank=tank)


def _silent(account: Account, since_us: int) -> Account:
    silent_us = since_us if account.silent_us is None else account.silent_us
    return account.but(reading=None, silent_us=silent_us, key=account.key.turned(since_us, rig=False))


def _read(account: Account, reading: RigRead) -> Account:
    key = account.key.turned(reading.at_us, rig=reading.keyed is True)
    if account.reading is None:  # nobody knows about the time before
        key = replace(key, unkeyed_us=reading.at_us)
    return account.but(reading=reading, silent_us=None, key=key)


def _metered(account: Account, event: DeviceRead, facts: Facts) -> Account:
    at_us, readings = event.at_us, event.readings
    if readings.forward_w is not None:
        meters = facts.wiring.meters.get(event.output)
        stale_after_us = meters.stale_after_us if meters is not None else STALE_AFTER_US
        until_us = at_us + stale_after_us if readings.forward_w > KEYED_ABOVE_W else at_us
        account = account.but(key=account.key.powered(at_us, event.output, until_us))
    if readings.tune is not None and readings.load is not None:
        account = account.but(positions_read=(readings.tune, readings.load))
    if readings.state is None or CommandName.AMPLIFIER_STANDBY not in facts.wiring.of(event.output):
        return account
    heater = account.heater.told_state(at_us, readings.state)
    account = account.but(heater=heater, line_read=(at_us, readings.state))
    line = account.line
    if line is None or line.answered_us is None or at_us < line.answered_us + PANEL_AFTER_US:
        return account
    if isinstance(line.command, AmplifierOperate) and readings.state is not AmplifierState.OPERATE:
        account = account.but(line=Told(AmplifierStandby(), -1, at_us, at_us, good=True))
    return account


def _finished(account: Account, event: CommandFinished) -> Account:
    at_us, since_us, number = event.at_us, event.settles_from_us, event.command_id
    good = worst([answer.result for answer in event.answers]) is not Result.FAILED
    ended = next((each for each in account.underway if each.number == number), None)
    if ended is None:  # one that never left
        return account
    account = account.but(underway=tuple(each for each in account.underway if each.number != number))
    # A bold command that ends after the safe one which overtook it: nobody knows which of them was done last.
    if ended.name is CommandName.RELEASE_TRANSMIT and account.permit and account.permit.number != number:
        account = account.but(permit=replace(account.permit, good=False))
    if ended.name is CommandName.AMPLIFIER_OPERATE and account.line and account.line.number != number:
        account = account.but(line=replace(account.line, good=False))
    account = account.but(
        permit=_answered(account.permit, since_us, number, good),
        line=_answered(account.line, since_us, number, good),
        antenna=_answered(account.antenna, since_us, number, good),
        tank=_answered(account.tank, since_us, number, good),
        drive=_answered(account.drive, since_us, number, good),
    )
    if ended.name is CommandName.RELEASE_TRANSMIT and good:  # one that failed leaves it to be done again
        account = account.but(noted=account.noted.released(ended.left_us, at_us))
    if ended.name is CommandName.AMPLIFIER_ON and good:
        account = account.but(heater=replace(account.heater, since_us=at_us, shut_down=False))
    return account


def _answered(told: Told | None, since_us: int, number: int, good: bool) -> Told | None:
    return replace(told, answered_us=since_us, good=good) if told is not None and told.number == number else told


def _lost(account: Account, at_us: int, output: str, facts: Facts) -> Account:
    """A device whose link broke may rest anywhere by the time it is back."""
    carried = facts.wiring.of(output)

    def doubted(told: Told | None) -> Told | None:
        return replace(told, good=False) if told is not None and told.command.name in carried else told

    account = account.but(
        permit=doubted(account.permit),
        line=doubted(account.line),
        antenna=doubted(account.antenna),
        tank=doubted(account.tank),
        drive=doubted(account.drive),
    )
    if output in dict(account.key.power_until_us):
        account = account.but(key=account.key.powered(at_us, output, at_us))
    if output in facts.amplifier_outputs:
        account = account.but(heater=account.heater.lost(at_us))
    return account


def _asked(account: Account, at_us: int, request: AmplifierRequest, facts: Facts) -> Account:
    if not facts.wiring.carries(CommandName.AMPLIFIER_ON) and facts.amplifier is not None:
        account = account.but(heater=account.heater.asked(at_us, request, facts.amplifier.cool_down_us))
    match request:
        case AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
            return account.but(unwanted_us=None)
        case AmplifierRequest.STANDBY | AmplifierRequest.OFF | AmplifierRequest.OFF_NOW:
            return account.but(unwanted_us=at_us)
        case AmplifierRequest.ON:
            return account


def acknowledged(account: Account) -> Account:
    """The account after a person's acknowledgement was accepted."""
    heater = replace(account.heater, shut_down=False)
    return account.but(tripped_us=None, shut_down=False, heater=heater)


def left(account: Account, at_us: int, actuate: Actuate | RecordIntent) -> Account:
    """The account after a command has left, or a note was asked for."""
    if isinstance(actuate, RecordIntent):
        return account.but(noted=account.noted.asked(actuate.intent_id, at_us))
    command = actuate.command
    told = Told(command, actuate.command_id, at_us)
    underway = Underway(actuate.command_id, command.name, at_us)
    account = account.but(underway=(*account.underway, underway))
    match command:
        case InhibitTransmit():
            return account.but(permit=told)
        case ReleaseTransmit():
            return account.but(permit=told)
        case AmplifierStandby() | AmplifierOperate():
            return account.but(line=told)
        case SelectAntenna():
            count, since_us = account.selections
            counted = max(0, count - (at_us - since_us)) + 1_000_000
            return account.but(antenna=told, selections=(counted, at_us))
        case RecallPreset():
            return account.but(tank=told, positions_read=None)
        case AmplifierOn() | AmplifierOff():
            return account.but(heater=replace(account.heater, since_us=None))
        case HighVoltageOff():
            heater = replace(account.heater, since_us=None, shut_down=True)
            return account.but(heater=heater, shut_down=True)
        case LimitDrive():
            return account.but(drive=told)
