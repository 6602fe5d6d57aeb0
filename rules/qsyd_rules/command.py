"""What the core tells the devices of the station. Each command's fields are what a device's template may use."""

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar


class CommandName(StrEnum):
    """Names of the commands, as a station file writes them."""

    INHIBIT_TRANSMIT = "inhibit-transmit"
    RELEASE_TRANSMIT = "release-transmit"
    AMPLIFIER_ON = "amplifier-on"
    AMPLIFIER_OFF = "amplifier-off"
    HIGH_VOLTAGE_OFF = "high-voltage-off"
    AMPLIFIER_STANDBY = "amplifier-standby"
    AMPLIFIER_OPERATE = "amplifier-operate"
    SELECT_ANTENNA = "select-antenna"
    RECALL_PRESET = "recall-preset"
    LIMIT_DRIVE = "limit-drive"


SAFE_COMMANDS = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.AMPLIFIER_STANDBY, CommandName.HIGH_VOLTAGE_OFF})
"""Commands of the safe direction: they wait for nothing and overtake whatever is under way on their link."""

MOVING_COMMANDS = frozenset({CommandName.SELECT_ANTENNA, CommandName.RECALL_PRESET, CommandName.AMPLIFIER_OPERATE})
"""Commands that move contacts or motors which RF flows through: never while somebody is known to key."""


@dataclass(frozen=True, slots=True)
class InhibitTransmit:
    """Forbid transmitting; `reasons` is why, in words."""

    name: ClassVar = CommandName.INHIBIT_TRANSMIT
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReleaseTransmit:
    """Permit transmitting again."""

    name: ClassVar = CommandName.RELEASE_TRANSMIT


@dataclass(frozen=True, slots=True)
class AmplifierOn:
    """Heater (and blower) on."""

    name: ClassVar = CommandName.AMPLIFIER_ON


@dataclass(frozen=True, slots=True)
class AmplifierOff:
    """Heater off, after the cool-down."""

    name: ClassVar = CommandName.AMPLIFIER_OFF


@dataclass(frozen=True, slots=True)
class HighVoltageOff:
    """Plate supply off, blower on: what a `shutdown` fault asks for."""

    name: ClassVar = CommandName.HIGH_VOLTAGE_OFF


@dataclass(frozen=True, slots=True)
class AmplifierStandby:
    """Amplifier out of the signal path."""

    name: ClassVar = CommandName.AMPLIFIER_STANDBY


@dataclass(frozen=True, slots=True)
class AmplifierOperate:
    """Amplifier into the signal path."""

    name: ClassVar = CommandName.AMPLIFIER_OPERATE


@dataclass(frozen=True, slots=True)
class SelectAntenna:
    """Connect this antenna, on this port of the switch, to this rig."""

    name: ClassVar = CommandName.SELECT_ANTENNA
    rig: str
    antenna: str
    port: int | str


@dataclass(frozen=True, slots=True)
class RecallPreset:
    """Move the tank to stored positions (steps), or to an `estimate`; `matching` are those of a matching unit, if any."""

    name: ClassVar = CommandName.RECALL_PRESET
    antenna: str
    segment: str
    tune: int
    load: int
    matching: tuple[int, ...] = ()
    estimate: bool = False


@dataclass(frozen=True, slots=True)
class LimitDrive:
    """Keep the rig's drive at or below `drive_w` watts."""

    name: ClassVar = CommandName.LIMIT_DRIVE
    drive_w: int


Command = (
    InhibitTransmit
    | ReleaseTransmit
    | AmplifierOn
    | AmplifierOff
    | HighVoltageOff
    | AmplifierStandby
    | AmplifierOperate
    | SelectAntenna
    | RecallPreset
    | LimitDrive
)

COMMAND_FIELDS: dict[CommandName, tuple[str, ...]] = {
    CommandName.INHIBIT_TRANSMIT: ("reasons",),
    CommandName.RELEASE_TRANSMIT: (),
    CommandName.AMPLIFIER_ON: (),
    CommandName.AMPLIFIER_OFF: (),
    CommandName.HIGH_VOLTAGE_OFF: (),
    CommandName.AMPLIFIER_STANDBY: (),
    CommandName.AMPLIFIER_OPERATE: (),
    CommandName.SELECT_ANTENNA: ("rig", "antenna", "port"),
    CommandName.RECALL_PRESET: ("antenna", "segment", "tune", "load", "matching"),
    CommandName.LIMIT_DRIVE: ("drive_w",),
}
"""The fields each command carries: the names a device's template may use."""
