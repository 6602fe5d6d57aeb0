"""What an onlooker can know of a station from the events told and the commands sent, and from nothing else."""

from dataclasses import dataclass

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
from qsyd_rules.event import (
    CommandFinished,
    DeviceRead,
    Event,
    FaultRemembered,
    Hold,
    HoldChanged,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    MinuteTurned,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    StopRequested,
)
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.rulebook import Situation
from qsyd_rules.words import AmplifierState, Result, worst
from qsyd_simulators.world.agenda import S
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.store import Store

EVIDENCE_GAP_US = 5 * S
MINUTE_WAIT_US = 60 * S
UNNUMBERED = -1
"""The number of a fault that an earlier run has left."""
RF_FLOOR_W = 10.0


@dataclass(slots=True)
class Told:
    """The newest command to one actuator: when it left, when and how it was answered."""

    command: Command | None = None
    number: int = -1
    answered_us: int | None = None
    failed: bool = False
    """Answered badly, or what it was told was lost later."""
    answered_well: bool = False

    @property
    def confirmed(self) -> bool:
        """Answered, and well."""
        return self.answered_us is not None and not self.failed

    def is_settled(self, at_us: int, settle_us: int) -> bool:
        """Confirmed, and so long ago."""
        return self.confirmed and at_us >= (self.answered_us or 0) + settle_us


