"""How the gate's account of the station is kept: from events and from the commands that have passed, nothing else."""

from typing import Any

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Effect, RecordIntent, Report
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeviceRead,
    Event,
    ExchangeChanged,
    FaultAcknowledged,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    PresetsChanged,
    Reloaded,
    RigLinkClosed,
    RigRead,
    TuningChanged,
)
from qsyd_rules.gate_known import FRESH_US, HEATED, HEATER_GAP_US, OFF_LASTS_US, PANEL_AFTER_US, RF_FLOOR_W, Account
from qsyd_rules.gate_reload import reloaded
from qsyd_rules.notice import FaultCleared, FaultFound
from qsyd_rules.relay_care import REFILL_US
from qsyd_rules.station import Station
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState, Result, worst

__all__ = ["FRESH_US", "Account", "observe", "passed", "told"]


def observe(account: Account, event: Event, station: Station, wiring: Wiring) -> Account:
    """The account after an event, before the core has decided anything about it."""
    if isinstance(event, RigRead) and not event.keyed and account.lost_us is None and not account.keyed:
        if event.rig != station.followed:
            return account.but(now_us=event.at_us, acknowledging=False)
        return account.but(
            now_us=event.at_us,
            acknowledging=False,
            rig_heard_us=event.at_us,
            rig_told_from_us=_told_from_us(account, event),
            transmit_hz=event.transmit_hz,
        )
    was_keyed = account.keyed
    account = account.but(now_us=event.at_us, acknowledging=isinstance(event, FaultAcknowledged))
    account = _heater_evidence(account)
    match event:
        case RigRead() if event.rig == station.followed:
            keyed = event.keyed is True
            account = account.but(
                rig_heard_us=event.at_us,
                rig_told_from_us=_told_from_us(account, event),
                transmit_hz=event.transmit_hz,
                rig_keyed=keyed,
            )
        case RigLinkClosed() if event.rig == station.followed:
            account = account.but(rig_heard_us=None, transmit_hz=None)
        case KeySensed() if event.rig == station.followed:
            account = account.but(line_keyed=account.line_keyed if event.keyed is None else event.keyed)
        case DeviceRead():
            account = _device_read(account, event, wiring)
        case CommandFinished():
            account = _finished(account, event, station, wiring)
        case OutputLost():
            account = _lost(account, wiring, event)
        case OutputConnected() if _tells_heater(event.output, wiring):
            account = account.but(lost_us=None)
        case IntentRecorded():
            account = account.but(note=account.note.answered(event.intent_id, event.error))
        case PresetsChanged():
            account = account.but(presets=event.presets)
        case LockoutChanged():
            account = account.but(
                locked_out=event.lockout is not None,
                asked_to_operate=account.asked_to_operate and event.lockout is None,
            )
        case TuningChanged(tuning=tuning):
            left = account.tuning is not None and not account.tuning.is_at(tuning)
            account = account.but(tuning=tuning, tank=None if left else account.tank)
        case ExchangeChanged():
            account = account.but(exchanging=event.what is not None)
        case Reloaded():
            account = reloaded(account, event, station, wiring)
        case LoopStalled():
            account = account.but(unkeyed_since_us=event.at_us, rig_told_from_us=-1)
            if event.stalled_us > HEATER_GAP_US:
                account = account.but(heater_on_us=None, asked_to_operate=False)
        case OperatorAsked():
            account = _asked(account, event, station, wiring)
        case _:
            pass
    return account.but(unkeyed_since_us=event.at_us) if was_keyed or account.keyed else account


def passed(account: Account, number: int, command: Command) -> Account:
    """The account after a command has been let pass."""
    changes: dict[str, Any] = {"under_way": {**account.under_way, number: command}}
    match command:
        case ReleaseTransmit():
            changes["inhibited_since_us"] = None
        case AmplifierOperate():
            changes["standby_since_us"] = None
        case SelectAntenna():
            spent_us = max(account.antenna_spent_us, account.now_us) + REFILL_US
            changes |= {"antenna": None, "antenna_spent_us": spent_us}
        case RecallPreset():
            changes["tank"] = None
        case LimitDrive():
            changes["drive_w"] = None
        case AmplifierOff() | HighVoltageOff():
            changes["heater_on_us"] = None
        case _:
            pass
    return account.but(**changes)


def told(account: Account, effects: tuple[Effect, ...]) -> Account:
    """The account after the core has asked for a note, reported a fault, or accepted an acknowledgement."""
    for effect in effects:
        match effect:
            case RecordIntent(intent_id=number):
                account = account.but(note=account.note.asked(number, account.now_us))
            case Report(notice=FaultFound(number=number)):
                account = account.but(fault=number, asked_to_operate=False)
            case Report(notice=FaultCleared()) if account.acknowledging:
                account = account.but(fault=None)
            case _:
                pass
    return account


def _told_from_us(account: Account, event: RigRead) -> int:
    return account.rig_told_from_us if event.fresh_from_us is None else event.fresh_from_us


def _heater_evidence(account: Account) -> Account:
    if account.lost_us is not None and account.now_us >= account.lost_us + HEATER_GAP_US:
        return account.but(heater_on_us=None)
    return account


