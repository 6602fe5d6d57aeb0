"""Whether a station is at rest, so that another station file may come into force."""

from qsyd_rules.actuator import Resting, Unknown, moves
from qsyd_rules.amplifier import Line
from qsyd_rules.command import CommandName
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.state import Permit, StationState
from qsyd_rules.turn import Turn


def waits_for(core: GuardedStation, state: StationState, now_us: int) -> str | None:
    """What is under way, in words that follow `waits for`; None at rest."""
    turn = Turn(core.atlas, core.wiring, core.followed, state, now_us)
    keyed = sorted(name for name, rig in state.rigs.items() if rig.up and rig.keyed is True)
    if turn.keyed or state.keyed_since_us is not None:
        return f"rig {core.followed} to unkey"
    if keyed:
        return f"rig {', '.join(keyed)} to unkey"
    if state.tuning is not None:
        return "the tune-up to end"
    change_over = state.change_over or state.finishing
    if change_over is not None:
        target = change_over.target
        return f"the change-over to {target.antenna} on {target.segment} to end"
    if state.commands:
        names = sorted({str(command.name) for command in state.commands.values()})
        return f"the answer to {', '.join(names)}"
    line_moves = moves(state.permit) or moves(state.line)
    if line_moves or moves(state.antenna) or moves(state.tank) or moves(state.drive):
        return "relays and motors to come to rest"
    return None


def is_told_to_be_safe(core: GuardedStation, state: StationState) -> bool:
    """Whether transmit is inhibited and the amplifier in standby, or what would do that has been told and fails."""
    permit, line = state.permit, state.line
    inhibited = isinstance(permit, Unknown) or (isinstance(permit, Resting) and permit.value is Permit.INHIBITED)
    bypassed = isinstance(line, Unknown) or (isinstance(line, Resting) and line.value is Line.STANDBY)
    return (inhibited or not core.wiring.inhibits) and (
        bypassed or not core.wiring.carries(CommandName.AMPLIFIER_STANDBY)
    )