class Account:
    """Of one life of the daemon; a new one begins with nothing known."""

    def __init__(self, layout: Layout, atlas: Atlas, store: Store, at_us: int, minute: int) -> None:
        self._layout, self._atlas, self._store = layout, atlas, store
        self._station = layout.station
        self._followed = layout.station.rigs[0]
        for rig in layout.station.rigs:
            if layout.station.amplifier and rig.name == layout.station.amplifier.follows:
                self._followed = rig
        self.reading: RigRead | None = None
        """The last of the rig; None while it is lost."""
        self.heard_us = at_us
        self.lost_us: int | None = None
        """When the rig was last lost; None while it answers, and before it ever did."""
        self.unkeyed_us = at_us
        self.line_keyed = False
        self.now_us = at_us
        self._stale_us = {device.name: device.stale_after_us for device in layout.devices}
        self._power: dict[str, tuple[float, int]] = {}
        """Forward power in watts as each device last told it, and until when that is believed."""
        self.band: str | None = None
        self.band_since_us = at_us
        self.band_agreed = False
        self.minute_told = self.minute = minute
        self.held: Hold | None = None
        """The antenna that an operator holds, as far as asking and the clock say."""
        self.permit, self.line, self.antenna, self.tank = Told(), Told(), Told(), Told()
        self.heater = Told()
        self.heater_since_us: int | None = None
        self.amplifier_lost_us: int | None = None
        self.wished = False
        """Whether an operator wishes to operate, as far as the answers said."""
        self.stopping = False
        self.locked_out = False
        self.fault: int | None = None
        self.notes: dict[int, bool] = {}
        """Answered notes: whether they are durable."""
        self.note: int | None = None
        """The newest that was asked for, `note_asked_us` when."""
        self.note_asked_us = at_us
        self.disk_is_dead = False
        """Whether the last note before the newest was not durable when that was asked for."""
        self._near: list[Placement] = []
        self._near_as_of: tuple[object, ...] = ()

    @property
    def keyed(self) -> bool:
        """Whether any source says so."""
        rig = self.reading is not None and self.reading.keyed is True
        return rig or self.line_keyed or (bool(self._power) and self._shows_power)

    @property
    def _shows_power(self) -> bool:
        return any(watts > RF_FLOOR_W and self.now_us <= until_us for watts, until_us in self._power.values())

    @property
    def _heater_may_be_on(self) -> bool:
        """Not while an off is under way, or was answered well: then a reading is only a late one."""
        return not isinstance(self.heater.command, AmplifierOff | HighVoltageOff)

    def is_quiet(self, event: Event) -> bool:
        """Whether this tells what is known already; then only the time of it is taken in."""
        before = self.reading
        if (
            type(event) is not RigRead
            or before is None
            or event.frequency_hz != before.frequency_hz
            or event.transmit_hz != before.transmit_hz
            or event.keyed is not before.keyed
            or event.mode is not before.mode
            or event.keyed is True
            or not self.band_agreed
            or event.at_us >= self.heard_us + self._followed.lost_after_us
            or self.minute != self.minute_told
            or (self.held is not None and event.at_us >= self.held.until_us)
            or self.amplifier_lost_us is not None
            or (self._power and self._shows_power)
        ):
            return False
        self.heard_us = event.at_us
        return True

    def take(self, event: Event) -> None:
        """Take one event in, before anybody decides on it."""
        was_keyed = self.keyed
        self.now_us = event.at_us
        match event:
            case RigRead():
                self._read(event)
            case RigLinkClosed():
                self.lose_rig(event.at_us)
            case CommandFinished(command_id=number, answers=answers):
                self._finish(event.at_us, number, worst([answer.result for answer in answers]) is Result.FAILED)
            case OutputLost(output=output):
                self._lose(event.at_us, output)
            case OutputConnected(output=output):
                if CommandName.AMPLIFIER_ON in self._layout.wiring.of(output):
                    self.amplifier_lost_us = None
            case IntentRecorded(intent_id=number, error=error):
                self.notes[number] = error is None
            case MinuteTurned(minute=minute):
                self.minute_told = minute
            case DeviceRead(output=output, readings=readings):
                self._power[output] = (readings.forward_w or 0.0, event.at_us + self._stale_us[output])
                if readings.state is AmplifierState.OFF:
                    self.heater_since_us = None
                elif readings.state is not None and self.heater_since_us is None and self._heater_may_be_on:
                    self.heater_since_us = event.at_us
            case KeySensed(keyed=keyed):
                self.line_keyed = keyed is True
            case FaultRemembered():
                self.fault = UNNUMBERED  # until the station itself tells of it
            case LockoutChanged(lockout=lockout):
                self.locked_out = lockout is not None
            case HoldChanged(hold=hold):
                self.held = hold
            case LoopStalled(stalled_us=stalled_us) if stalled_us > EVIDENCE_GAP_US:
                self.heater_since_us = None
            case StopRequested():
                self.stopping, self.wished = True, False
            case _:
                pass
        if was_keyed or self.keyed:
            self.unkeyed_us = event.at_us
        self._pass_time(event.at_us)

    def _pass_time(self, at_us: int) -> None:
        if self.reading is not None and at_us >= self.heard_us + self._followed.lost_after_us:
            self.lose_rig(at_us)
        if not self.keyed and at_us >= self.unkeyed_us + MINUTE_WAIT_US:
            self.minute = self.minute_told
            if self.held is not None and at_us >= self.held.until_us:
                self.held = None
        if self.amplifier_lost_us is not None and at_us >= self.amplifier_lost_us + EVIDENCE_GAP_US:
            if self.heater_since_us is not None:
                self.wished = False
            self.heater_since_us = None

    def sent(self, number: int, command: Command) -> None:
        """A command has left."""
        told = Told(command, number)
        match command:
            case InhibitTransmit() | ReleaseTransmit():
                self.permit = told
            case AmplifierStandby() | AmplifierOperate():
                self.line = told
            case SelectAntenna():
                self.antenna = told
            case RecallPreset():
                self.tank = told
            case AmplifierOn() | AmplifierOff() | HighVoltageOff():
                self.heater = told
                self.heater_since_us = None
            case _:
                pass

    def tank_rests(self, at_us: int) -> bool:
        """Whether the tank is where it was sent; where the place has no preset it only has to be at rest."""
        told = self.tank
        if told.command is None or told.is_settled(at_us, 0):
            return True
        return told.failed and any(place.preset is None for place in self.near())

    def noting(self, number: int, at_us: int) -> None:
        """A note has been asked for."""
        if self.note is not None:
            self.disk_is_dead = self.notes.get(self.note) is not True
        self.note, self.note_asked_us = number, at_us

    @property
    def noted(self) -> bool | None:
        """Whether the newest note is durable; None while it is not answered."""
        return None if self.note is None else self.notes.get(self.note)

    def near(self) -> list[Placement]:
        """Every place within the hysteresis of the transmit frequency, on its band: a drift may still count as there."""
        reading = self.reading
        if reading is None or reading.transmit_hz is None:
            return []
        held = None if self.held is None else self.held.antenna
        as_of = (reading.transmit_hz, reading.mode, reading.keyed, self.minute, self._store.presets, held)
        if self._near_as_of != as_of:
            self._near_as_of, self._near = as_of, self._find_near(reading.transmit_hz)
        return self._near

    def _find_near(self, at_hz: int) -> list[Placement]:
        reach_hz = self._station.change_over.hysteresis_hz
        here = self.place(at_hz)
        places = [here]
        for shift_hz in (-reach_hz - 1, reach_hz):  # an edge belongs to what is above it
            other = self.place(at_hz + shift_hz)
            if other.band == here.band:
                places.append(other)
        return places

    def here(self) -> Placement | None:
        """Where the rig would transmit, as last told."""
        near = self.near()
        return near[0] if near else None

    def place(self, frequency_hz: int) -> Placement:
        """The decision for a frequency, as everything else stands."""
        mode = self.reading.mode if self.reading else None
        keyed = self.reading is not None and self.reading.keyed is True
        held = None if self.held is None else self.held.antenna
        situation = Situation(
            self._followed.name, frequency_hz, mode, AmplifierState.STANDBY, keyed, self.minute, held=held
        )
        return self._atlas.place(situation, self._store.presets)

    def lose_rig(self, at_us: int) -> None:
        """The rig is silent, or its link has gone."""
        if self.reading is not None:
            self.lost_us = at_us
        self.reading = None

    def _read(self, event: RigRead) -> None:
        before = self.reading
        if before is None:
            self.unkeyed_us = event.at_us
        if before is None or before.transmit_hz != event.transmit_hz:
            self.minute = self.minute_told
            if self.held is not None and event.at_us >= self.held.until_us:
                self.held = None
        self.heard_us = event.at_us
        self.lost_us = None
        self.reading = event
        segment = self._atlas.segment_at(event.transmit_hz) if event.transmit_hz is not None else None
        band = segment.band if segment else None
        if before is None or band != self.band:
            self.band, self.band_since_us, self.band_agreed = band, event.at_us, False
        elif event.asked_at_us is not None and event.asked_at_us >= self.band_since_us:
            self.band_agreed = True

    def _finish(self, at_us: int, number: int, failed: bool) -> None:
        for told in (self.permit, self.line, self.antenna, self.tank, self.heater):
            if told.number == number:
                told.answered_us, told.failed, told.answered_well = at_us, failed, not failed
        if self.heater.number == number and isinstance(self.heater.command, AmplifierOn):
            self.heater_since_us = None if failed else at_us

    def _lose(self, at_us: int, output: str) -> None:
        carried = self._layout.wiring.of(output)
        self._power.pop(output, None)
        for told in (self.permit, self.line, self.antenna, self.tank):
            if told.command is not None and told.command.name in carried and told.answered_us is not None:
                told.failed = True
        if CommandName.AMPLIFIER_ON in carried and self.amplifier_lost_us is None:
            self.amplifier_lost_us = at_us
