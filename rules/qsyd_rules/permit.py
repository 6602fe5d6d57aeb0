"""The transmit permit: inhibited at once for any reason that holds, released once none does."""

from qsyd_rules.actuator import Commanded, Unknown, commanded, heads_for, rests_at
from qsyd_rules.change_over import report_finished
from qsyd_rules.command import CommandName, InhibitTransmit, ReleaseTransmit
from qsyd_rules.judgement import inhibit_reasons, must_stand_by, needs, operate_refusal
from qsyd_rules.notice import TransmitInhibited, TransmitReleased
from qsyd_rules.state import Permit, StationState
from qsyd_rules.turn import Turn


def forbid(turn: Turn, reasons: tuple[str, ...]) -> None:
    """Inhibit at once, and say why; every reason said is one that holds. Without reasons nothing is sent."""
    state = turn.state
    if reasons and reasons != state.reasons:
        turn.report(TransmitInhibited(reasons))
        turn.change(reasons=reasons)
    elif not reasons and state.reasons:
        turn.change(reasons=())
    if not reasons or not turn.wiring.inhibits:
        return
    permit = turn.state.permit
    if heads_for(permit, Permit.INHIBITED) or (isinstance(permit, Unknown) and turn.now_us < permit.retry_at_us):
        return
    turn.change(permit=commanded(permit, Permit.INHIBITED, turn.send(InhibitTransmit(reasons))))


def permit_if_free(turn: Turn, judged: StationState, reasons: tuple[str, ...]) -> None:
    """Release transmit once no reason to inhibit it holds. `reasons` are those of the state `judged`."""
    if turn.state is not judged:
        wanted = needs(turn)
        standing_by = must_stand_by(turn, operate_refusal(turn, wanted))
        reasons = inhibit_reasons(turn, wanted, standing_by=standing_by)
    if reasons:
        report_finished(turn)
        forbid(turn, reasons)
        return
    if turn.state.reasons:
        turn.change(reasons=())
    permit = turn.state.permit
    if not turn.wiring.carries(CommandName.RELEASE_TRANSMIT) or rests_at(permit, Permit.RELEASED):
        _report_released(turn)
    elif not isinstance(permit, Commanded):
        turn.change(permit=Commanded(Permit.RELEASED, turn.send(ReleaseTransmit())))


def permit_answered(turn: Turn) -> None:
    """The devices have answered: where it was `release-transmit`, and still holds, say so."""
    if rests_at(turn.state.permit, Permit.RELEASED):
        _report_released(turn)


def _report_released(turn: Turn) -> None:
    if turn.state.reasons is not None:
        turn.change(reasons=None)
        turn.report(TransmitReleased())
    report_finished(turn)
