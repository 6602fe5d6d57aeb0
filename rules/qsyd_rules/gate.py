"""The gate: the one place every command passes on its way out, and checks the invariants again on its own.

It shares no belief with the sequencer. It keeps its own, smaller account of the station, made of the same events and
of the commands that it has let pass, and it trusts nothing that was not said: silence confirms nothing. What it refuses
is a mistake of the sequencer; it never leaves, the station is told the safe state, and the amplifier latches a fault.

Commands of the safe direction always pass (I15, I16). The names of the invariants are those of DEVELOPERS.md.
"""

from typing import assert_never

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.estimate import reduced_drive_w
from qsyd_rules.gate_account import FRESH_US, Account
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import PresetStanding, standing
from qsyd_rules.relay_care import REFILL_US
from qsyd_rules.station import Antenna, WithoutPreset
from qsyd_rules.wiring import Wiring

BURST = 15
"""Antenna commands at once; the sequencer's own care is stricter, this is the backstop."""


class RefusedError(Exception):
    """Why a command does not leave: the invariant, and in words."""

    def __init__(self, invariant: str, text: str) -> None:
        super().__init__(f"{invariant}: {text}")
        self.invariant = invariant
        self.text = text


class Gate:
    """The rules of the gate for one station; immutable. What it remembers is the `Account` handed in."""

    __slots__ = ("_antennas", "_atlas", "_lost_after_us", "_station", "_times", "_wiring")

    def __init__(self, atlas: Atlas, wiring: Wiring) -> None:
        self._atlas = atlas
        self._wiring = wiring
        self._station = atlas.station
        self._times = atlas.station.change_over
        self._antennas = {antenna.name: antenna for antenna in atlas.station.antennas}
        self._lost_after_us = {rig.name: rig.lost_after_us for rig in atlas.station.rigs}[atlas.station.followed]

    def judge(self, account: Account, command: Command) -> None:
        """Let a command pass by returning, or raise `RefusedError`."""
        match command:
            case InhibitTransmit() | AmplifierStandby() | HighVoltageOff() | AmplifierOff():
                return
            case LimitDrive():
                self._check_drive(account, command)
            case AmplifierOn():
                return  # it only begins a warm-up
            case SelectAntenna():
                self._check_still(account)
                self._check_bypassed(account)
                self._check_note(account)
                self._check_antenna(account, command)
            case RecallPreset():
                self._check_still(account)
                self._check_bypassed(account)
                self._check_note(account)
                if account.antenna != command.antenna and self._wiring.carries(SelectAntenna.name):
                    raise RefusedError(
                        "I10", f"the tank of {command.antenna} on {account.antenna or 'an unknown antenna'}"
                    )
            case AmplifierOperate():
                self._check_still(account)
                self._check_ready(account)
                self._check_agreement(account)
            case ReleaseTransmit():
                self._check_release(account)
            case _:
                assert_never(command)

    def _check_still(self, account: Account) -> None:
        """I1, I2: nobody keyed by any source, for the guard time, under an inhibit that was answered."""
        if account.keyed:
            raise RefusedError("I2", "keyed")
        since_us = account.unkeyed_since_us
        if self._wiring.inhibits:
            if account.inhibited_since_us is None:
                raise RefusedError("I1", "transmit is not known to be inhibited")
            since_us = max(since_us, account.inhibited_since_us)
        if account.now_us < since_us + self._times.guard_us:
            raise RefusedError("I1", "the guard time has not run")
        if account.rig_heard_us is None or account.now_us - account.rig_told_from_us > FRESH_US:
            raise RefusedError("I8", "the rig's word is too old")

    def _check_bypassed(self, account: Account) -> None:
        """I3: the amplifier is known to be in standby since it was last told to operate."""
        has_amplifier = self._wiring.carries(AmplifierStandby.name)
        if has_amplifier and account.standby_since_us is None:
            raise RefusedError("I3", "the amplifier is not known to be in standby")

    def _check_note(self, account: Account) -> None:
        """I14: what is about to be done is on record, or known not to be recordable (barefoot goes on then)."""
        if not account.note.lets_antenna_move(account.now_us):
            raise RefusedError("I14", "nothing of this is on record")

    def _check_antenna(self, account: Account, command: SelectAntenna) -> None:
        """I25, and that it is an antenna of this station which covers the band."""
        spent_us = account.antenna_spent_us
        if account.now_us < spent_us - (BURST - 1) * REFILL_US:
            raise RefusedError("I25", "antenna commands come too fast for the relays")
        antenna = self._antennas.get(command.antenna)
        if antenna is None or antenna.port != command.port:
            raise RefusedError("I10", f"{command.antenna} is not on port {command.port}")
        if account.transmit_hz is None or not self._covers(antenna, account.transmit_hz):
            raise RefusedError("I10", f"{command.antenna} does not cover the transmit frequency")

    def _check_ready(self, account: Account) -> None:
        """I5, I6, I7, I24: warmed through, no fault, no lockout, and a person's wish that still stands."""
        amplifier = self._station.amplifier
        if amplifier is None:
            raise RefusedError("I5", "this station has no amplifier")
        if account.heater_on_us is None or account.now_us < account.heater_on_us + amplifier.warm_up_us:
            raise RefusedError("I5", "the warm-up has not run whole since heater-on")
        if account.off_since_us is not None:
            raise RefusedError("I5", "the amplifier says that it is off")
        if account.exchanging:
            raise RefusedError("I20", "links are about to be exchanged")
        if account.latched:
            raise RefusedError("I6", "a fault stands, or its acknowledgement has just come")
        if account.acknowledging:
            raise RefusedError("I7", "an acknowledgement never commands operate")
        if account.locked_out:
            raise RefusedError("I24", "maintenance lockout")
        if not account.asked_to_operate:
            raise RefusedError("I24", "nobody has asked for operate since it was last taken away")
        if not account.note.durable:
            raise RefusedError("I14", "operate is not on record")

    def _check_agreement(self, account: Account) -> None:
        """I9, I10: antenna and tank, as answered, are those of the transmit frequency."""
        frequency_hz, amplifier = account.transmit_hz, self._station.amplifier
        if frequency_hz is None or amplifier is None:
            raise RefusedError("I10", "the transmit frequency is not known")
        segment = self._atlas.segment_at(frequency_hz)
        if segment is None or segment.band not in amplifier.bands:
            raise RefusedError("I10", "the amplifier does not serve this band")
        antenna = self._antennas.get(account.antenna or "")
        if self._wiring.carries(SelectAntenna.name):
            if antenna is None or account.antenna_settles_us > account.now_us:
                raise RefusedError("I10", "no antenna is known to be selected")
            if not self._covers(antenna, frequency_hz):
                raise RefusedError("I10", f"{antenna.name} does not cover {segment.band}")
            if antenna.max_power_w is not None and antenna.max_power_w < amplifier.output_w:
                raise RefusedError("I10", f"{antenna.name} bears less than the amplifier gives")
        if amplifier.without_preset is not WithoutPreset.OPERATE and not self._tunes_up(account, frequency_hz):
            self._check_tank(account, frequency_hz)

    def _tunes_up(self, account: Account, frequency_hz: int) -> bool:
        """Whether an operator tunes up exactly here: the policy that lets operate go without a stored preset."""
        tuning = account.tuning
        segment = self._atlas.segments_by_name.get(tuning.segment) if tuning is not None else None
        if tuning is None or segment is None:
            return False
        if self._wiring.carries(SelectAntenna.name) and account.antenna != tuning.antenna:
            return False
        reach_hz = self._times.hysteresis_hz
        return segment.low_hz - reach_hz <= frequency_hz <= segment.high_hz + reach_hz

    def _check_tank(self, account: Account, frequency_hz: int) -> None:
        """I9: the tank holds, as answered, a stored preset of a segment that holds the frequency (or its edge does)."""
        tank = account.tank
        if not self._wiring.carries(RecallPreset.name):
            return
        if tank is None or account.tank_settles_us > account.now_us:
            raise RefusedError("I9", "no preset is known to be recalled")
        stored = account.presets.get((tank.antenna, tank.segment))
        if tank.estimate:
            self._check_estimate(account, tank, account.drive_w)
        elif stored is None or (stored.tune, stored.load, stored.matching) != (tank.tune, tank.load, tank.matching):
            raise RefusedError("I9", "the tank does not hold a stored preset")
        segment = self._atlas.segments_by_name.get(tank.segment)
        reach_hz = self._times.hysteresis_hz
        if segment is None or not segment.low_hz - reach_hz <= frequency_hz <= segment.high_hz + reach_hz:
            raise RefusedError("I9", f"the tank is at {tank.segment}, which is not that of the transmit frequency")

    def _check_drive(self, account: Account, command: LimitDrive) -> None:
        """I9: while the amplifier may be in operate on an estimate, the drive stays reduced; else any is safe to limit to."""
        if account.tank is None or not account.tank.estimate or account.standby_since_us is not None:
            return
        if account.drive_w is None or command.drive_w > account.drive_w:
            self._check_estimate(account, account.tank, command.drive_w)

    def _check_estimate(self, account: Account, tank: RecallPreset, drive_w: int | None) -> None:
        """I9: the file allows it, there is no preset to recall, the presets beside it give just this, the drive is low."""
        amplifier, segment = self._station.amplifier, self._atlas.segments_by_name.get(tank.segment)
        if amplifier is None or amplifier.without_preset is not WithoutPreset.ESTIMATE or segment is None:
            raise RefusedError("I9", "the tank holds an estimate, which the station file does not allow")
        stored = account.presets.get((tank.antenna, tank.segment))
        if standing(stored, segment) is PresetStanding.SAVED:
            raise RefusedError("I9", "the tank holds an estimate where there is a preset")
        fitted = self._atlas.estimate(tank.antenna, segment, account.presets)
        if fitted is None or (fitted.tune, fitted.load, ()) != (tank.tune, tank.load, tank.matching):
            raise RefusedError("I9", "the tank does not hold what the presets beside it give")
        most_w = reduced_drive_w(amplifier.limits.drive_w, fitted)
        if most_w is None or drive_w is None or drive_w > most_w:
            shown = "unknown" if drive_w is None else f"{drive_w} W"
            raise RefusedError("I9", f"drive {shown} on an estimate, which bears {most_w} W")

    def _check_release(self, account: Account) -> None:
        """I4, I8, I24: everything rests where it was sent, and the rig tells a frequency that this antenna serves."""
        if account.locked_out:
            raise RefusedError("I24", "maintenance lockout")
        if account.exchanging:
            raise RefusedError("I20", "links are about to be exchanged")
        if account.moving(account.now_us):
            raise RefusedError("I4", "something is still moving")
        if account.rig_heard_us is None or account.transmit_hz is None:
            raise RefusedError("I8", "the rig has not told where it would transmit")
        if account.now_us - account.rig_heard_us >= self._lost_after_us:
            raise RefusedError("I8", "the rig has been silent for too long")
        if self._wiring.carries(SelectAntenna.name):
            antenna = self._antennas.get(account.antenna or "")
            if antenna is None:
                raise RefusedError("I4", "no antenna is known to be selected")
            if not self._covers(antenna, account.transmit_hz):
                raise RefusedError("I4", f"{antenna.name} does not cover the transmit frequency")
        if self._atlas.segment_at(account.transmit_hz) is None:
            raise RefusedError("I4", "the transmit frequency is outside every band")

    def _covers(self, antenna: Antenna, frequency_hz: int) -> bool:
        segment = self._atlas.segment_at(frequency_hz)
        return segment is not None and segment.band in antenna.bands
