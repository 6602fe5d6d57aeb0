"""The change-over in its safe order: what goes out next, given where everything rests and where it should be.

Each call looks at the whole state afresh and takes every step that is due; nothing is remembered of how far a
sequence has come except what is believed of the actuators. So a new target replaces an old one by simply being there,
and a change-over ends in a state that is right for where the dial is then.

1. `inhibit-transmit`, at once.
2. Nobody keyed for the guard time, a second agreeing reading, the note of what is about to be done.
3. `amplifier-standby`, at once where nobody is known to be keyed.
4. `select-antenna`; its answer and the relay's settle time.
5. `recall-preset` and `limit-drive`; their answers and the tank's settle time.
6. `amplifier-operate`, if that is wished for and everything allows it.
7. `release-transmit`.
"""

from dataclasses import replace

from qsyd_rules.actuator import Actuator, Commanded, Resting, Unknown, heads_for, moves, retried_at_once
from qsyd_rules.amplifier import Line
from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    CommandName,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import CloseIntent, ReadRig, RecordIntent
from qsyd_rules.follow import report_followed
from qsyd_rules.judgement import (
    Needs,
    agrees,
    at_rest_at_us,
    drive_must_fall,
    inhibit_reasons,
    is_fresh,
    must_stand_by,
    needs,
    operate_refusal,
    operate_wanted,
    past_hysteresis,
    quiet_at_us,
    spot_of,
    tank_of,
)
from qsyd_rules.notice import ChangeOverFinished, ChangeOverStarted, TransmitInhibited, TransmitReleased, Warned
from qsyd_rules.state import ChangeOver, Intent, Permit
from qsyd_rules.turn import Turn

INTENT_WAIT_US = 500_000
"""How long a change-over waits for its note to be durable before it goes on barefoot."""


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
    if (
        target is not None
        and here.band == target.band
        and turn.now_us < at_rest_at_us(turn)
        and not past_hysteresis(turn, here, target)
    ):
        return
    turn.change(
        target=here,
        line=retried_at_once(state.line),
        antenna=retried_at_once(state.antenna),
        tank=retried_at_once(state.tank),
        drive=retried_at_once(state.drive),
        permit=retried_at_once(state.permit),
    )
    if state.change_over is not None:
        _retarget(turn, state.change_over)
    if not agrees(turn):
        turn.effects.append(ReadRig(turn.followed))


def _retarget(turn: Turn, change_over: ChangeOver) -> None:
    """The newest target replaces the old one; relay care counts the moves that were made for nothing."""
    target = turn.state.target
    if target is None:
        return
    if change_over.touched:
        not_before_us = turn.state.care.allowed_at_us(turn.now_us)
        turn.change(care=turn.state.care.spend(not_before_us))
        change_over = replace(change_over, not_before_us=not_before_us)
    turn.change(change_over=replace(change_over, target=spot_of(target), touched=False))


def advance(turn: Turn) -> None:
    """Take every step that is due now."""
    adopt_target(turn)
    report_followed(turn)
    wanted = needs(turn)
    refusal = operate_refusal(turn, wanted)
    _note_misplaced(turn, refusal)
    _begin(turn, wanted, refusal)
    standing_by = must_stand_by(turn, refusal)
    reasons = inhibit_reasons(turn, wanted, standing_by=standing_by)
    _forbid(turn, reasons)
    if standing_by:
        turn.change(line=Commanded(Line.STANDBY, turn.send(AmplifierStandby()), _failures(turn.state.line)))
    _limit_drive(turn, wanted)
    _work(turn, wanted, refusal)
    _end(turn)
    _permit(turn)


def _note_misplaced(turn: Turn, refusal: str | None) -> None:
    """Keep since when the amplifier is in operate where it may not be."""
    in_operate = heads_for(turn.state.line, Line.OPERATE)
    if not (in_operate and refusal is not None):
        if turn.state.misplaced_since_us is not None:
            turn.change(misplaced_since_us=None)
    elif turn.state.misplaced_since_us is None:
        turn.change(misplaced_since_us=turn.now_us)


