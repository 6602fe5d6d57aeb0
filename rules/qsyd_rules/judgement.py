"""What the present state allows, needs and forbids; nothing here changes anything.

Every predicate that a relay hangs on is in this module, so that it can be read in one sitting.
"""

from dataclasses import dataclass

from qsyd_rules.actuator import Commanded, Resting, Settling, Unknown, doubt, heads_for, moves, rests_at
from qsyd_rules.amplifier import Hot, Line, label
from qsyd_rules.command import CommandName
from qsyd_rules.evidence import is_stuck, key_down_us
from qsyd_rules.fault import INHIBITING
from qsyd_rules.notice import Spot
from qsyd_rules.placement import Placement
from qsyd_rules.state import Intent, Permit, Tank, standing
from qsyd_rules.turn import Turn
from qsyd_rules.words import AmplifierState

FRESH_US = 600_000
"""Oldest word of the rig on keying that a step may rest on."""
LATE_WORD_US = 2_000_000
"""So long a step waits for a recent word of the rig before it is told that it does."""
FORCE_STANDBY_US = 2_000_000
"""Still keyed this long after a move within the band: standby as the lesser harm."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What has to move before the place in force is right."""

    antenna: bool
    tank: bool
    drive: bool

    @property
    def relays(self) -> bool:
        """Whether a relay or a motor has to move."""
        return self.antenna or self.tank


NOTHING = Needs(False, False, False)


def tank_of(placement: Placement) -> Tank | None:
    """Where this place wants the tank; None where it has no preset, nor an estimate that may stand in for one."""
    preset, fitted = placement.preset, placement.estimate
    if preset is None and fitted is not None:
        return Tank(fitted.antenna, fitted.segment, fitted.tune, fitted.load, estimate=True)
    if preset is None:
        return None
    return Tank(preset.antenna, preset.segment, preset.tune, preset.load, preset.matching)


def spot_of(placement: Placement) -> Spot:
    """The place as a change-over names it."""
    return Spot(
        placement.antenna.name if placement.antenna else None,
        placement.segment.name if placement.segment else None,
    )


def needs(turn: Turn) -> Needs:
    """What differs between the place in force and where things rest; nothing where no place is known or served."""
    state, wiring = turn.state, turn.wiring
    target, here = state.target, state.here
    if target is None or target.antenna is None or here is None or not here.served or state.stopping:
        return NOTHING
    tank = tank_of(target)
    return Needs(
        antenna=wiring.carries(CommandName.SELECT_ANTENNA) and not rests_at(state.antenna, target.antenna.name),
        tank=tank is not None and wiring.carries(CommandName.RECALL_PRESET) and not rests_at(state.tank, tank),
        drive=target.drive_w is not None
        and wiring.carries(CommandName.LIMIT_DRIVE)
        and not rests_at(state.drive, target.drive_w),
    )


def drive_must_fall(turn: Turn) -> bool:
    """Whether the drive in force may be above that of the place."""
    drive, target = turn.state.drive, turn.state.target
    if target is None or target.drive_w is None:
        return False
    if isinstance(drive, Commanded) and not turn.state.drive_rises:
        return True
    return isinstance(drive, Unknown) or drive.value > target.drive_w


def drive_bound_to_estimate(turn: Turn) -> bool:
    """Whether the amplifier may still be in operate on an estimate of elsewhere, which bears only the drive it has."""
    line, tank, target = turn.state.line, turn.state.tank, turn.state.target
    if isinstance(tank, Unknown) or not tank.value.estimate or (target is not None and tank_of(target) == tank.value):
        return False
    return not (isinstance(line, Settling | Resting) and line.value is Line.STANDBY)


def operate_refusal(turn: Turn, wanted: Needs) -> str | None:
    """Why the amplifier may not be in operate now; None where everything allows it."""
    state, rig = turn.state, turn.rig
    if turn.atlas.station.amplifier is None:
        return "the station has no amplifier"
    if state.stopping:
        return "the daemon is stopping"
    if state.fault is not None:
        return f"fault {state.fault.code} stands"
    if state.lockout is not None:
        return f"maintenance lockout by {state.lockout.operator}"
    if state.exchanging is not None:
        return state.exchanging
    if not state.wish:
        return "operate is not asked for"
    if not isinstance(state.amplifier, Hot):
        return f"the amplifier is in {label(state.amplifier, state.line)}"
    if not rig.up:
        return f"rig {turn.followed}: {rig.lost_because}"
    here, target = state.here, state.target
    if here is None:
        return "the transmit frequency is not known"
    if not here.served or target is None:
        return "nothing serves this frequency"
    if target.barefoot_because is not None:
        return target.barefoot_because
    if target.estimate is not None and not _can_reduce_drive(turn):
        return "nothing lowers the drive for an estimate"
    unanswered = _unanswered(turn, wanted, tried_again=False)
    if unanswered:
        return unanswered[0]
    silent = _silent_meters(turn)
    if silent is not None:
        return silent
    if wanted.relays:
        return "changing over"
    # In operate another drive costs no transfer relay: a lower one is in force at once, or its device is unanswered.
    if wanted.drive and not heads_for(state.line, Line.OPERATE):
        return "the drive is being set"
    return None


