"""The gate's own account of the station, kept apart from what the sequencer believes.

It is made of events and of the commands that have passed, and of nothing else. None means not known, or never.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
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
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Effect, Report
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeviceRead,
    Event,
    FaultAcknowledged,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    PresetsChanged,
    RigLinkClosed,
    RigRead,
)
from qsyd_rules.notice import FaultCleared, FaultFound
from qsyd_rules.preset import Presets
from qsyd_rules.relay_care import REFILL_US
from qsyd_rules.station import Station
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState, Result, worst

RF_FLOOR_W = 10.0
"""Forward power above this is a key held down, whoever says otherwise. Common practice, no source."""
FRESH_US = 600_000
"""Oldest word of the rig that a bold command may rest on."""
HEATER_GAP_US = 5_000_000
"""Evidence of the heater gone for longer than this: the warm-up has not run."""


@dataclass(frozen=True)
class Account:
    """What the gate knows. Without slots, so that `but` can copy it whole, which is several times as fast."""

    now_us: int = 0
    rig_heard_us: int | None = None
    transmit_hz: int | None = None
    rig_keyed: bool = False
    line_keyed: bool = False
    rf: Mapping[str, float] = field(default_factory=dict)
    """Forward power as each device last told it, in watts."""
    unkeyed_since_us: int = 0
    inhibited_since_us: int | None = None
    """Since the answer to the last inhibit; None after a release has passed, or the device was lost."""
    standby_since_us: int | None = None
    """Since the answer to the last standby; None after an operate has passed, or the device was lost."""
    line_settles_us: int = 0
    heater_on_us: int | None = None
    off_asked_us: int | None = None
    lost_us: int | None = None
    """Since when the amplifier's link has been gone."""
    antenna: str | None = None
    antenna_settles_us: int = 0
    antenna_spent_us: int = 0
    tank: RecallPreset | None = None
    tank_settles_us: int = 0
    under_way: Mapping[int, Command] = field(default_factory=dict)
    noted: bool = False
    note_failed: bool = False
    fault: int | None = None
    """Number of the fault that stands."""
    acknowledging: bool = False
    """This very event is an acknowledgement."""
    asked_to_operate: bool = False
    locked_out: bool = False
    presets: Presets = field(default_factory=dict)

    def but(self, **fields: Any) -> "Account":
        """The same account with some fields replaced."""
        copy = object.__new__(Account)
        known = copy.__dict__
        known.update(self.__dict__)
        known.update(fields)
        return copy

    @property
    def keyed(self) -> bool:
        """Whether any source says so."""
        return self.rig_keyed or self.line_keyed or any(watts > RF_FLOOR_W for watts in self.rf.values())

    @property
    def latched(self) -> bool:
        """Whether a fault stands."""
        return self.fault is not None

    def moving(self, at_us: int) -> bool:
        """Whether antenna, tank or transfer relay are on their way or still bouncing."""
        bold = (SelectAntenna, RecallPreset, AmplifierOperate, AmplifierStandby)
        settles_us = max(self.antenna_settles_us, self.tank_settles_us, self.line_settles_us)
        return at_us < settles_us or any(isinstance(command, bold) for command in self.under_way.values())


def observe(account: Account, event: Event, station: Station, wiring: Wiring) -> Account:
    """The account after an event, before the core has decided anything about it."""
    if isinstance(event, RigRead) and not event.keyed and account.lost_us is None and not account.keyed:
        if event.rig != _followed(station):
            return account.but(now_us=event.at_us, acknowledging=False)
        return account.but(
            now_us=event.at_us, acknowledging=False, rig_heard_us=event.at_us, transmit_hz=event.transmit_hz
        )
    was_keyed = account.keyed
    account = account.but(now_us=event.at_us, acknowledging=isinstance(event, FaultAcknowledged))
    account = _heater_evidence(account)
    match event:
        case RigRead() if event.rig == _followed(station):
            keyed = event.keyed is True
            account = account.but(rig_heard_us=event.at_us, transmit_hz=event.transmit_hz, rig_keyed=keyed)
        case RigLinkClosed() if event.rig == _followed(station):
            account = account.but(rig_heard_us=None, transmit_hz=None)
        case KeySensed() if event.rig == _followed(station):
            account = account.but(line_keyed=event.keyed is True)
        case DeviceRead():
            account = _device_read(account, event)
        case CommandFinished():
            account = _finished(account, event, station)
        case OutputLost():
            account = _lost(account, wiring.of(event.output), event)
        case OutputConnected() if CommandName.AMPLIFIER_ON in wiring.of(event.output):
            account = account.but(lost_us=None)
        case IntentRecorded():
            account = account.but(noted=event.error is None, note_failed=event.error is not None)
        case PresetsChanged():
            account = account.but(presets=event.presets)
        case LockoutChanged():
            account = account.but(locked_out=event.lockout is not None)
        case LoopStalled() if event.stalled_us > HEATER_GAP_US:
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
        case AmplifierOff() | HighVoltageOff():
            changes["heater_on_us"] = None
        case _:
            pass
    return account.but(**changes)