def _begin(turn: Turn, wanted: Needs, refusal: str | None) -> None:
    """Begin a change-over where something has to move, nobody is keyed and relay care allows it."""
    state = turn.state
    if state.change_over is not None or turn.keyed or state.target is None or state.stopping:
        return
    moving = wanted.relays and not _waits_to_retry(turn, wanted)
    operating = operate_wanted(turn, refusal) and turn.now_us >= at_rest_at_us(turn) and agrees(turn)
    if not (moving or operating) or moves(state.antenna) or moves(state.tank):
        return
    if turn.now_us < state.care.allowed_at_us(turn.now_us):
        if not state.care_warned:
            text = "change-overs come faster than one a second; spaced out to spare the relays"
            turn.change(care_warned=True)
            turn.report(Warned("relay-care", text))
        return
    target = spot_of(state.target)
    intent_id = turn.take_id()
    turn.change(
        change_over=ChangeOver(intent_id, turn.now_us, state.spot, target, shown=moving),
        care=state.care.spend(turn.now_us),
        care_warned=False,
    )
    if moving:
        turn.report(ChangeOverStarted(state.spot, target))
    origin = f"{state.spot.antenna} {state.spot.segment}" if state.spot else "unknown"
    goal = f"{target.antenna} {target.segment}" if moving else f"operate on {target.antenna} {target.segment}"
    turn.effects.append(RecordIntent(intent_id, origin, goal))


def _waits_to_retry(turn: Turn, wanted: Needs) -> bool:
    """Whether what has to move first is pausing after a failure."""
    actuator: Actuator[str] | Actuator[object] = turn.state.antenna if wanted.antenna else turn.state.tank  # type: ignore[assignment]
    return isinstance(actuator, Unknown) and turn.now_us < actuator.retry_at_us


def _failures(actuator: object) -> int:
    return actuator.failures if isinstance(actuator, Unknown) else 0


def _forbid(turn: Turn, reasons: tuple[str, ...]) -> None:
    """Step 1: inhibit at once, and say why; every reason said is one that holds."""
    state = turn.state
    if reasons and reasons != state.reasons:
        turn.report(TransmitInhibited(reasons))
        turn.change(reasons=reasons)
    elif not reasons and state.reasons:
        turn.change(reasons=())
    if not reasons or not turn.wiring.carries(CommandName.INHIBIT_TRANSMIT):
        return
    permit = turn.state.permit
    if heads_for(permit, Permit.INHIBITED) or (isinstance(permit, Unknown) and turn.now_us < permit.retry_at_us):
        return
    turn.change(permit=Commanded(Permit.INHIBITED, turn.send(InhibitTransmit(reasons)), _failures(permit)))


def _limit_drive(turn: Turn, wanted: Needs) -> None:
    """Lower the drive at once wherever nothing else has to move; raise it only while unkeyed."""
    drive = turn.state.drive
    if not wanted.drive or wanted.relays or moves(drive):
        return
    if turn.state.change_over is None and (drive_must_fall(turn) or not turn.keyed):
        _send_drive(turn)


def _send_drive(turn: Turn) -> None:
    target, drive = turn.state.target, turn.state.drive
    if target is None or target.drive_w is None or moves(drive):
        return
    if isinstance(drive, Unknown) and turn.now_us < drive.retry_at_us:
        return
    turn.change(drive=Commanded(target.drive_w, turn.send(LimitDrive(target.drive_w)), _failures(drive)))


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
            antenna = Commanded(target.antenna.name, turn.send(command), _failures(state.antenna))
            turn.change(antenna=antenna, change_over=replace(change_over, touched=True))
        return
    if wanted.tank or wanted.drive:
        if wanted.tank:
            _recall(turn, change_over)
        if wanted.drive:
            _send_drive(turn)
        return
    _operate(turn, change_over)


def _may_actuate(turn: Turn, change_over: ChangeOver) -> bool:
    """Step 2 and 3: the guard has run, the rig's word is fresh and agrees, the note is made, the amplifier is out."""
    quiet_us = quiet_at_us(turn)
    if quiet_us is None or turn.now_us < max(quiet_us, change_over.not_before_us):
        return False
    if not is_fresh(turn) or not agrees(turn):
        turn.effects.append(ReadRig(turn.followed))
        return False
    if change_over.intent is Intent.PENDING:
        if turn.now_us < change_over.started_us + INTENT_WAIT_US:
            return False
        turn.change(change_over=replace(change_over, intent=Intent.FAILED))
        turn.report(Warned("intent-not-recorded", "the state directory does not answer; going on barefoot"))
    line = turn.state.line
    if turn.atlas.station.amplifier is None or not turn.wiring.carries(CommandName.AMPLIFIER_STANDBY):
        return True
    return isinstance(line, Resting) and line.value is Line.STANDBY


