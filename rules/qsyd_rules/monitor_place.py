"""Whether amplifier, antenna and tank, as they were last told, serve where the rig would transmit."""

from dataclasses import dataclass

from qsyd_rules.command import CommandName, LimitDrive, RecallPreset, SelectAntenna
from qsyd_rules.monitor_account import Account
from qsyd_rules.monitor_facts import Facts


@dataclass(frozen=True, slots=True)
class Misplacement:
    """What does not serve, in words that follow `operate stands`."""

    text: str
    other_band: bool
    """Full power would go into the tank or the antenna of another band: the greater harm."""


def misplacement(account: Account, facts: Facts) -> Misplacement | None:
    """Why operate has no place here; None where it has, or where the transmit frequency is not known."""
    at_hz = account.reading.transmit_hz if account.reading is not None else None
    if at_hz is None or facts.amplifier is None:
        return None
    band = facts.band_at(at_hz)
    if band is None or band not in facts.amplifier.bands:
        return Misplacement(f"on {at_hz} Hz, where the amplifier does not serve", band is not None)
    antenna = account.antenna.command if account.antenna is not None else None
    if facts.wiring.carries(CommandName.SELECT_ANTENNA):
        if not isinstance(antenna, SelectAntenna) or not facts.covers(antenna.antenna, band):
            return Misplacement(f"on {at_hz} Hz without an antenna of {band}", True)
        if not facts.bears_amplifier(antenna.antenna):
            return Misplacement(f"on {antenna.antenna}, which does not bear it", False)
    if not facts.needs_preset or _is_tuned_up(account, antenna, at_hz, facts):
        return None
    return _tank(account, antenna, band, at_hz, facts)


def _is_tuned_up(account: Account, antenna: object, at_hz: int, facts: Facts) -> bool:
    """A person tunes up this antenna in this segment, and sets the tank."""
    tuning, reach_hz = account.tuning, facts.times.hysteresis_hz
    if tuning is None or tuning.segment not in facts.segments:
        return False
    segment = facts.segments[tuning.segment]
    here = segment.low_hz - reach_hz <= at_hz <= segment.high_hz + reach_hz
    return here and (not isinstance(antenna, SelectAntenna) or antenna.antenna == tuning.antenna)


def _tank(account: Account, antenna: object, band: str, at_hz: int, facts: Facts) -> Misplacement | None:
    """The tank is that of the antenna and of the segment; a drift within the hysteresis still counts as there."""
    tank = account.tank.command if account.tank is not None else None
    if not isinstance(tank, RecallPreset) or tank.segment not in facts.segments:
        return Misplacement(f"on {at_hz} Hz without a preset", False)
    segment, reach_hz = facts.segments[tank.segment], facts.times.hysteresis_hz
    if segment.band != band or not segment.low_hz - reach_hz <= at_hz <= segment.high_hz + reach_hz:
        return Misplacement(f"on {at_hz} Hz with the tank of {tank.segment}", segment.band != band)
    if isinstance(antenna, SelectAntenna) and antenna.antenna != tank.antenna:
        return Misplacement(f"on {antenna.antenna} with the tank of {tank.antenna}", False)
    return _estimated(account, facts) if tank.estimate else None


def _estimated(account: Account, facts: Facts) -> Misplacement | None:
    """An estimate has a place only where the file allows it, and with reduced drive that was answered."""
    if not facts.estimates:
        return Misplacement("on an estimate, which the station file does not allow", False)
    drive = account.drive
    if drive is None or not isinstance(drive.command, LimitDrive):
        return Misplacement("on an estimate without a limit to the drive", False)
    if not facts.bears_on_estimate(drive.command.drive_w):
        return Misplacement(f"on an estimate with {drive.command.drive_w} W of drive", False)
    if not (drive.good and drive.answered_us is not None):
        return Misplacement("on an estimate with a limit to the drive that was not answered", False)
    return None
