"""What the answers of devices, and their coming and going, do to what is believed of the station."""

from dataclasses import replace
from typing import Any, assert_never

from qsyd_rules.actuator import (
    FIRST_PAUSE_US,
    Actuator,
    Commanded,
    Unknown,
    doubted,
    finished,
    rests_at,
    retried_at_once,
)
from qsyd_rules.amplifier import SwitchingOff
from qsyd_rules.command import Command, CommandName
from qsyd_rules.event import CommandFinished
from qsyd_rules.heater import heater_answered, look_for_gap
from qsyd_rules.metering import awaits_positions
from qsyd_rules.notice import CommandDone, OutputFailed, OutputRecovered
from qsyd_rules.permit import permit_answered
from qsyd_rules.state import HoldOff, Permit, is_ignored
from qsyd_rules.turn import Turn
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import Result, worst

FIRST_HOLD_OFF_US = 1_000_000
LONGEST_HOLD_OFF_US = 30_000_000
"""A bold command that fails although its device answers others is tried again after one second, doubling to thirty."""


def finish_command(turn: Turn, event: CommandFinished) -> None:
    command = turn.state.commands.get(event.command_id)
    if command is None:
        return
    turn.change(commands={number: kind for number, kind in turn.state.commands.items() if number != event.command_id})
    result = worst([answer.result for answer in event.answers])
    errors = [f"{answer.output}: {answer.error}" for answer in event.answers if answer.error is not None]
    _report_answers(turn, event, command)
    _count_ignored(turn, event, command.name)
    _hold_off(turn, event, command.name, result)
    _believe(turn, event, command.name, result, "; ".join(errors) or None)


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


def _count_ignored(turn: Turn, event: CommandFinished, name: CommandName) -> None:
    """Count how often in a row a command was ignored: one that found no link makes the link's return worth a try."""
    ignored = turn.state.ignored
    if any(answer.ignored for answer in event.answers):
        turn.change(ignored={**ignored, name: ignored.get(name, 0) + 1})
    elif name in ignored:
        turn.change(ignored={each: count for each, count in ignored.items() if each is not name})


def _believe(turn: Turn, event: CommandFinished, name: CommandName, result: Result, error: str | None) -> None:
    """Take a command's end into what is believed of its actuator; an answer that was overtaken changes nothing."""
    state, times, number, at_us = turn.state, turn.times, event.command_id, event.settles_from_us
    match name:
        case CommandName.INHIBIT_TRANSMIT | CommandName.RELEASE_TRANSMIT:
            if isinstance(state.permit, Commanded) and state.permit.command_id == number:
                turn.change(permit=finished(state.permit, result, error, at_us, 0))
                if name is CommandName.RELEASE_TRANSMIT and result is Result.FAILED:
                    turn.change(permit=Unknown(0, 0, error))  # it may have got through: inhibit again, at once
                permit_answered(turn)
            elif name is CommandName.RELEASE_TRANSMIT and rests_at(state.permit, Permit.INHIBITED):
                turn.change(permit=Unknown(0, 0, "release-transmit ended after the inhibit that overtook it"))
        case CommandName.AMPLIFIER_STANDBY | CommandName.AMPLIFIER_OPERATE:
            if isinstance(state.line, Commanded) and state.line.command_id == number:
                turn.change(line=finished(state.line, result, error, at_us, times.relay_settle_us))
                if name is CommandName.AMPLIFIER_OPERATE and result is Result.FAILED:
                    turn.change(line=Unknown(0, 0, error))  # it may have got through: standby again, at once
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


def _hold_off(turn: Turn, event: CommandFinished, name: CommandName, result: Result) -> None:
    """Space out a release or an operate that fails again and again; a success forgets it.

    One that the safe direction has overtaken counts only where its device had ignored it before.
    """
    if name is CommandName.RELEASE_TRANSMIT:
        actuator: Actuator[Any] = turn.state.permit
    elif name is CommandName.AMPLIFIER_OPERATE:
        actuator = turn.state.line
    else:
        return
    awaited = isinstance(actuator, Commanded) and actuator.command_id == event.command_id
    if not awaited and not any(answer.ignored for answer in event.answers):
        return
    hold_offs = dict(turn.state.hold_offs)
    if result is Result.FAILED:
        failures = hold_offs[name].failures + 1 if name in hold_offs else 1
        pause_us = min(LONGEST_HOLD_OFF_US, FIRST_HOLD_OFF_US << min(failures - 1, 8))
        hold_offs[name] = HoldOff(failures, turn.now_us + pause_us)
    elif hold_offs.pop(name, None) is None:
        return
    turn.change(hold_offs=hold_offs)


def device_back(turn: Turn, output: str) -> None:
    """Try anew at once what failed while the device was gone, and the safe direction whatever it did to that before.

    A device that is silent on one command is taken for lost, and is back at once: what it ignores keeps to its pauses.
    """
    state, carried = turn.state, turn.wiring.of(output)
    willing = frozenset(name for name in carried if not is_ignored(state, name))
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
    if CommandName.AMPLIFIER_OFF in willing and isinstance(state.amplifier, SwitchingOff):
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
        # Nothing was asked of it: it was unplugged or switched off, and whatever it ignored before is worth a new try.
        turn.change(ignored={name: count for name, count in state.ignored.items() if name not in carried})
    turn.change(failing=state.failing | {output})
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
