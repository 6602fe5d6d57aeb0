"""The change-over in its safe order: what goes out next, given where everything rests and where it should be.

Each call looks at the whole state afresh and takes every step that is due; nothing is remembered of how far a
sequence has come except what is believed of the actuators. So a new target replaces an old one by simply being there,
and a change-over ends in a state that is right for where the dial is then.

1. `inhibit-transmit`, at once.
2. Nobody keyed for the guard time, a second agreeing reading, the note of what is about to be done.
3. `amplifier-standby`, at once where nobody is known to be keyed.
4. `select-antenna`; its answer and the relay's settle time.
5. `recall-preset` and `limit-drive`; their answers and the tank's settle time.
6. `amplifier-operate`, if that is wished for and everything allows it; its answer and the relay's settle time.
7. `release-transmit`.
"""

from dataclasses import replace

from qsyd_rules.actuator import (
    Commanded,
    Resting,
    Settling,
    Unknown,
    commanded,
    doubted,
    heads_for,
    moves,
    retried_at_once,
)
from qsyd_rules.amplifier import Line
from qsyd_rules.change_over import begin, end, expire_note, retarget
from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    CommandName,
    LimitDrive,
    RecallPreset,
    SelectAntenna,
)
from qsyd_rules.effect import ReadRig
from qsyd_rules.follow import report_followed
from qsyd_rules.judgement import (
    Needs,
    agrees,
    at_rest_at_us,
    drive_bound_to_estimate,
    drive_must_fall,
    inhibit_reasons,
    is_fresh,
    must_stand_by,
    needs,
    operate_refusal,
    operate_wanted,
    past_hysteresis,
    quiet_at_us,
    says_operate,
    spot_of,
    tank_of,
)
from qsyd_rules.permit import forbid, permit_if_free
from qsyd_rules.placement import Placement
from qsyd_rules.state import ChangeOver, Intent
from qsyd_rules.tuning import SET_BY_HAND
from qsyd_rules.turn import Turn


def advance(turn: Turn) -> None:
    """Take every step that is due now."""
    adopt_target(turn)
    report_followed(turn)
    expire_note(turn)
    wanted = needs(turn)
    refusal = operate_refusal(turn, wanted)
    _note_misplaced(turn, refusal)
    begin(turn, wanted, refusal)
    standing_by = must_stand_by(turn, refusal)
    reasons = inhibit_reasons(turn, wanted, standing_by=standing_by)
    judged = turn.state
    forbid(turn, reasons)
    if standing_by:
        turn.change(line=commanded(turn.state.line, Line.STANDBY, turn.send(AmplifierStandby())))
    _limit_drive(turn, wanted)
    _work(turn, wanted, refusal)
    end(turn)
    permit_if_free(turn, judged, reasons)


def adopt_target(turn: Turn) -> None:
    """Make the present place the one in force, unless the dial is still drifting within the hysteresis of it."""
    state = turn.state
    here, target = state.here, state.target
    if here is None or not here.served:
        return
    if target is not None and here.key == target.key:
        if here is not target:
            turn.change(target=here)
        return
    if target is not None and _only_drifts(turn, here, target):
        # Only the dial is given time: what mode, hour or presets change about the place in force holds at once.
        held = turn.atlas.place(turn.situation(turn.followed, target.frequency_hz), state.presets)
        if held.key == target.key:
            if held != target:
                turn.change(target=held)
            return
    tank = doubted(state.tank, SET_BY_HAND) if target is not None and _was_tuned(turn, target) else state.tank
    turn.change(
        target=here,
        reported_us=state.here_since_us,
        line=retried_at_once(state.line),
        antenna=retried_at_once(state.antenna),
        tank=retried_at_once(tank),
        drive=retried_at_once(state.drive),
        permit=retried_at_once(state.permit),
        hold_offs={name: replace(each, until_us=turn.now_us) for name, each in state.hold_offs.items()},
    )
    retarget(turn)
    if not agrees(turn):
        turn.effects.append(ReadRig(turn.followed))


def _was_tuned(turn: Turn, target: Placement) -> bool:
    """Whether this place is being tuned, so that an operator's hand is on the tank there."""
    tuning, spot = turn.state.tuning, spot_of(target)
    return tuning is not None and tuning.is_for(spot.antenna, spot.segment)


def _only_drifts(turn: Turn, here: Placement, target: Placement) -> bool:
    """Whether the dial still moves, on the band of the place in force and no further than the hysteresis from it."""
    return here.band == target.band and turn.now_us < at_rest_at_us(turn) and not past_hysteresis(turn, here, target)


