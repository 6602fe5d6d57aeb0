"""A change-over as an undertaking: when it begins, what is noted of it beforehand, and when it has ended.

What it does step by step, and in which order, is in `sequencer`.
"""

from dataclasses import replace

from qsyd_rules.actuator import Unknown, heads_for, moves
from qsyd_rules.amplifier import Line
from qsyd_rules.command import CommandName
from qsyd_rules.effect import CloseIntent, RecordIntent
from qsyd_rules.judgement import (
    Needs,
    agrees,
    at_rest_at_us,
    needs,
    operate_refusal,
    operate_wanted,
    spot_of,
)
from qsyd_rules.notice import ChangeOverFinished, ChangeOverStarted, Warned
from qsyd_rules.state import ChangeOver, HoldOff, Intent, is_ignored
from qsyd_rules.turn import Turn

NOTE_WAIT_US = 500_000
"""How long a change-over waits for its note to be durable before it goes on barefoot."""
NOTE_PAUSE_US = 5_000_000
"""After a note that could not be made, operate waits this long before the next is tried."""


def begin(turn: Turn, wanted: Needs, refusal: str | None) -> None:
    """Begin a change-over where something has to move, nobody is keyed and relay care allows it."""
    under_way = turn.state.change_over
    if under_way is not None and not under_way.shown and wanted.relays:
        _close(turn, under_way, "replaced")  # it was to move the amplifier only, and that is no longer enough
    state = turn.state
    if state.change_over is not None or turn.keyed or state.target is None or state.stopping:
        return
    operating = operate_wanted(turn, refusal) and turn.now_us >= at_rest_at_us(turn) and agrees(turn)
    if not (wanted.relays or operating) or moves(state.antenna) or moves(state.tank):
        return
    if _obstacle(turn, wanted) is not None or _safe_direction_ignored(turn):
        return
    if turn.now_us < state.care.allowed_at_us(turn.now_us):
        _warn_of_relay_care(turn)
        return
    report_finished(turn)
    target = spot_of(state.target)
    begun = ChangeOver(0, turn.now_us, state.spot, target, shown=wanted.relays, noted_us=turn.now_us)
    turn.change(care=state.care.spend(turn.now_us), care_warned=False)
    if begun.shown:
        turn.report(ChangeOverStarted(state.spot, target))
    turn.change(change_over=_noted(turn, begun))


def retarget(turn: Turn) -> None:
    """The newest target replaces the old one; relay care counts the moves that were made for nothing."""
    change_over, target = turn.state.change_over, turn.state.target
    if change_over is None or target is None:
        return
    turn.effects.append(CloseIntent(change_over.intent_id, "replaced"))
    if change_over.touched:
        not_before_us = turn.state.care.allowed_at_us(turn.now_us)
        turn.change(care=turn.state.care.spend(not_before_us))
        change_over = replace(change_over, not_before_us=not_before_us)
        if not_before_us > turn.now_us:
            _warn_of_relay_care(turn)
    turn.change(
        change_over=_noted(
            turn, replace(change_over, target=spot_of(target), touched=False, operated=False, waits_us=None)
        )
    )


def _warn_of_relay_care(turn: Turn) -> None:
    if not turn.state.care_warned:
        turn.change(care_warned=True)
        text = "change-overs come faster than one a second; spaced out to spare the relays"
        turn.report(Warned("relay-care", text))


def _noted(turn: Turn, change_over: ChangeOver) -> ChangeOver:
    """Ask for a durable note of where this change-over goes; nothing moves before that is answered.

    While the disk is known to be dead an antenna change does not wait for it again: it goes on barefoot at once.
    """
    number = turn.take_id()
    origin, target = change_over.origin, change_over.target
    goal = f"{target.antenna} {target.segment}"
    turn.effects.append(
        RecordIntent(
            number,
            f"{origin.antenna} {origin.segment}" if origin else "unknown",
            goal if change_over.shown else f"operate on {goal}",
        )
    )
    intent = Intent.FAILED if turn.state.notes_fail and change_over.shown else Intent.PENDING
    return replace(change_over, intent_id=number, noted_us=turn.now_us, intent=intent)


