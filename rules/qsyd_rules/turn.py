"""One turn of the core: the state as it changes while one event is worked through, and the effects so far.

A turn lives for one call of the core and is never shared; what goes in and what comes out are immutable.
"""

from dataclasses import replace
from typing import Any

from qsyd_rules.amplifier import label
from qsyd_rules.command import Command
from qsyd_rules.effect import Actuate, Effect, Report
from qsyd_rules.notice import Notice
from qsyd_rules.placement import Atlas
from qsyd_rules.rulebook import Situation
from qsyd_rules.state import RigState, StationState
from qsyd_rules.station import ChangeOverTimes
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState


class Turn:
    """The working copy of one call. `state` is replaced, never changed in place."""

    __slots__ = ("amplifier_reason", "atlas", "effects", "followed", "now_us", "state", "times", "wiring")

    def __init__(self, atlas: Atlas, wiring: Wiring, followed: str, state: StationState, now_us: int) -> None:
        self.atlas = atlas
        self.wiring = wiring
        self.followed = followed
        self.now_us = now_us
        self.state = replace(state, now_us=now_us)
        self.times: ChangeOverTimes = atlas.station.change_over
        self.effects: list[Effect] = []
        self.amplifier_reason: str | None = None

    def change(self, **fields: Any) -> None:
        """Replace fields of the state."""
        self.state = replace(self.state, **fields)

    def report(self, notice: Notice) -> None:
        """Tell whoever listens."""
        self.effects.append(Report(notice))

    def send(self, command: Command) -> int:
        """Send a command; its number, which the answer will carry."""
        number = self.state.next_id
        self.change(next_id=number + 1, commands={**self.state.commands, number: command})
        self.effects.append(Actuate(number, command))
        return number

    def take_id(self) -> int:
        """A fresh number."""
        number = self.state.next_id
        self.change(next_id=number + 1)
        return number

    @property
    def rig(self) -> RigState:
        """The rig that the station follows."""
        return self.state.rigs[self.followed]

    @property
    def keyed(self) -> bool:
        """Whether the followed rig is known to be keyed."""
        rig = self.rig
        return rig.up and rig.keyed is True

    @property
    def amplifier_label(self) -> AmplifierState:
        """The amplifier's state in the trade's words."""
        return label(self.state.amplifier, self.state.line)

    def situation(self, name: str, frequency_hz: int) -> Situation:
        """What the rules are held against, for this rig on this frequency."""
        rig = self.state.rigs[name]
        return Situation(name, frequency_hz, rig.mode, self.amplifier_label, rig.keyed is True, self.state.minute_used)