def told(account: Account, effects: tuple[Effect, ...]) -> Account:
    """The account after the core has reported faults, and acknowledgements that it accepted."""
    for effect in effects:
        if not isinstance(effect, Report):
            continue
        match effect.notice:
            case FaultFound(number=number):
                account = account.but(fault=number, asked_to_operate=False)
            case FaultCleared() if account.acknowledging:
                account = account.but(fault=None)
            case _:
                pass
    return account


def _followed(station: Station) -> str:
    return station.amplifier.follows if station.amplifier else station.rigs[0].name


def _heater_evidence(account: Account) -> Account:
    if account.lost_us is not None and account.now_us >= account.lost_us + HEATER_GAP_US:
        return account.but(heater_on_us=None)
    return account


def _device_read(account: Account, event: DeviceRead) -> Account:
    readings = event.readings
    if readings.forward_w is not None:
        account = account.but(rf={**account.rf, event.output: readings.forward_w})
    if readings.state is AmplifierState.OFF:
        account = account.but(heater_on_us=None)
    return account


def _finished(account: Account, event: CommandFinished, station: Station) -> Account:
    command = account.under_way.get(event.command_id)
    if command is None:
        return account
    under_way = {number: each for number, each in account.under_way.items() if number != event.command_id}
    account = account.but(under_way=under_way)
    if worst([answer.result for answer in event.answers]) is Result.FAILED:
        return _failed(account, command)
    times, now_us = station.change_over, event.at_us
    match command:
        case InhibitTransmit() if not _still_under_way(account, ReleaseTransmit):
            return account.but(inhibited_since_us=now_us)
        case AmplifierStandby() if not _still_under_way(account, AmplifierOperate):
            return account.but(standby_since_us=now_us)
        case AmplifierOperate():
            return account.but(line_settles_us=now_us + times.relay_settle_us)
        case SelectAntenna():
            return account.but(antenna=command.antenna, antenna_settles_us=now_us + times.relay_settle_us)
        case RecallPreset():
            return account.but(tank=command, tank_settles_us=now_us)
        case AmplifierOn():
            return account.but(heater_on_us=now_us, off_asked_us=None)
        case _:
            return account


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
        case _:
            return account


def _still_under_way(account: Account, kind: type[Command]) -> bool:
    return any(isinstance(command, kind) for command in account.under_way.values())


def _lost(account: Account, carried: frozenset[CommandName], event: OutputLost) -> Account:
    """A device whose link broke may have lost its supply: nothing it was told holds any longer."""
    changes: dict[str, Any] = {"rf": {name: watts for name, watts in account.rf.items() if name != event.output}}
    if CommandName.INHIBIT_TRANSMIT in carried or CommandName.RELEASE_TRANSMIT in carried:
        changes["inhibited_since_us"] = None
    if CommandName.AMPLIFIER_STANDBY in carried or CommandName.AMPLIFIER_OPERATE in carried:
        changes["standby_since_us"] = None
    if CommandName.SELECT_ANTENNA in carried:
        changes["antenna"] = None
    if CommandName.RECALL_PRESET in carried:
        changes["tank"] = None
    if CommandName.AMPLIFIER_ON in carried and account.lost_us is None:
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
