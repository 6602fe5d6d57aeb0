"""Another station file comes into force: what of that which is known outlives it.

The new station is a new `GuardedStation`; the state is carried over whole, and `Reloaded` is the first thing that it is
told. Core, gate and monitor each let go of what the new station makes doubtful, in accounts of their own. What remains
stays as it is or becomes safer: a fault, a lockout, a key, relay care and the wish to operate go on, a warm-up is never
shortened, and whatever hangs on a link that is opened anew is unknown until it has been told again.
"""

from dataclasses import replace
from typing import Any

from qsyd_rules.actuator import Actuator, Resting, Settling, Unknown, doubted
from qsyd_rules.amplifier import CoolDown, Hot, Off, SwitchingOff, SwitchingOn, WarmUp
from qsyd_rules.belief import sees_heater
from qsyd_rules.command import CommandName
from qsyd_rules.event import Reloaded
from qsyd_rules.follow import lose_rig
from qsyd_rules.hold import end_hold_without_antenna
from qsyd_rules.metering import awaits_positions
from qsyd_rules.notice import StationReloaded
from qsyd_rules.state import RigState
from qsyd_rules.station import Station
from qsyd_rules.turn import Turn
from qsyd_rules.wiring import Wiring

OPENED_ANEW = "its link is opened anew"


def take_reload(turn: Turn, event: Reloaded) -> None:
    """Let go of what does not hold in the new station. What has to be done about it follows in the same turn."""
    turn.report(StationReloaded(event.changed, event.restarted, event.file_sha256))
    turn.change(exchanging=None, tuning=None)
    _rigs(turn, event)
    _place(turn)
    _doubt_outputs(turn, event)
    _doubt_places(turn, event.before)
    _settle_again(turn, event.before)
    _readings(turn, event)
    _heater(turn, event)
    end_hold_without_antenna(turn)


def _rigs(turn: Turn, event: Reloaded) -> None:
    """Rigs that are new or opened anew have told nothing yet; likewise one that was not followed before."""
    known = turn.state.rigs
    rigs = {rig.name: known.get(rig.name, RigState(heard_us=turn.now_us)) for rig in turn.atlas.station.rigs}
    turn.change(rigs=rigs)
    for name in sorted(event.rigs & rigs.keys()):
        lose_rig(turn, name, OPENED_ANEW)
    moved = event.before.followed != turn.followed
    if moved:
        lose_rig(turn, turn.followed, "it was not the rig that is followed")
        turn.change(wish=False)
    if moved or turn.followed in event.rigs:
        turn.change(key_line=None)


def _place(turn: Turn) -> None:
    """The place in force, as the new station has it; where that is another one, what is here now will replace it."""
    target = turn.state.target
    if target is None:
        return
    again = turn.atlas.place(turn.situation(turn.followed, target.frequency_hz), turn.state.presets)
    turn.change(target=again if again.key == target.key else None)


def _doubt_outputs(turn: Turn, event: Reloaded) -> None:
    """What such an output was told, or will be, is told again."""
    carried = {name for output in event.outputs for name in event.wired.of(output) | turn.wiring.of(output)}
    state = turn.state

    def doubt(actuator: Actuator[Any], *names: CommandName) -> Actuator[Any]:
        if not carried.intersection(names):
            return actuator
        shown = ", ".join(sorted(output for output in event.outputs if turn.wiring.of(output).intersection(names)))
        return doubted(actuator, f"{shown}: {OPENED_ANEW}" if shown else "nothing carries it any more")

    turn.change(
        permit=doubt(state.permit, CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT),
        line=doubt(state.line, CommandName.AMPLIFIER_STANDBY, CommandName.AMPLIFIER_OPERATE),
        antenna=doubt(state.antenna, CommandName.SELECT_ANTENNA),
        tank=doubt(state.tank, CommandName.RECALL_PRESET),
        drive=doubt(state.drive, CommandName.LIMIT_DRIVE),
        hold_offs={
            name: replace(each, until_us=turn.now_us) if name in carried else each
            for name, each in state.hold_offs.items()
        },
    )


def _doubt_places(turn: Turn, before: Station) -> None:
    """An antenna on another port is not selected, and the tank of a segment with other edges is that of another one."""
    antenna, tank = turn.state.antenna, turn.state.tank
    if not isinstance(antenna, Unknown) and port_of(before, antenna.value) != port_of(
        turn.atlas.station, antenna.value
    ):
        turn.change(antenna=doubted(antenna, f"the port of {antenna.value} is another one now"))
    if not isinstance(tank, Unknown) and edges_of(before, tank.value.segment) != edges_of(
        turn.atlas.station, tank.value.segment
    ):
        turn.change(tank=doubted(tank, f"the edges of {tank.value.segment} are others now"))


