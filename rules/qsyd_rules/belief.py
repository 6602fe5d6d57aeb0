"""What the answers of devices, and their coming and going, do to what is believed of the station."""

from dataclasses import replace
from typing import assert_never

from qsyd_rules.actuator import FIRST_PAUSE_US, Commanded, Unknown, doubted, finished, rests_at, retried_at_once
from qsyd_rules.amplifier import SwitchingOff
from qsyd_rules.command import Command, CommandName
from qsyd_rules.event import CommandFinished
from qsyd_rules.heater import heater_answered, look_for_gap
from qsyd_rules.metering import awaits_positions
from qsyd_rules.notice import CommandDone, OutputFailed, OutputRecovered
from qsyd_rules.permit import permit_answered
from qsyd_rules.state import HoldOff, Permit
from qsyd_rules.turn import Turn
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import Result, worst

FIRST_HOLD_OFF_US = 1_000_000
LONGEST_HOLD_OFF_US = 30_000_000
"""A bold command that fails although its device answers others is tried again after one second, doubling to thirty."""
REFUSALS_AT_ONCE = 1
"""So often what a device did not do is tried again as soon as its link is back; from then on the pauses hold.

A device that is silent on one command is taken for lost, and is back at once: without this it would be asked for ever.
"""
_BOLD = frozenset(
    {
        CommandName.SELECT_ANTENNA,
        CommandName.RECALL_PRESET,
        CommandName.LIMIT_DRIVE,
        CommandName.AMPLIFIER_OPERATE,
        CommandName.RELEASE_TRANSMIT,
    }
)


def finish_command(turn: Turn, event: CommandFinished) -> None:
    command = turn.state.commands.get(event.command_id)
    if command is None:
        return
    turn.change(commands={number: kind for number, kind in turn.state.commands.items() if number != event.command_id})
    result = worst([answer.result for answer in event.answers])
    errors = [f"{answer.output}: {answer.error}" for answer in event.answers if answer.error is not None]
    _report_answers(turn, event, command)
    if command.name in _BOLD:
        _count_refusal(turn, event, command.name)
    _believe(turn, event.command_id, command.name, result, "; ".join(errors) or None)


def _report_answers(turn: Turn, event: CommandFinished, command: Command) -> None:
    failing = set(turn.state.failing)
    for answer in event.answers:
        took_ms = None if answer.took_us is None else answer.took_us / 1000
        turn.report(CommandDone(command, answer.output, answer.result, answer.error, took_ms))
        if answer.result is Result.FAILED:
            turn.report(OutputFailed(answer.output, str(command.name), answer.error or "no answer"))
            failing.add(answer.output)
        elif answer.output in failing:
            failing.discard(answer.output)
            turn.report(OutputRecovered(answer.output))
    if failing != turn.state.failing:
        turn.change(failing=frozenset(failing))


def _count_refusal(turn: Turn, event: CommandFinished, name: CommandName) -> None:
    """Count what a device did not do; one whose link was gone already had no say in it."""
    state = turn.state
    failed = [answer.output for answer in event.answers if answer.result is Result.FAILED]
    if not failed:
        if name in state.refusals:
            turn.change(refusals={each: count for each, count in state.refusals.items() if each is not name})
    elif any(event.command_id < state.away.get(output, state.next_id) for output in failed):
        turn.change(refusals={**state.refusals, name: state.refusals.get(name, 0) + 1})


def _believe(turn: Turn, number: int, name: CommandName, result: Result, error: str | None) -> None:
    """Take a command's end into what is believed of its actuator; an answer that was overtaken changes nothing."""
    state, times, at_us = turn.state, turn.times, turn.now_us
    match name:
        case CommandName.INHIBIT_TRANSMIT | CommandName.RELEASE_TRANSMIT:
            if isinstance(state.permit, Commanded) and state.permit.command_id == number:
                turn.change(permit=finished(state.permit, result, error, at_us, 0))
                if name is CommandName.RELEASE_TRANSMIT and result is Result.FAILED:
                    turn.change(permit=Unknown(0, 0, error))  # it may have got through: inhibit again, at once
                _hold_off(turn, CommandName.RELEASE_TRANSMIT, name, result)
                permit_answered(turn)
            elif name is CommandName.RELEASE_TRANSMIT and rests_at(state.permit, Permit.INHIBITED):
                turn.change(permit=Unknown(0, 0, "release-transmit ended after the inhibit that overtook it"))
        case CommandName.AMPLIFIER_STANDBY | CommandName.AMPLIFIER_OPERATE:
            if isinstance(state.line, Commanded) and state.line.command_id == number:
                turn.change(line=finished(state.line, result, error, at_us, times.relay_settle_us))
                if name is CommandName.AMPLIFIER_OPERATE and result is Result.FAILED:
                    turn.change(line=Unknown(0, 0, error))  # it may have got through: standby again, at once
                _hold_off(turn, CommandName.AMPLIFIER_OPERATE, name, result)
            elif name is CommandName.AMPLIFIER_OPERATE and not isinstance(state.line, Commanded):
                turn.change(line=Unknown(0, 0, "amplifier-operate ended after the standby that overtook it"))
        case CommandName.SELECT_ANTENNA:
            if isinstance(state.antenna, Commanded) and state.antenna.command_id == number:
                turn.change(antenna=finished(state.antenna, result, error, at_us, times.relay_settle_us))
        case CommandName.RECALL_PRESET:
            if isinstance(state.tank, Commanded) and state.tank.command_id == number:
                travel_us = awaits_positions(turn)
                settle_us = times.preset_settle_us if travel_us is None else travel_us
                turn.change(tank=finished(state.tank, result, error, at_us, settle_us))
        case CommandName.LIMIT_DRIVE:
            if isinstance(state.drive, Commanded) and state.drive.command_id == number:
                turn.change(drive=finished(state.drive, result, error, at_us, 0))
        case CommandName.AMPLIFIER_ON | CommandName.AMPLIFIER_OFF:
            heater_answered(turn, number, result)
        case CommandName.HIGH_VOLTAGE_OFF:
            pass
        case _:
            assert_never(name)


