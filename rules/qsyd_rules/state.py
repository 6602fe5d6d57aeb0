"""Everything the core knows of a station between two events; immutable."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from qsyd_rules.actuator import Actuator, Unknown
from qsyd_rules.amplifier import Amplifier, Line, Off
from qsyd_rules.command import Command, CommandName
from qsyd_rules.notice import Placed, Spot
from qsyd_rules.placement import Advice, Placement
from qsyd_rules.preset import Presets
from qsyd_rules.relay_care import RelayCare
from qsyd_rules.words import AmplifierState, Mode


class Permit(Enum):
    """Whether the station's devices let the transmitter transmit."""

    INHIBITED = "inhibited"
    RELEASED = "released"


@dataclass(frozen=True, slots=True)
class Tank:
    """A preset as the tank holds it: whose it is, and where the capacitors stand."""

    antenna: str
    segment: str
    tune: int
    load: int
    matching: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class RigState:
    """What a rig told, and when. While `up` is False none of it may be used."""

    up: bool = False
    heard_us: int = 0
    lost_because: str = "no answer yet"
    frequency_hz: int = 0
    transmit_hz: int | None = None
    split: bool = False
    mode: Mode | None = None
    keyed: bool | None = None
    unkeyed_since_us: int = 0
    """Since when nobody has been known to key, without a break."""
    moved_us: int = 0
    """When the transmit frequency last changed."""
    asked_us: int = -1
    """When the newest question behind the present state was sent."""
    placed: Placed | None = None
    """The decision last reported."""


class Intent(Enum):
    """Whether the note of what is about to be done is durable."""

    PENDING = "pending"
    RECORDED = "recorded"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class ChangeOver:
    """A change-over under way. `shown` ones move antenna or tank and are reported; others only move the amplifier."""

    intent_id: int
    started_us: int
    origin: Spot | None
    target: Spot
    shown: bool
    intent: Intent = Intent.PENDING
    touched: bool = False
    """Whether a relay or motor was moved for the present target."""
    not_before_us: int = 0
    """Relay care: nothing moves before this."""


@dataclass(frozen=True, slots=True)
class HoldOff:
    """A command that failed although its device answers others; not sent again before `until_us`."""

    failures: int
    until_us: int


@dataclass(frozen=True, slots=True)
class StationState:
    """The state of the core. `now_us` is when the last event arrived."""

    now_us: int
    rigs: Mapping[str, RigState]
    presets: Presets = field(default_factory=dict)
    minute: int | None = None
    """The minute of the UTC day, as last told."""
    minute_used: int | None = None
    """The one that decisions use: taken over when the dial moves, or after 60 s unkeyed."""
    here: Placement | None = None
    """Where the present transmit frequency places the station; None while that is not known."""
    here_since_us: int = 0
    """Since when the reports have agreed on that place."""
    target: Placement | None = None
    """The place in force, or on its way to be: the last that was served and acted upon."""
    permit: Actuator[Permit] = field(default_factory=Unknown)
    line: Actuator[Line] = field(default_factory=Unknown)
    antenna: Actuator[str] = field(default_factory=Unknown)
    tank: Actuator[Tank] = field(default_factory=Unknown)
    drive: Actuator[int] = field(default_factory=Unknown)
    amplifier: Amplifier = field(default_factory=Off)
    amplifier_shown: AmplifierState = AmplifierState.OFF
    wish: bool = False
    """Whether the operator wishes to operate."""
    change_over: ChangeOver | None = None
    finishing: ChangeOver | None = None
    """A change-over that has only its release still to be answered."""
    spot: Spot | None = None
    """Where the last finished change-over left the station."""
    care: RelayCare = field(default_factory=RelayCare)
    care_warned: bool = False
    operated_band: str | None = None
    """The band that the amplifier was last put into operate on."""
    misplaced_since_us: int | None = None
    """Since when the amplifier has been in operate where it may not be."""
    amplifier_lost_us: int | None = None
    """Since when the link to the amplifier has been gone."""
    hold_offs: Mapping[CommandName, HoldOff] = field(default_factory=dict)
    reasons: tuple[str, ...] | None = None
    """Reasons to inhibit, as last reported; None after transmit was reported released."""
    advice: frozenset[Advice] = frozenset()
    sending: frozenset[str] = frozenset()
    """Names of rules whose text has been sent and that still hold."""
    preset_missed: tuple[str, str] | None = None
    failing: frozenset[str] = frozenset()
    """Outputs whose last command failed."""
    commands: Mapping[int, Command] = field(default_factory=dict)
    """Commands under way, by number."""
    next_id: int = 1
    started: bool = False
    stopping: bool = False
    wake_us: int | None = None
    """When time alone next changes anything, the silence of a rig apart."""