def _can_reduce_drive(turn: Turn) -> bool:
    """Whether an estimate can be recalled with the reduced drive that it needs."""
    return turn.wiring.carries(CommandName.RECALL_PRESET) and turn.wiring.carries(CommandName.LIMIT_DRIVE)


def _silent_meters(turn: Turn) -> str | None:
    """An amplifier that can be asked has to answer: no operate on readings that are missing or stale."""
    for output in turn.wiring.meters:
        if CommandName.AMPLIFIER_OPERATE not in turn.wiring.of(output):
            continue
        if output not in turn.state.readings:
            return f"{output} has not told its readings yet"
        if output in turn.state.stale:
            return f"{output} tells no readings any more"
        if turn.state.readings[output][1].state is AmplifierState.OFF:
            return f"{output} says that it is off"
    return None


def says_operate(turn: Turn) -> bool:
    """Whether the amplifier still tells that it is in the signal path, whatever it has acknowledged."""
    for output in turn.wiring.meters:
        told = turn.state.readings.get(output)
        if told is not None and output not in turn.state.stale and told[1].state is AmplifierState.OPERATE:
            return True
    return False


def _contradicts_standby(turn: Turn) -> bool:
    """Whether the amplifier does not say yet that it stands by, though it has answered so: what is read back counts."""
    return rests_at(turn.state.line, Line.STANDBY) and says_operate(turn)


def operate_wanted(turn: Turn, refusal: str | None) -> bool:
    """Whether the amplifier should go to operate and is not there."""
    state = turn.state
    hold_off = state.hold_offs.get(CommandName.AMPLIFIER_OPERATE)
    return (
        refusal is None
        and turn.wiring.carries(CommandName.AMPLIFIER_OPERATE)
        and turn.wiring.carries(CommandName.AMPLIFIER_STANDBY)
        and not heads_for(state.line, Line.OPERATE)
        and not (hold_off is not None and turn.now_us < hold_off.until_us)
    )


def must_stand_by(turn: Turn, refusal: str | None) -> bool:
    """Whether `amplifier-standby` has to go out now.

    At once wherever nobody is known to be keyed, there is no way to inhibit, the rig is lost, the operator wants it
    or the band is another (full power into the wrong tank is the greater harm). Keyed and moved within the band: when
    unkeyed, or after two seconds as the lesser harm.
    """
    state = turn.state
    line = state.line
    if not turn.wiring.carries(CommandName.AMPLIFIER_STANDBY):
        return False
    if isinstance(line, Unknown):
        return turn.now_us >= line.retry_at_us
    if line.value is not Line.OPERATE or refusal is None:
        return False
    if not turn.keyed or state.stopping or not state.wish or not isinstance(state.amplifier, Hot):
        return True
    if state.fault is not None or state.lockout is not None or state.stale or state.exchanging is not None:
        return True
    if not turn.wiring.inhibits or isinstance(state.permit, Unknown) or state.here is None:
        return True
    band = state.here.band
    if band is None or band.name != state.operated_band or not state.here.served:
        return True
    since_us = state.misplaced_since_us
    return since_us is not None and turn.now_us >= since_us + FORCE_STANDBY_US


def quiet_at_us(turn: Turn) -> int | None:
    """When nobody will have been keyed for the guard time since transmit was inhibited; None while that cannot be."""
    rig, permit = turn.rig, turn.state.permit
    if not rig.up or turn.keyed:
        return None
    since_us = max(rig.unkeyed_since_us, turn.state.quiet_since_us)
    if turn.wiring.inhibits:
        if not isinstance(permit, Resting) or permit.value is not Permit.INHIBITED:
            return None
        if turn.under_way(CommandName.RELEASE_TRANSMIT):
            return None  # overtaken, but not answered yet: it may still get through
        since_us = max(since_us, permit.since_us)
    elif turn.state.change_over is not None:
        since_us = max(since_us, turn.state.change_over.started_us)
    return since_us + turn.times.guard_us


def is_fresh(turn: Turn) -> bool:
    """Whether the rig's word is recent, counted from its question: on keying, where it can tell that, else the dial."""
    return turn.now_us - turn.rig.told_from_us <= FRESH_US


def agrees(turn: Turn) -> bool:
    """Whether a reading asked for after the first report of the target has told it too.

    One that told another band, or a place past the hysteresis, would have replaced the target.
    """
    return turn.rig.asked_us >= turn.state.reported_us


def at_rest_at_us(turn: Turn) -> int:
    """When the dial will have rested long enough for a drift to be acted upon."""
    return turn.rig.moved_us + turn.times.rest_us