def _note_misplaced(turn: Turn, refusal: str | None) -> None:
    """Keep since when the amplifier is in operate where it may not be."""
    in_operate = heads_for(turn.state.line, Line.OPERATE)
    if not (in_operate and refusal is not None):
        if turn.state.misplaced_since_us is not None:
            turn.change(misplaced_since_us=None)
    elif turn.state.misplaced_since_us is None:
        turn.change(misplaced_since_us=turn.now_us)


def _limit_drive(turn: Turn, wanted: Needs) -> None:
    """Lower the drive at once wherever no relay has to move first; raise it only while unkeyed and sure of the place."""
    state = turn.state
    if not wanted.drive or wanted.relays or drive_bound_to_estimate(turn):
        return
    # Within a change-over the drive is raised as its step 5, before operate; what operate itself asks for, here.
    apart = state.change_over is None or heads_for(state.line, Line.OPERATE)
    if drive_must_fall(turn) or (apart and not turn.keyed and agrees(turn)):
        _send_drive(turn)


def _send_drive(turn: Turn) -> None:
    target, drive = turn.state.target, turn.state.drive
    if target is None or target.drive_w is None or moves(drive):
        return
    if isinstance(drive, Unknown) and turn.now_us < drive.retry_at_us:
        return
    rises = isinstance(drive, Resting) and target.drive_w > drive.value
    number = turn.send(LimitDrive(target.drive_w))
    turn.change(drive=commanded(drive, target.drive_w, number), drive_rises=rises)


def _work(turn: Turn, wanted: Needs, refusal: str | None) -> None:
    """Steps 2 to 6, as far as they are due."""
    state = turn.state
    change_over, target = state.change_over, state.target
    if change_over is None or target is None or target.antenna is None:
        return
    if not (wanted.relays or wanted.drive or operate_wanted(turn, refusal)):
        return
    if not _may_actuate(turn, change_over):
        return
    if moves(state.antenna) or moves(state.tank) or moves(state.drive):
        return
    if wanted.antenna:
        if not isinstance(state.antenna, Unknown) or turn.now_us >= state.antenna.retry_at_us:
            command = SelectAntenna(turn.followed, target.antenna.name, target.antenna.port)
            antenna = commanded(state.antenna, target.antenna.name, turn.send(command))
            turn.change(antenna=antenna, change_over=replace(change_over, touched=True, waits_us=None))
        return
    if wanted.tank or wanted.drive:
        if wanted.tank:
            _recall(turn, change_over)
        if wanted.drive:
            _send_drive(turn)
        return
    _operate(turn, change_over)


def _may_actuate(turn: Turn, change_over: ChangeOver) -> bool:
    """Steps 2 and 3: the guard has run, the rig's word is fresh and agrees, the note is made, the amplifier is out."""
    quiet_us = quiet_at_us(turn)
    if quiet_us is None or turn.now_us < max(quiet_us, change_over.not_before_us):
        return False
    if not is_fresh(turn) or not agrees(turn):
        turn.effects.append(ReadRig(turn.followed))
        if change_over.waits_us is None:
            turn.change(change_over=replace(change_over, waits_us=turn.now_us))
        return False
    if change_over.intent is Intent.PENDING or turn.under_way(CommandName.AMPLIFIER_OPERATE):
        return False
    line = turn.state.line
    if not turn.wiring.carries(CommandName.AMPLIFIER_STANDBY):
        return True
    return isinstance(line, Settling | Resting) and line.value is Line.STANDBY and not says_operate(turn)


def _recall(turn: Turn, change_over: ChangeOver) -> None:
    target, tank = turn.state.target, turn.state.tank
    wanted = tank_of(target) if target is not None else None
    if wanted is None or (isinstance(tank, Unknown) and turn.now_us < tank.retry_at_us):
        return
    command = RecallPreset(
        wanted.antenna, wanted.segment, wanted.tune, wanted.load, wanted.matching, estimate=wanted.estimate
    )
    turn.change(
        tank=commanded(tank, wanted, turn.send(command)), change_over=replace(change_over, touched=True, waits_us=None)
    )


def _operate(turn: Turn, change_over: ChangeOver) -> None:
    """Step 6, only once the intent is on record and the transfer relay rests."""
    here = turn.state.here
    if change_over.intent is not Intent.RECORDED or change_over.operated or moves(turn.state.line):
        return
    if here is None or here.band is None:
        return
    turn.change(
        line=Commanded(Line.OPERATE, turn.send(AmplifierOperate())),
        operated_band=here.band.name,
        change_over=replace(change_over, touched=True, operated=True, waits_us=None),
    )
