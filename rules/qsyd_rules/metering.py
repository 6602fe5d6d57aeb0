"""Readings of devices: what they confirm, correct and take away.

A device that tells where its motors or relays are is believed over what was assumed. Silence is not an answer: once a
device's readings are stale, what they told is unknown, and the amplifier may not be in operate on their word.
"""

from qsyd_rules.actuator import Commanded, Resting, Settling, Unknown, heads_for
from qsyd_rules.amplifier import CoolDown, Hot, Line, Off, WarmUp
from qsyd_rules.command import CommandName
from qsyd_rules.event import DeviceRead
from qsyd_rules.faults import judge_readings
from qsyd_rules.notice import OutputFailed, OutputRecovered, Warned
from qsyd_rules.readings import Readings
from qsyd_rules.turn import Turn
from qsyd_rules.words import AmplifierState, Result

CORRECT_AFTER_US = 1_000_000
"""A device that contradicts a command still this long after its answer is right, and what was assumed is wrong."""

_HEATED = {AmplifierState.WARM_UP, AmplifierState.STANDBY, AmplifierState.OPERATE}


def read_device(turn: Turn, event: DeviceRead) -> None:
    """Take in a device's readings."""
    state, output, readings = turn.state, event.output, event.readings
    turn.change(readings={**state.readings, output: (turn.now_us, readings)})
    if output in state.stale:
        turn.change(stale=state.stale - {output})
        turn.report(OutputRecovered(output))
    if readings.forward_w is not None:
        turn.change(rf_w={**turn.state.rf_w, output: readings.forward_w})
    carried = turn.wiring.of(output)
    if CommandName.RECALL_PRESET in carried:
        _tank_told(turn, readings)
    if CommandName.AMPLIFIER_STANDBY in carried:
        _heater_told(turn, readings)
        _line_told(turn, readings)
        judge_readings(turn, event)


def pass_reading_time(turn: Turn) -> None:
    """Readings that have become stale are unknown, and their device is silent."""
    state = turn.state
    for output, meters in turn.wiring.meters.items():
        told = state.readings.get(output)
        if told is None or output in state.stale or turn.now_us <= told[0] + meters.stale_after_us:
            continue
        turn.change(
            stale=turn.state.stale | {output},
            rf_w={name: watts for name, watts in turn.state.rf_w.items() if name != output},
        )
        turn.report(OutputFailed(output, None, f"no readings for {meters.stale_after_us / 1e6:g} s"))


def stale_at_us(turn: Turn) -> int | None:
    """When the next of the fresh readings becomes stale."""
    due = [
        turn.state.readings[output][0] + meters.stale_after_us + 1
        for output, meters in turn.wiring.meters.items()
        if output in turn.state.readings and output not in turn.state.stale
    ]
    return min(due, default=None)


def awaits_positions(turn: Turn) -> int | None:
    """How long the tank may take to tell that it has arrived; None where no device tells its positions."""
    for output, meters in turn.wiring.meters.items():
        if CommandName.RECALL_PRESET in turn.wiring.of(output) and {"tune", "load"} <= meters.names:
            return meters.travel_us
    return None


def _tank_told(turn: Turn, readings: Readings) -> None:
    """The recall is finished when both positions have arrived; a time-out on the way is a failure.

    No reading tells of a matching unit: where one was told to move, it has its settle time besides.
    """
    tank = turn.state.tank
    if readings.tune is None or readings.load is None or isinstance(tank, Unknown | Commanded):
        return
    if isinstance(tank, Settling) and tank.value.matching and turn.wiring.matches:
        answered_us = tank.until_us - (awaits_positions(turn) or 0)
        if turn.now_us < answered_us + turn.times.preset_settle_us:
            return
    arrived = (readings.tune, readings.load) == (tank.value.tune, tank.value.load)
    if arrived and not (isinstance(tank, Resting) and tank.result is Result.CONFIRMED):
        turn.change(tank=Resting(tank.value, Result.CONFIRMED, turn.now_us))


def tank_overdue(turn: Turn) -> None:
    """The tank should have arrived by now, and its device tells otherwise, or nothing."""
    tank = turn.state.tank
    travel_us = awaits_positions(turn)
    if not isinstance(tank, Settling) or travel_us is None or turn.now_us < tank.until_us:
        return
    stands = turn.fresh_readings()
    where = f"tune {stands.tune}, load {stands.load}" if stands.tune is not None else "unknown positions"
    wanted = f"tune {tank.value.tune}, load {tank.value.load}"
    error = f"the tank has not arrived at {wanted} within {travel_us / 1e6:g} s; it stands at {where}"
    turn.change(tank=Unknown(1, turn.now_us + 1_000_000, error))


def _line_told(turn: Turn, readings: Readings) -> None:
    """What the amplifier says of its transfer relay goes before what was assumed; a person at its panel wins."""
    line = turn.state.line
    if readings.state is None or not isinstance(line, Resting):
        return
    in_path = readings.state is AmplifierState.OPERATE
    if in_path is (line.value is Line.OPERATE):
        if line.result is not Result.CONFIRMED:
            turn.change(line=Resting(line.value, Result.CONFIRMED, line.since_us))
        return
    if turn.now_us < line.since_us + CORRECT_AFTER_US:
        return
    if in_path:
        turn.report(
            Warned("amplifier-at-its-panel", "the amplifier says operate, and was not told to: standby goes out")
        )
        turn.change(line=Unknown(0, 0, "the amplifier went to operate by itself"))
    else:
        turn.report(
            Warned("amplifier-at-its-panel", "the amplifier was put into standby at its panel; ask for operate")
        )
        turn.change(line=Resting(Line.STANDBY, Result.CONFIRMED, turn.now_us), wish=False)
        turn.amplifier_reason = "put into standby at its panel"


def _heater_told(turn: Turn, readings: Readings) -> None:
    """An amplifier found with its heater on warms up from now on: nobody knows for how long it has been."""
    station = turn.atlas.station
    if station.amplifier is None or readings.state is None:
        return
    heater, off_us = turn.state.amplifier, turn.state.heater_off_us
    lags = off_us is not None and turn.now_us < off_us + CORRECT_AFTER_US
    if isinstance(heater, Off) and readings.state in _HEATED and turn.state.fault is None and not lags:
        turn.change(amplifier=WarmUp(turn.now_us + station.amplifier.warm_up_us), heater_on_us=turn.now_us)
        turn.amplifier_reason = "it says that its heater is on; the whole warm-up counts from here"
    elif isinstance(heater, Hot | WarmUp) and readings.state is AmplifierState.OFF:
        _heater_doubted(turn)
    elif isinstance(heater, CoolDown) and heater.ready_us is not None and readings.state is AmplifierState.OFF:
        turn.change(amplifier=CoolDown(heater.off_us, None))  # switched off at its panel: no warm-up to go on with


def _heater_doubted(turn: Turn) -> None:
    """It says off: the protection will call that a fault; operate ends at once."""
    if heads_for(turn.state.line, Line.OPERATE):
        turn.change(wish=False)
        turn.amplifier_reason = "it says that it is off"
