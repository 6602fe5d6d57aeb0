"""What must not have left: each command, held against the account of the station as it was when the command left."""

from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.event import (
    Event,
    FaultAcknowledged,
    LoopStalled,
    OutputLost,
    RigLinkClosed,
    SafetyTripped,
    StopRequested,
)
from qsyd_rules.monitor_account import Account, Wrong
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.monitor_place import misplacement
from qsyd_rules.words import AmplifierState

SELECTIONS_MAX = 15
"""Antenna commands at once; beyond that one a second. Far above what relay care allows: a backstop."""
CONTRADICTS_AFTER_US = 1_000_000
"""What an amplifier says of its relay this long after it answered goes before its answer."""


def judge(account: Account, event: Event, command: Command, facts: Facts) -> Wrong | None:
    """What is wrong with this command leaving upon this event, if anything."""
    match command:
        case SelectAntenna():
            return (
                _started(account, command)
                or _safe_cause(event, facts)
                or _moved(account, event.at_us, "an antenna command", facts)
                or _switched(account, event.at_us, facts)
                or _antenna(account, command, facts)
                or _relay_care(account, event.at_us)
                or _unnoted(account, event.at_us, command)
            )
        case RecallPreset():
            return (
                _started(account, command)
                or _moved(account, event.at_us, "a recall", facts)
                or _unnoted(account, event.at_us, command)
            )
        case AmplifierOperate():
            return (
                _started(account, command)
                or _moved(account, event.at_us, "operate", facts)
                or _faulty(account, event)
                or _unwanted(account)
                or _cold(account, event.at_us, facts)
                or _out_of_place(account, event.at_us, facts)
                or _unnoted(account, event.at_us, command)
            )
        case ReleaseTransmit():
            return _started(account, command) or _unsettled(account, event.at_us, facts) or _locked(account, "release")
        case LimitDrive():
            return _started(account, command)
        case _:
            return None


def _started(account: Account, command: Command) -> Wrong | None:
    """I8, I13: only the safe direction while the rig is not heard, or has not been heard yet."""
    if account.reading is not None:
        return None
    if account.silent_us is None:
        return Wrong("I13", f"{command.name} left before the rig had been read")
    if isinstance(command, LimitDrive):
        return None
    return Wrong("I8", f"{command.name} left while the rig is not heard")


def _safe_cause(event: Event, facts: Facts) -> Wrong | None:
    match event:
        case OutputLost(output=output) if not facts.stops_all(output):
            return None
        case RigLinkClosed(rig=rig) if rig != facts.followed:
            return None
        case StopRequested() | OutputLost() | RigLinkClosed() | LoopStalled() | SafetyTripped():
            return Wrong("I16", f"an antenna command left upon {type(event).__name__}: a safe state moves no antenna")
        case _:
            return None


def _moved(account: Account, at_us: int, what: str, facts: Facts) -> Wrong | None:
    """I2: nothing moves while somebody is keyed; nor does it when the daemon is to stop."""
    if account.key.is_down(at_us):
        return Wrong("I2", f"{what} left while keyed")
    if account.stopped_us is not None:
        return Wrong("I16", f"{what} left after the daemon was asked to stop")
    return None


def _switched(account: Account, at_us: int, facts: Facts) -> Wrong | None:
    """I1, I3: inhibited and answered, unkeyed for the guard time since, standby answered."""
    quiet_us = account.key.quiet_us()
    underway = {each.name for each in account.underway}
    if facts.wiring.inhibits:
        permit = account.permit
        if permit is None or not isinstance(permit.command, InhibitTransmit):
            return Wrong("I1", "an antenna command left while transmit was not inhibited")
        if permit.answered_us is None or not permit.good or CommandName.RELEASE_TRANSMIT in underway:
            return Wrong("I1", "an antenna command left before the inhibit was answered")
        quiet_us = max(quiet_us, permit.answered_us)
    if at_us < quiet_us + facts.times.guard_us:
        return Wrong("I1", f"an antenna command left {at_us - quiet_us} us after key-up and inhibit: too soon")
    if facts.wiring.carries(CommandName.AMPLIFIER_STANDBY):
        if account.line is None or not isinstance(account.line.command, AmplifierStandby):
            return Wrong("I3", "an antenna command left while the amplifier was not in standby")
        if CommandName.AMPLIFIER_OPERATE in underway or not _line_settled(account, at_us, 0):
            return Wrong("I3", "an antenna command left before standby was answered")
        read = account.line_read
        rest_us = (account.line.answered_us or at_us) + facts.times.relay_settle_us + CONTRADICTS_AFTER_US
        if read is not None and read[1] is AmplifierState.OPERATE and read[0] > rest_us:
            return Wrong("I3", "an antenna command left while the amplifier says operate")
    return None


def _line_settled(account: Account, at_us: int, settle_us: int) -> bool:
    """Whether the transfer relay rests: answered and settled, or read back in place since."""
    line, read = account.line, account.line_read
    if line is None:
        return False
    if line.is_settled(at_us, settle_us):
        return True
    operate = isinstance(line.command, AmplifierOperate)
    return read is not None and read[0] > line.left_us and (read[1] is AmplifierState.OPERATE) == operate


