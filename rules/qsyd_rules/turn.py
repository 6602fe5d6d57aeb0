"""One turn of the core: the state as it changes while one event is worked through, and the effects so far.

A turn lives for one call of the core and is never shared; what goes in and what comes out are immutable.
"""

from dataclasses import asdict
from typing import Any

from qsyd_rules.actuator import Resting, Settling
from qsyd_rules.amplifier import Hot, Line, WarmUp, label
from qsyd_rules.command import MOVING_COMMANDS, Command, CommandName
from qsyd_rules.effect import Actuate, Effect, Report, SendNoMore
from qsyd_rules.notice import Notice
from qsyd_rules.placement import Atlas
from qsyd_rules.protection import Circumstances
from qsyd_rules.readings import Readings
from qsyd_rules.rulebook import Situation
from qsyd_rules.state import RigState, StationState
from qsyd_rules.station import ChangeOverTimes
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState

RF_FLOOR_W = 10.0
"""Forward power above this is a key held down, whoever says otherwise. Common practice, no source."""


class Turn:
    """The working copy of one call. `state` is replaced, never changed in place."""

    __slots__ = ("amplifier_reason", "atlas", "effects", "followed", "now_us", "state", "times", "wiring")

    def __init__(self, atlas: Atlas, wiring: Wiring, followed: str, state: StationState, now_us: int) -> None:
        self.atlas = atlas
        self.wiring = wiring
        self.followed = followed
        self.now_us = now_us
        self.state = state.but(now_us=now_us)
        self.times: ChangeOverTimes = atlas.station.change_over
        self.effects: list[Effect] = []
        self.amplifier_reason: str | None = None

    def change(self, **fields: Any) -> None:
        """Replace fields of the state."""
        self.state = self.state.but(**fields)

    def report(self, notice: Notice) -> None:
        """Tell whoever listens."""
        self.effects.append(Report(notice))

    def send(self, command: Command) -> int:
        """Send a command; its number, which the answer will carry."""
        number = self.state.next_id
        self.change(next_id=number + 1, commands={**self.state.commands, number: command})
        self.effects.append(Actuate(number, command))
        return number

    def send_no_more(self) -> None:
        """Let nothing that moves contacts leave late: not a second try, nor what waits behind another command."""
        if any(command.name in MOVING_COMMANDS for command in self.state.commands.values()):
            self.effects.append(SendNoMore(MOVING_COMMANDS))

    def take_id(self) -> int:
        """A fresh number."""
        number = self.state.next_id
        self.change(next_id=number + 1)
        return number

    def under_way(self, name: CommandName) -> bool:
        """Whether a command of this name has been sent and not answered yet."""
        return any(command.name is name for command in self.state.commands.values())

    @property
    def rig(self) -> RigState:
        """The rig that the station follows."""
        return self.state.rigs[self.followed]

    @property
    def keyed(self) -> bool:
        """Whether any source says that the followed rig is keyed."""
        state, rig = self.state, self.rig
        if (rig.up and rig.keyed is True) or state.key_line is True:
            return True
        return bool(state.rf_w) and any(watts > RF_FLOOR_W for watts in state.rf_w.values())

    @property
    def amplifier_label(self) -> AmplifierState:
        """The amplifier's state in the trade's words."""
        return label(self.state.amplifier, self.state.line, faulted=self.state.fault is not None)

    def situation(self, name: str, frequency_hz: int) -> Situation:
        """What the rules are held against, for this rig on this frequency."""
        rig = self.state.rigs[name]
        keyed, held, tuning = rig.keyed is True, None, None
        if name == self.followed:
            keyed, tuning = self.keyed, self.state.tuning
            held = self.state.hold.antenna if self.state.hold is not None else None
        return Situation(
            name, frequency_hz, rig.mode, self.amplifier_label, keyed, self.state.minute_used, tuning, held
        )

    def circumstances(self) -> Circumstances:
        """What readings are judged in."""
        line = self.state.line
        return Circumstances(
            keyed=self.keyed,
            in_path=isinstance(line, Settling | Resting) and line.value is Line.OPERATE,
            line_since_us=line.since_us if isinstance(line, Resting) else None,
            heater_on=isinstance(self.state.amplifier, WarmUp | Hot),
            mode=self.rig.mode,
        )

    def stale_after_us(self, output: str) -> int:
        """How long a reading of this device is believed."""
        meters = self.wiring.meters.get(output)
        return meters.stale_after_us if meters is not None else 0

    def fresh_readings(self) -> Readings:
        """What the amplifier's devices tell now, together; None in every field that is unknown or stale."""
        fields: dict[str, Any] = {}
        for output, (at_us, readings) in self.state.readings.items():
            if self.now_us - at_us <= self.stale_after_us(output):
                fields |= {name: value for name, value in asdict(readings).items() if value is not None}
        return Readings(**fields)