def _settle_again(turn: Turn, before: Station) -> None:
    """Longer settle times count for what has come to rest by shorter ones just now."""
    times, state = turn.times, turn.state
    relay_us = times.relay_settle_us - before.change_over.relay_settle_us
    preset_us = 0 if awaits_positions(turn) else times.preset_settle_us - before.change_over.preset_settle_us

    def settle(actuator: Actuator[Any], more_us: int) -> Actuator[Any]:
        if not isinstance(actuator, Resting) or more_us <= 0 or actuator.since_us + more_us <= turn.now_us:
            return actuator
        return Settling(actuator.value, actuator.result, actuator.since_us + more_us)

    turn.change(
        line=settle(state.line, relay_us), antenna=settle(state.antenna, relay_us), tank=settle(state.tank, preset_us)
    )


def _readings(turn: Turn, event: Reloaded) -> None:
    """What a device told, and what it ignored, counts only for as long as that device is asked."""
    state = turn.state
    kept = turn.wiring.meters.keys() - event.outputs
    turn.change(
        readings={name: told for name, told in state.readings.items() if name in kept},
        rf_w={name: watts for name, watts in state.rf_w.items() if name in kept},
        stale=state.stale & kept,
        failing=state.failing & (turn.wiring.outputs.keys() - event.outputs),
        ignored={},
    )


def _heater(turn: Turn, event: Reloaded) -> None:
    """The warm-up counts from the real heater-on, and the longer one counts; of another device nothing is known."""
    seeing = _seeing(turn.wiring)
    if seeing & event.outputs:
        turn.change(amplifier_lost_us=turn.now_us)
    elif seeing != _seeing(event.wired):
        turn.change(amplifier_lost_us=None)
    before, after = event.before.amplifier, turn.atlas.station.amplifier
    if after is None or before is None:
        turn.change(amplifier=Off(), wish=False)
        turn.amplifier_reason = "the station file says so"
    elif _is_another_heater(turn, event):
        _forget_heater(turn)
    else:
        _lengthen(turn, after.warm_up_us, after.cool_down_us - before.cool_down_us, after.cool_down_us)


def _is_another_heater(turn: Turn, event: Reloaded) -> bool:
    seeing, seen = _seeing(turn.wiring), _seeing(event.wired)
    by_hand = [not wiring.carries(CommandName.AMPLIFIER_ON) for wiring in (turn.wiring, event.wired)]
    return seeing != seen or by_hand[0] is not by_hand[1] or bool(event.others & (seeing | seen))


def _forget_heater(turn: Turn) -> None:
    match turn.state.amplifier:
        case WarmUp() | Hot() | SwitchingOn():
            turn.change(amplifier=Off(), wish=False)
            turn.amplifier_reason = "another device carries its heater now: nobody knows how long it has been on"
        case CoolDown(off_us=off_us):
            turn.change(amplifier=CoolDown(off_us, None))  # it is still to be switched off
        case Off() | SwitchingOff():
            pass


def _lengthen(turn: Turn, warm_up_us: int, more_us: int, cool_down_us: int) -> None:
    """A longer warm-up or cool-down than was begun counts; a shorter one only the next time."""
    on_us, now_us = turn.state.heater_on_us, turn.now_us
    ready_us = now_us if on_us is None else on_us + warm_up_us
    match turn.state.amplifier:
        case WarmUp(ready_us=due_us, armed=armed) if ready_us > due_us:
            turn.change(amplifier=WarmUp(ready_us, armed))
        case Hot() if ready_us > now_us:
            turn.change(amplifier=WarmUp(ready_us))
            turn.amplifier_reason = "the station file has a longer warm-up now"
        case CoolDown(off_us=off_us, ready_us=due_us):
            later_us = max(off_us, now_us + cool_down_us) if more_us > 0 else off_us
            turn.change(amplifier=CoolDown(later_us, None if due_us is None else max(due_us, ready_us)))
        case _:
            pass


def _seeing(wiring: Wiring) -> set[str]:
    """The outputs whose links are the evidence that the heater stays on."""
    return {output for output, carried in wiring.outputs.items() if sees_heater(wiring, carried)}


def port_of(station: Station, antenna: str) -> int | str | None:
    """Where an antenna is on the switch; None for one that is not of this station."""
    return next((each.port for each in station.antennas if each.name == antenna), None)


def edges_of(station: Station, segment: str) -> tuple[int, int] | None:
    """Both edges of a segment; None for one that is not of this station."""
    return next(((each.low_hz, each.high_hz) for each in station.segments if each.name == segment), None)