def _antenna(account: Account, command: SelectAntenna, facts: Facts) -> Wrong | None:
    """I10: only an antenna of the band that the rig would transmit on."""
    known = facts.antennas.get(command.antenna)
    if known is None or known.port != command.port or command.rig != facts.followed:
        return Wrong("I10", f"{command.antenna} on port {command.port} for {command.rig} is not of this station")
    at_hz = account.reading.transmit_hz if account.reading is not None else None
    if at_hz is None:
        return None
    band = facts.band_at(at_hz)
    if band is None or band not in known.bands:
        return Wrong("I10", f"{command.antenna} was selected on {at_hz} Hz, a band it does not cover")
    return None


def _relay_care(account: Account, at_us: int) -> Wrong | None:
    """I25: a leaking bucket of antenna commands."""
    count, since_us = account.selections
    if count - (at_us - since_us) + 1_000_000 > SELECTIONS_MAX * 1_000_000:
        return Wrong("I25", f"more than {SELECTIONS_MAX} antenna commands at once")
    return None


def _unnoted(account: Account, at_us: int, command: Command) -> Wrong | None:
    """I14: the note comes first; only an antenna or a tank may move without one, and only when the disk is dead."""
    if isinstance(command, AmplifierOperate):
        if not account.noted.durable:
            return Wrong("I14", "operate left without a durable note of it")
        return None
    if not account.noted.lets_move(at_us):
        return Wrong("I14", f"{command.name} left before its note was durable")
    return None


def _faulty(account: Account, event: Event) -> Wrong | None:
    """I6, I7: a fault is acknowledged first, and an acknowledgement commands nothing."""
    if isinstance(event, FaultAcknowledged):
        return Wrong("I7", "operate left upon an acknowledgement")
    if account.tripped_us is not None or isinstance(event, SafetyTripped):
        return Wrong("I6", "operate left while something unsafe was not acknowledged")
    if account.shut_down:
        return Wrong("I6", "operate left after a shutdown that was not acknowledged")
    return None


def _unwanted(account: Account) -> Wrong | None:
    """I24: a person decides."""
    if account.unwanted_us is not None:
        return Wrong("I24", "operate left without an operator's wish")
    return _locked(account, "operate")


def _locked(account: Account, what: str) -> Wrong | None:
    """I24, I20: nobody is to transmit while somebody works on the station, or its links are being exchanged."""
    if account.locked_out_us is not None:
        return Wrong("I24", f"{what} left under a lockout")
    return Wrong("I20", f"{what} left while links were being exchanged") if account.exchanging_us is not None else None


def _cold(account: Account, at_us: int, facts: Facts) -> Wrong | None:
    """I5: the whole warm-up since heater-on."""
    if facts.amplifier is None or not account.heater.warmed_up(at_us, facts.amplifier.warm_up_us):
        return Wrong("I5", "operate left before the warm-up was over")
    return None


def _out_of_place(account: Account, at_us: int, facts: Facts) -> Wrong | None:
    """I9, I10: amplifier, antenna and tank belong to where the rig would transmit, and rest there."""
    for told, settle_us in ((account.antenna, facts.times.relay_settle_us), (account.tank, 0)):
        if told is not None and told.answered_us is None:
            return Wrong("I9", f"operate left while {told.command.name} was under way")
        if told is not None and told.good and not told.is_settled(at_us, settle_us):
            return Wrong("I9", f"operate left while {told.command.name} was settling")
    misplaced = misplacement(account, facts)
    return Wrong("I10", f"operate left {misplaced.text}") if misplaced is not None else None


def _unsettled(account: Account, at_us: int, facts: Facts) -> Wrong | None:
    """I4: antenna, tank and transfer relay rest before transmit is released."""
    times, antenna, tank = facts.times, account.antenna, account.tank
    if facts.wiring.carries(CommandName.SELECT_ANTENNA) and antenna is None:
        return Wrong("I4", "transmit was released before any antenna was selected")
    if antenna is not None and not antenna.is_settled(at_us, times.relay_settle_us):
        return Wrong("I4", "transmit was released before the antenna was answered and had settled")
    if tank is not None and tank.answered_us is None:
        return Wrong("I4", "transmit was released while a recall was under way")
    if tank is not None and tank.good and not tank.is_settled(at_us, times.preset_settle_us):
        recalled = tank.command
        arrived = isinstance(recalled, RecallPreset) and account.positions_read == (recalled.tune, recalled.load)
        matched = isinstance(recalled, RecallPreset) and bool(recalled.matching) and facts.wiring.matches
        if matched or not (facts.positions and arrived):
            return Wrong("I4", "transmit was released while the tank was settling")
    if facts.wiring.carries(CommandName.AMPLIFIER_STANDBY) and not _line_settled(account, at_us, times.relay_settle_us):
        return Wrong("I4", "transmit was released onto a transfer relay that does not rest")
    return None
