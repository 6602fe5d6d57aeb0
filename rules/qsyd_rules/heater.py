"""The heater: what operators ask of the amplifier, what its answers and time make of it."""

from dataclasses import replace

from qsyd_rules import amplifier as model
from qsyd_rules.actuator import Commanded, heads_for
from qsyd_rules.amplifier import CoolDown, Hot, Line, Off, SwitchingOff, SwitchingOn, WarmUp
from qsyd_rules.command import AmplifierOff, AmplifierOn, AmplifierStandby, CommandName
from qsyd_rules.effect import Answer
from qsyd_rules.event import AmplifierRequest, OperatorAsked
from qsyd_rules.judgement import needs, operate_refusal
from qsyd_rules.notice import Warned
from qsyd_rules.turn import Turn
from qsyd_rules.words import Result

EVIDENCE_GAP_US = 5_000_000
"""The link to the amplifier gone for longer than this: nobody knows whether the heater stayed on."""
OFF_RETRY_US = 30_000_000


def heater_answered(turn: Turn, number: int, result: Result) -> None:
    station, heater = turn.atlas.station, turn.state.amplifier
    if station.amplifier is None:
        return
    match heater:
        case SwitchingOn(command_id=command_id, armed=armed) if command_id == number:
            if result is Result.FAILED:
                turn.change(amplifier=Off())
                turn.report(
                    Warned(
                        "amplifier-not-on",
                        "amplifier-on was not answered: the heater counts as off; ask for it, and for operate, again",
                    )
                )
                return
            turn.change(amplifier=WarmUp(turn.now_us + station.amplifier.warm_up_us, armed), heater_on_us=turn.now_us)
            turn.amplifier_reason = "heater on"
        case SwitchingOff(command_id=command_id) if command_id == number:
            if result is Result.FAILED:
                turn.change(amplifier=SwitchingOff(None, turn.now_us + OFF_RETRY_US))
                turn.report(Warned("amplifier-not-off", "amplifier-off was not answered; it will be sent again"))
                return
            turn.change(amplifier=Off(), heater_off_us=turn.now_us)
            turn.amplifier_reason = "heater off"
        case _:
            pass


def ask_amplifier(turn: Turn, event: OperatorAsked) -> None:
    state, station = turn.state, turn.atlas.station
    if station.amplifier is None:
        turn.effects.append(Answer(event.request_id, False, "this station has no amplifier"))
        return
    if state.stopping:
        turn.effects.append(Answer(event.request_id, False, "the daemon is stopping"))
        return
    barred = _barred(turn, event.request)
    if barred is not None:
        turn.effects.append(Answer(event.request_id, False, barred))
        return
    verdict = model.asked(
        state.amplifier,
        state.wish,
        event.request,
        turn.now_us,
        station.amplifier.warm_up_us,
        station.amplifier.cool_down_us,
    )
    turn.change(amplifier=verdict.model, wish=verdict.wish)
    turn.amplifier_reason = f"asked by {event.operator}"
    if verdict.accepted and verdict.wish and CommandName.AMPLIFIER_OPERATE in state.hold_offs:
        pause = replace(state.hold_offs[CommandName.AMPLIFIER_OPERATE], until_us=turn.now_us)  # a person asks: now
        turn.change(hold_offs={**state.hold_offs, CommandName.AMPLIFIER_OPERATE: pause})
    if verdict.send_on:
        heater_on(turn)
    if verdict.send_off:
        if heads_for(state.line, Line.OPERATE):
            turn.change(line=Commanded(Line.STANDBY, turn.send(AmplifierStandby())))
        heater_off(turn)
    text = verdict.text
    if verdict.send_on and not turn.wiring.carries(CommandName.AMPLIFIER_ON):
        text = "no output carries amplifier-on: switch the heater on by hand now; the warm-up counts from here"
    wanted = needs(turn)
    held = operate_refusal(turn, wanted)
    if verdict.accepted and verdict.wish and held is not None and not (wanted.relays or wanted.drive):
        text = f"operate is wished for; it stays in standby here: {held}"
    ready_in_us = verdict.ready_in_us
    turn.effects.append(
        Answer(event.request_id, verdict.accepted, text, None if ready_in_us is None else max(0, ready_in_us) / 1e6)
    )


def _barred(turn: Turn, request: AmplifierRequest) -> str | None:
    """Why a fault or a lockout refuses this request; the safe direction is never refused."""
    fault, lockout = turn.state.fault, turn.state.lockout
    if request in {AmplifierRequest.STANDBY, AmplifierRequest.OFF, AmplifierRequest.OFF_NOW}:
        return None
    if fault is not None:
        return f"fault {fault.code} stands ({fault.detail}): {fault.advice} Then acknowledge it."
    if lockout is not None and request is not AmplifierRequest.ON:
        return f"maintenance lockout by {lockout.operator}: {lockout.reason}"
    return None


def heater_on(turn: Turn) -> None:
    station = turn.atlas.station
    if turn.wiring.carries(CommandName.AMPLIFIER_ON):
        turn.change(amplifier=SwitchingOn(turn.send(AmplifierOn())))
    elif station.amplifier is not None:
        turn.change(amplifier=WarmUp(turn.now_us + station.amplifier.warm_up_us), heater_on_us=turn.now_us)


def heater_off(turn: Turn) -> None:
    if turn.wiring.carries(CommandName.AMPLIFIER_OFF):
        turn.change(amplifier=SwitchingOff(turn.send(AmplifierOff())))
    else:
        turn.change(amplifier=Off())


def doubt_heater(turn: Turn, reason: str) -> None:
    """Nobody knows whether the heater stayed on: the whole warm-up has to run anew."""
    match turn.state.amplifier:
        case WarmUp() | Hot():
            turn.change(amplifier=Off(), wish=False)
            turn.amplifier_reason = reason
        case CoolDown(off_us=off_us, ready_us=int()):
            turn.change(amplifier=CoolDown(off_us, None))  # it is still to be switched off
        case _:
            pass


def look_for_gap(turn: Turn) -> None:
    """The heater out of sight for too long is doubted, before anything else is made of the time that has passed."""
    lost_us = turn.state.amplifier_lost_us
    if lost_us is not None and turn.now_us >= lost_us + EVIDENCE_GAP_US:
        doubt_heater(turn, "its link has been gone for 5 s: nobody knows whether the heater stayed on")


def pass_heater_time(turn: Turn) -> None:
    look_for_gap(turn)
    now_us = turn.now_us
    match turn.state.amplifier:
        case WarmUp(ready_us=ready_us, armed=armed) if now_us >= ready_us:
            turn.change(amplifier=Hot(), wish=turn.state.wish or armed)
            turn.amplifier_reason = "warm-up has run in full"
        case CoolDown(off_us=off_us) if now_us >= off_us:
            heater_off(turn)
        case SwitchingOff(command_id=None, retry_us=retry_us) if now_us >= retry_us:
            heater_off(turn)
        case _:
            pass