def _recall(turn: Turn, change_over: ChangeOver) -> None:
    target, tank = turn.state.target, turn.state.tank
    wanted = tank_of(target) if target is not None else None
    if wanted is None or (isinstance(tank, Unknown) and turn.now_us < tank.retry_at_us):
        return
    command = RecallPreset(wanted.antenna, wanted.segment, wanted.tune, wanted.load, wanted.matching)
    turn.change(
        tank=Commanded(wanted, turn.send(command), _failures(tank)), change_over=replace(change_over, touched=True)
    )


def _operate(turn: Turn, change_over: ChangeOver) -> None:
    """Step 6, only while unkeyed and only once the intent is on record."""
    here = turn.state.here
    intent = turn.state.change_over.intent if turn.state.change_over else Intent.FAILED
    if intent is not Intent.RECORDED or here is None or here.band is None or turn.keyed:
        return
    turn.change(line=Commanded(Line.OPERATE, turn.send(AmplifierOperate())), operated_band=here.band.name)
    turn.change(change_over=replace(change_over, touched=True))


def _end(turn: Turn) -> None:
    """End the change-over where nothing is left to do, or where what is left cannot be done now."""
    state = turn.state
    change_over = state.change_over
    if change_over is None or moves(state.antenna) or moves(state.tank) or moves(state.line) or moves(state.drive):
        return
    wanted = needs(turn)
    blocked = _blocked(turn, wanted)
    if (wanted.relays or wanted.drive) and not blocked:
        return
    if not blocked and _operate_to_come(turn, wanted, change_over):
        return
    outcome = "failed safe" if blocked else "finished"
    turn.change(change_over=None)
    turn.effects.append(CloseIntent(change_over.intent_id, outcome))
    if blocked:
        if change_over.shown:
            text = f"change-over to {change_over.target.antenna} on {change_over.target.segment} failed safe: {blocked}"
            turn.report(Warned("change-over-failed", text))
        return
    here = state.here
    if here is None or not here.served or state.target is None:
        turn.report(Warned("change-over-abandoned", "the dial left for where nothing serves, or the rig was lost"))
        return
    spot = spot_of(state.target)
    turn.change(spot=spot)
    if change_over.shown:
        turn.change(finishing=change_over)


def _operate_to_come(turn: Turn, wanted: Needs, change_over: ChangeOver) -> bool:
    """Whether this change-over still has to put the amplifier into operate."""
    if change_over.intent is Intent.FAILED:
        return False
    return operate_wanted(turn, operate_refusal(turn, wanted))


def _blocked(turn: Turn, wanted: Needs) -> str | None:
    """Why the change-over cannot go on now: what it needs next has failed."""
    state = turn.state
    for actuator, needed in (
        (state.permit, turn.wiring.inhibits),
        (state.line, turn.wiring.carries(CommandName.AMPLIFIER_STANDBY)),
        (state.antenna, wanted.antenna),
        (state.tank, wanted.tank),
        (state.drive, wanted.drive),
    ):
        if needed and isinstance(actuator, Unknown) and turn.now_us < actuator.retry_at_us:
            return actuator.error or "no answer"
    return None


def _permit(turn: Turn) -> None:
    """Step 7: release once no reason to inhibit holds."""
    wanted = needs(turn)
    refusal = operate_refusal(turn, wanted)
    reasons = inhibit_reasons(turn, wanted, standing_by=must_stand_by(turn, refusal))
    if reasons:
        _report_finished(turn)
        _forbid(turn, reasons)
        return
    state = turn.state
    if not turn.wiring.carries(CommandName.RELEASE_TRANSMIT):
        _report_released(turn)
        return
    hold_off = state.hold_offs.get(CommandName.RELEASE_TRANSMIT)
    if heads_for(state.permit, Permit.RELEASED) or (hold_off is not None and turn.now_us < hold_off.until_us):
        return
    if isinstance(state.permit, Commanded):
        return
    turn.change(permit=Commanded(Permit.RELEASED, turn.send(ReleaseTransmit())))


def _report_released(turn: Turn) -> None:
    if turn.state.reasons is not None:
        turn.change(reasons=None)
        turn.report(TransmitReleased())
    _report_finished(turn)


def _report_finished(turn: Turn) -> None:
    """A change-over has ended: its release is answered, or another reason keeps transmit inhibited."""
    finishing = turn.state.finishing
    if finishing is not None:
        took_ms = (turn.now_us - finishing.started_us) / 1000
        turn.change(finishing=None)
        turn.report(ChangeOverFinished(took_ms, finishing.target.antenna, finishing.target.segment))


def released(turn: Turn) -> None:
    """The devices have answered `release-transmit`: say so, if it still holds."""
    permit = turn.state.permit
    if isinstance(permit, Resting) and permit.value is Permit.RELEASED:
        _report_released(turn)
