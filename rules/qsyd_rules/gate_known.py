"""The gate's own account of the station, kept apart from what the sequencer believes. None: not known, or never."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from qsyd_rules.command import AmplifierOperate, AmplifierStandby, Command, RecallPreset, SelectAntenna
from qsyd_rules.gate_note import NO_NOTE, Note
from qsyd_rules.preset import Presets
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import AmplifierState

RF_FLOOR_W = 10.0
"""Forward power above this is a key held down, whoever says otherwise. Common practice, no source."""
FRESH_US = 600_000
"""Oldest word of the rig that a bold command may rest on."""
HEATED = frozenset({AmplifierState.WARM_UP, AmplifierState.STANDBY, AmplifierState.OPERATE})
PANEL_AFTER_US = 1_000_000
"""An amplifier that says it is not in operate this long after it was told to was taken out at its panel."""
OFF_LASTS_US = 2_000_000
"""An amplifier that says it is off for longer than this is: the warm-up has not run."""
HEATER_GAP_US = 5_000_000
"""Evidence of the heater gone for longer than this: the warm-up has not run."""


@dataclass(frozen=True)
class Account:
    """What the gate knows. Without slots, so that `but` can copy it whole, which is several times as fast."""

    now_us: int = 0
    rig_heard_us: int | None = None
    rig_told_from_us: int = -1
    """When the question behind the rig's newest word was sent: a word is as old as its question."""
    transmit_hz: int | None = None
    rig_keyed: bool = False
    line_keyed: bool = False
    rf: Mapping[str, int] = field(default_factory=dict)
    """Until when each device's word that there is forward power is believed."""
    unkeyed_since_us: int = 0
    inhibited_since_us: int | None = None
    """Since the answer to the last inhibit; None after a release has passed, or the device was lost."""
    standby_since_us: int | None = None
    """Since the answer to the last standby; None after an operate has passed, or the device was lost."""
    line_settles_us: int = 0
    heater_on_us: int | None = None
    off_since_us: int | None = None
    """Since when the amplifier has said that it is off."""
    off_asked_us: int | None = None
    lost_us: int | None = None
    """Since when the amplifier's link has been gone."""
    antenna: str | None = None
    antenna_settles_us: int = 0
    antenna_spent_us: int = 0
    tank: RecallPreset | None = None
    tank_settles_us: int = 0
    drive_w: int | None = None
    """The drive limit as last answered; None while another is under way, or after a failure."""
    under_way: Mapping[int, Command] = field(default_factory=dict)
    note: Note = NO_NOTE
    fault: int | None = None
    """Number of the fault that stands."""
    acknowledging: bool = False
    """This very event is an acknowledgement."""
    asked_to_operate: bool = False
    locked_out: bool = False
    exchanging: bool = False
    """Links are about to be exchanged."""
    tuning: Tuning | None = None
    """An operator tunes up: there the tank is set by hand."""
    presets: Presets = field(default_factory=dict)

    def but(self, **fields: Any) -> "Account":
        """The same account with some fields replaced."""
        copy = object.__new__(Account)
        known = copy.__dict__
        known.update(self.__dict__)
        known.update(fields)
        return copy

    @property
    def keyed(self) -> bool:
        """Whether any source says so."""
        return self.rig_keyed or self.line_keyed or any(self.now_us <= until_us for until_us in self.rf.values())

    @property
    def latched(self) -> bool:
        """Whether a fault stands."""
        return self.fault is not None

    def moving(self, at_us: int) -> bool:
        """Whether antenna, tank or transfer relay are on their way or still bouncing."""
        bold = (SelectAntenna, RecallPreset, AmplifierOperate, AmplifierStandby)
        tank_us = self.tank_settles_us if self.tank is not None else 0  # what is lost is waited for by nobody
        settles_us = max(self.antenna_settles_us, tank_us, self.line_settles_us)
        return at_us < settles_us or any(isinstance(command, bold) for command in self.under_way.values())