def _device_read(account: Account, event: DeviceRead, wiring: Wiring) -> Account:
    readings, now_us = event.readings, event.at_us
    if readings.forward_w is not None:
        meters = wiring.meters.get(event.output)
        stale_after_us = meters.stale_after_us if meters is not None else FRESH_US
        until_us = now_us + stale_after_us if readings.forward_w > RF_FLOOR_W else -1
        account = account.but(rf={**account.rf, event.output: until_us})
    if readings.state is None or CommandName.AMPLIFIER_STANDBY not in wiring.of(event.output):
        return account
    if readings.state is AmplifierState.OFF:
        since_us = now_us if account.off_since_us is None else account.off_since_us
        lasts = now_us - since_us > OFF_LASTS_US
        account = account.but(off_since_us=since_us, heater_on_us=None if lasts else account.heater_on_us)
    else:
        account = account.but(off_since_us=None)
        if readings.state in HEATED and account.heater_on_us is None and not account.latched:
            account = account.but(heater_on_us=now_us)  # nobody knows for how long: from here
    bypassed = readings.state is not AmplifierState.OPERATE and now_us >= account.line_settles_us + PANEL_AFTER_US
    if bypassed and account.standby_since_us is None and not _still_under_way(account, AmplifierOperate):
        account = account.but(standby_since_us=now_us)  # by a person, at its panel
    return account


def _finished(account: Account, event: CommandFinished, station: Station, wiring: Wiring) -> Account:
    command = account.under_way.get(event.command_id)
    if command is None:
        return account
    under_way = {number: each for number, each in account.under_way.items() if number != event.command_id}
    account = account.but(under_way=under_way)
    if worst([answer.result for answer in event.answers]) is Result.FAILED:
        return _failed(account, command)
    times, since_us = station.change_over, event.settles_from_us
    match command:
        case InhibitTransmit() if not _still_under_way(account, ReleaseTransmit):
            return account.but(inhibited_since_us=since_us)
        case AmplifierStandby() if not _still_under_way(account, AmplifierOperate):
            return account.but(standby_since_us=since_us)
        case AmplifierOperate():
            return account.but(line_settles_us=since_us + times.relay_settle_us)
        case SelectAntenna():
            return account.but(antenna=command.antenna, antenna_settles_us=since_us + times.relay_settle_us)
        case RecallPreset():
            untold = not _tells_positions(wiring) or bool(command.matching and wiring.matches)
            settle_us = times.preset_settle_us if untold else 0
            return account.but(tank=command, tank_settles_us=since_us + settle_us)
        case LimitDrive() if not _still_under_way(account, LimitDrive):
            return account.but(drive_w=command.drive_w)
        case AmplifierOn():
            return account.but(heater_on_us=event.at_us, off_asked_us=None)
        case _:
            return account


def _tells_positions(wiring: Wiring) -> bool:
    """Whether readings tell when the tank has arrived; else, as for a matching unit, only time does."""
    return any(
        CommandName.RECALL_PRESET in wiring.of(output) and {"tune", "load"} <= meters.names
        for output, meters in wiring.meters.items()
    )


def _failed(account: Account, command: Command) -> Account:
    """What was told to move and did not answer is nowhere."""
    match command:
        case InhibitTransmit() | ReleaseTransmit():
            return account.but(inhibited_since_us=None)
        case AmplifierStandby() | AmplifierOperate():
            return account.but(standby_since_us=None)
        case SelectAntenna():
            return account.but(antenna=None)
        case RecallPreset():
            return account.but(tank=None)
        case LimitDrive():
            return account.but(drive_w=None)
        case _:
            return account


def _still_under_way(account: Account, kind: type[Command]) -> bool:
    return any(isinstance(command, kind) for command in account.under_way.values())


def _tells_heater(output: str, wiring: Wiring) -> bool:
    """Whether this link is the amplifier's: what carries its heater, or its relay where the heater is switched by hand."""
    switched = CommandName.AMPLIFIER_ON if wiring.carries(CommandName.AMPLIFIER_ON) else CommandName.AMPLIFIER_OPERATE
    return switched in wiring.of(output)


def _lost(account: Account, wiring: Wiring, event: OutputLost) -> Account:
    """A device whose link broke may have lost its supply: nothing it was told holds any longer."""
    carried = wiring.of(event.output)
    changes: dict[str, Any] = {"rf": {name: watts for name, watts in account.rf.items() if name != event.output}}
    if CommandName.INHIBIT_TRANSMIT in carried or CommandName.RELEASE_TRANSMIT in carried:
        changes["inhibited_since_us"] = None
    if CommandName.AMPLIFIER_STANDBY in carried or CommandName.AMPLIFIER_OPERATE in carried:
        changes["standby_since_us"] = None
    if CommandName.SELECT_ANTENNA in carried:
        changes["antenna"] = None
    if CommandName.RECALL_PRESET in carried:
        changes["tank"] = None
    if CommandName.LIMIT_DRIVE in carried:
        changes["drive_w"] = None
    if _tells_heater(event.output, wiring) and account.lost_us is None:
        changes["lost_us"] = event.at_us
    return account.but(**changes)


def _asked(account: Account, event: OperatorAsked, station: Station, wiring: Wiring) -> Account:
    match event.request:
        case AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
            return account.but(asked_to_operate=not account.latched)
        case AmplifierRequest.ON:
            by_hand = not wiring.carries(CommandName.AMPLIFIER_ON)
            return _on_by_hand(account, station) if by_hand else account.but(off_asked_us=None)
        case AmplifierRequest.STANDBY:
            return account.but(asked_to_operate=False)
        case AmplifierRequest.OFF:
            return account.but(asked_to_operate=False, off_asked_us=event.at_us)
        case AmplifierRequest.OFF_NOW:
            return account.but(asked_to_operate=False, heater_on_us=None)


def _on_by_hand(account: Account, station: Station) -> Account:
    """A heater that the operator switches: on from the first word of it, off a cool-down after the other word."""
    cool_down_us = station.amplifier.cool_down_us if station.amplifier else 0
    gone = account.off_asked_us is not None and account.now_us >= account.off_asked_us + cool_down_us
    if account.heater_on_us is None or gone:
        return account.but(heater_on_us=account.now_us, off_asked_us=None)
    return account.but(off_asked_us=None)