def _hold_off(turn: Turn, watched: CommandName, name: CommandName, result: Result) -> None:
    """Space out a command of the bold direction that fails again and again; a success forgets it."""
    if name is not watched:
        return
    hold_offs = dict(turn.state.hold_offs)
    if result is Result.FAILED:
        failures = hold_offs[watched].failures + 1 if watched in hold_offs else 1
        pause_us = min(LONGEST_HOLD_OFF_US, FIRST_HOLD_OFF_US << min(failures - 1, 8))
        hold_offs[watched] = HoldOff(failures, turn.now_us + pause_us)
    elif hold_offs.pop(watched, None) is None:
        return
    turn.change(hold_offs=hold_offs)


def device_back(turn: Turn, output: str) -> None:
    """Try anew at once what failed while the device was gone; the safe direction whatever it did to that before."""
    state, carried = turn.state, turn.wiring.of(output)
    turn.change(away={name: first_id for name, first_id in state.away.items() if name != output})
    willing = frozenset(name for name in carried if state.refusals.get(name, 0) <= REFUSALS_AT_ONCE)
    if CommandName.INHIBIT_TRANSMIT in carried or CommandName.RELEASE_TRANSMIT in carried:
        turn.change(permit=retried_at_once(state.permit))
    if CommandName.AMPLIFIER_STANDBY in carried or CommandName.AMPLIFIER_OPERATE in carried:
        turn.change(line=retried_at_once(state.line))
    if CommandName.SELECT_ANTENNA in willing:
        turn.change(antenna=retried_at_once(state.antenna))
    if CommandName.RECALL_PRESET in willing:
        turn.change(tank=retried_at_once(state.tank))
    if CommandName.LIMIT_DRIVE in willing:
        turn.change(drive=retried_at_once(state.drive))
    if sees_heater(turn.wiring, carried):
        look_for_gap(turn)  # it may have been gone for longer than anybody was woken for
        turn.change(amplifier_lost_us=None)
    if CommandName.AMPLIFIER_OFF in carried and isinstance(state.amplifier, SwitchingOff):
        turn.change(amplifier=replace(state.amplifier, retry_us=turn.now_us))
    hold_offs = {
        name: replace(each, until_us=turn.now_us) if name in willing else each for name, each in state.hold_offs.items()
    }
    turn.change(hold_offs=hold_offs)


def device_lost(turn: Turn, output: str, reason: str) -> None:
    """A device whose link broke may have lost its supply: nobody knows where its relays rest."""
    state, carried = turn.state, turn.wiring.of(output)
    error = f"{output}: {reason}"
    later_us = turn.now_us + FIRST_PAUSE_US  # a broken link takes no bold command; the safe direction is tried at once
    if not any(command.name in carried for command in state.commands.values()):  # else their end will tell
        turn.report(OutputFailed(output, None, reason))
        # Nothing was asked of it: it was unplugged or switched off, and whatever it refused before is worth a new try.
        turn.change(refusals={name: count for name, count in state.refusals.items() if name not in carried})
    turn.change(failing=state.failing | {output}, away={output: state.next_id, **state.away})
    if CommandName.INHIBIT_TRANSMIT in carried or CommandName.RELEASE_TRANSMIT in carried:
        turn.change(permit=doubted(state.permit, error))
    if CommandName.AMPLIFIER_STANDBY in carried or CommandName.AMPLIFIER_OPERATE in carried:
        turn.change(line=doubted(state.line, error))
    if CommandName.SELECT_ANTENNA in carried:
        turn.change(antenna=doubted(state.antenna, error, later_us))
    if CommandName.RECALL_PRESET in carried:
        turn.change(tank=doubted(state.tank, error, later_us))
    if CommandName.LIMIT_DRIVE in carried:
        turn.change(drive=doubted(state.drive, error, later_us))
    if sees_heater(turn.wiring, carried) and state.amplifier_lost_us is None:
        turn.change(amplifier_lost_us=turn.now_us)


def sees_heater(wiring: Wiring, carried: frozenset[CommandName]) -> bool:
    """Whether this device is the evidence that the heater stays on; where it is switched by hand, the relay's is."""
    if wiring.carries(CommandName.AMPLIFIER_ON):
        return CommandName.AMPLIFIER_ON in carried
    return CommandName.AMPLIFIER_STANDBY in carried or CommandName.AMPLIFIER_OPERATE in carried