def past_hysteresis(turn: Turn, here: Placement, target: Placement) -> bool:
    """Whether the dial has left the place in force by more than the hysteresis.

    Looked up one hysteresis back towards where it came from: if the place in force does not reach that far, the edge
    lies further back than that.
    """
    if target.segment is None:
        return True
    back_hz = turn.times.hysteresis_hz
    upward = here.frequency_hz >= target.frequency_hz
    probe_hz = here.frequency_hz - back_hz - 1 if upward else here.frequency_hz + back_hz
    if (upward and probe_hz <= target.frequency_hz) or (not upward and probe_hz >= target.frequency_hz):
        return False
    probe = turn.atlas.place(turn.situation(turn.followed, probe_hz), turn.state.presets)
    return probe.key != target.key


def inhibit_reasons(turn: Turn, wanted: Needs, *, standing_by: bool) -> tuple[str, ...]:
    """Every reason that holds now to forbid transmitting; `standing_by` when standby is about to go out."""
    state, rig = turn.state, turn.rig
    reasons: list[str] = []
    if state.stopping:
        reasons.append("the daemon is stopping")
    if not rig.up:
        reasons.append(f"rig {turn.followed}: {rig.lost_because}")
    elif rig.transmit_hz is None:
        reasons.append("split is on and the other VFO cannot be read: the transmit frequency is not known")
    elif state.here is not None:
        reasons += state.here.inhibits
    if state.tuning is not None and state.tuning.hold is not None:
        reasons.append(f"tune-up: {state.tuning.hold}")
    if state.exchanging is not None:
        reasons.append(state.exchanging)
    reasons += _latched(turn)
    reasons += _unanswered(turn, wanted, tried_again=True)
    reasons += _under_way(turn, wanted, standing_by)
    if not reasons and _contradicts_standby(turn):  # with another one it is mostly the wait for the next reading
        reasons.append("the amplifier has been told to stand by and still says operate")
    return tuple(reasons)


def _latched(turn: Turn) -> list[str]:
    """What only a person ends, and a key that is down for too long."""
    state = turn.state
    found = []
    if state.lockout is not None:
        found.append(f"maintenance lockout by {state.lockout.operator}: {state.lockout.reason}")
    if is_stuck(turn):
        found.append(f"keyed for more than {key_down_us(turn) / 1e6:g} s: is the key stuck?")
    latched = (fault for fault in standing(state) if fault.code in INHIBITING)
    found += [f"fault {fault.code}: {fault.detail}; acknowledge it once its cause has gone" for fault in latched]
    return found


def _unanswered(turn: Turn, wanted: Needs, *, tried_again: bool) -> list[str]:
    """What does not answer and matters here: a tank that may rest anywhere is no harm where no tank is needed.

    With `tried_again` also what has been told once more: until it answers, nothing is different.
    """
    state, wiring = turn.state, turn.wiring
    found = []
    for what, actuator, matters in (
        ("transmit permit", state.permit, wiring.inhibits),
        ("amplifier relay", state.line, wiring.carries(CommandName.AMPLIFIER_STANDBY)),
        ("antenna", state.antenna, wanted.antenna),
        ("tank", state.tank, wanted.tank),
        ("drive", state.drive, wanted.drive),
    ):
        error = doubt(actuator) if tried_again or isinstance(actuator, Unknown) else None
        if error is not None and matters:
            found.append(f"{what} unknown: {error}")
    hold_off = state.hold_offs.get(CommandName.RELEASE_TRANSMIT)
    if hold_off is not None and turn.now_us < hold_off.until_us:
        found.append("the transmit permit was asked for and not answered; it is asked for again after a pause")
    return found


def _late_word(turn: Turn) -> str:
    """That the rig answers, and too late for anything to move: over a slow network this would look like nothing at all."""
    change_over = turn.state.change_over
    if change_over is None or change_over.waits_us is None or turn.now_us < change_over.waits_us + LATE_WORD_US:
        return ""
    if is_fresh(turn) and agrees(turn):
        return ""
    return f"; it waits for an answer of the rig that comes within {FRESH_US / 1e6:g} s"


def _under_way(turn: Turn, wanted: Needs, standing_by: bool) -> list[str]:
    state = turn.state
    target, change_over = state.target, state.change_over
    moving = wanted.relays or (change_over is not None and change_over.shown)
    if moving and target is not None and target.antenna and target.segment:
        waits = "; it waits for unkey" if turn.keyed else _late_word(turn)
        return [f"changing over to {target.antenna.name} on {target.segment.name}{waits}"]
    if moves(state.antenna) or moves(state.tank):
        return ["changing over"]
    # Only once the note is made, and never into a transmission that has begun: a dead disk interrupts nobody.
    unheard = not turn.keyed or heads_for(state.permit, Permit.INHIBITED)
    if change_over is not None and change_over.intent is Intent.RECORDED and unheard:
        return ["the amplifier is going to operate"]
    # An operate that standby has overtaken may still get through: nobody transmits before it has ended.
    if standing_by or moves(state.line) or turn.under_way(CommandName.AMPLIFIER_OPERATE):
        return ["the amplifier's transfer relay is moving"]
    if wanted.drive and drive_must_fall(turn):
        return ["the drive is being lowered"]
    return []