def note_answered(turn: Turn, intent_id: int, error: str | None) -> None:
    """The note is durable, or could not be written. One that comes late still counts."""
    change_over = turn.state.change_over
    concerned = change_over is not None and change_over.intent_id == intent_id
    if error is None:
        if turn.state.notes_fail:
            kept = {name: each for name, each in turn.state.hold_offs.items() if each.failures}
            turn.change(notes_fail=False, hold_offs=kept)
        if change_over is not None and concerned:
            turn.change(change_over=replace(change_over, intent=Intent.RECORDED))
    elif concerned:
        _note_failed(turn, error)


def expire_note(turn: Turn) -> None:
    """A note that is still not durable after its time counts as failed."""
    change_over = turn.state.change_over
    if change_over is None or change_over.intent is not Intent.PENDING:
        return
    if turn.now_us >= change_over.noted_us + NOTE_WAIT_US:
        _note_failed(turn, "the state directory does not answer")


def _note_failed(turn: Turn, error: str) -> None:
    state = turn.state
    if state.change_over is not None:
        turn.change(change_over=replace(state.change_over, intent=Intent.FAILED))
    before = state.hold_offs.get(CommandName.AMPLIFIER_OPERATE, HoldOff(0, 0))
    pause = HoldOff(before.failures, max(before.until_us, turn.now_us + NOTE_PAUSE_US))
    turn.change(notes_fail=True, hold_offs={**state.hold_offs, CommandName.AMPLIFIER_OPERATE: pause})
    if not state.notes_fail:
        turn.report(Warned("intent-not-recorded", f"{error}; antenna changes go on, operate waits"))


def end(turn: Turn) -> None:
    """End the change-over where nothing is left to do, or where what is left cannot be done now."""
    state = turn.state
    change_over = state.change_over
    if change_over is None or moves(state.antenna) or moves(state.tank) or moves(state.line) or moves(state.drive):
        return
    here = state.here
    if here is None or not here.served or state.target is None or state.stopping:
        _close(turn, change_over, "abandoned")
        if change_over.shown and not state.stopping:
            turn.report(Warned("change-over-abandoned", "the dial left for where nothing serves, or the rig was lost"))
        return
    wanted = needs(turn)
    obstacle = _obstacle(turn, wanted)
    if obstacle is not None:
        _close(turn, change_over, "failed safe")
        if change_over.shown:
            goal = f"{change_over.target.antenna} on {change_over.target.segment}"
            turn.report(Warned("change-over-failed", f"change-over to {goal} failed safe: {obstacle}"))
        return
    if wanted.relays or wanted.drive or _operate_to_come(turn, wanted, change_over):
        return
    if not change_over.shown:
        _close(turn, change_over, "finished" if heads_for(state.line, Line.OPERATE) else "abandoned")
    elif agrees(turn):
        _close(turn, change_over, "finished")
        turn.change(spot=spot_of(state.target), finishing=change_over)


def _close(turn: Turn, change_over: ChangeOver, outcome: str) -> None:
    turn.change(change_over=None)
    turn.effects.append(CloseIntent(change_over.intent_id, outcome))


def _operate_to_come(turn: Turn, wanted: Needs, change_over: ChangeOver) -> bool:
    """Whether this change-over still has to put the amplifier into operate."""
    if change_over.intent is Intent.FAILED or change_over.operated:
        return False
    return operate_wanted(turn, operate_refusal(turn, wanted))


def _obstacle(turn: Turn, wanted: Needs) -> str | None:
    """Why a change-over cannot go on now: what it needs next has failed, and pauses before the next try."""
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


def _safe_direction_ignored(turn: Turn) -> bool:
    """Whether a device that is there ignores inhibit or standby, which are asked for again without any change-over."""
    state = turn.state
    return is_ignored(state, CommandName.INHIBIT_TRANSMIT) or is_ignored(state, CommandName.AMPLIFIER_STANDBY)


def report_finished(turn: Turn) -> None:
    """A change-over has ended: its release is answered, or another reason keeps transmit inhibited."""
    finishing = turn.state.finishing
    if finishing is not None:
        took_ms = (turn.now_us - finishing.started_us) / 1000
        turn.change(finishing=None)
        turn.report(ChangeOverFinished(took_ms, finishing.target.antenna, finishing.target.segment))
