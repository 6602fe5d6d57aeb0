"""Everything the core knows of a station between two events; immutable."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, TypeAlias

from qsyd_rules.actuator import Actuator, Unknown
from qsyd_rules.amplifier import Amplifier, Line, Off
from qsyd_rules.command import Command, CommandName
from qsyd_rules.event import Hold, Lockout
from qsyd_rules.fault import Fault, FaultCode
from qsyd_rules.notice import Placed, Spot
from qsyd_rules.placement import Advice, Placement
from qsyd_rules.preset import Presets
from qsyd_rules.protection import Guarded
from qsyd_rules.readings import Readings
from qsyd_rules.relay_care import RelayCare
from qsyd_rules.tuning import Tuning
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
    estimate: bool = False
    """Worked out, not stored."""


@dataclass(frozen=True)
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
    told_from_us: int = -1
    """When the question behind its newest word on keying was sent; where it cannot tell that, on the dial."""
    placed: Placed | None = None
    """The decision last reported."""
    told_of: tuple[object, ...] | None = None
    """What it was made from: while that is the same, there is nothing new to report."""

    def but(self, **fields: Any) -> "RigState":
        """The same with some fields replaced; every poll makes one, and this is the fastest way."""
        copy = object.__new__(RigState)
        known = copy.__dict__
        known.update(self.__dict__)
        known.update(fields)
        return copy


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
    noted_us: int
    """When the note of the present target was asked for."""
    intent: Intent = Intent.PENDING
    touched: bool = False
    """Whether a relay or motor was moved for the present target."""
    operated: bool = False
    """Whether operate was sent for the present target; once more takes a change-over of its own, for relay care."""
    not_before_us: int = 0
    """Relay care: nothing moves before this."""
    waits_us: int | None = None
    """Since when the next step has waited for a word of the rig that is recent enough; None since a step was taken."""


FaultHistory: TypeAlias = tuple[tuple[FaultCode, int], ...]
"""Faults of late, each with the time it was found."""


@dataclass(frozen=True, slots=True)
class HoldOff:
    """A command that failed although its device answers others; not sent again before `until_us`."""

    failures: int
    until_us: int


@dataclass(frozen=True)
class StationState:
    """The state of the core. `now_us` is when the last event arrived.

    Without slots, so that `but` can copy it whole: with forty fields `dataclasses.replace` costs seven times as much,
    and a change-over makes a dozen copies.
    """

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
    reported_us: int = 0
    """When the target was first reported; an answer to a question asked since then is the second reading of it."""
    target: Placement | None = None
    """The place in force, or on its way to be: the last that was served and acted upon."""
    permit: Actuator[Permit] = field(default_factory=Unknown)
    line: Actuator[Line] = field(default_factory=Unknown)
    antenna: Actuator[str] = field(default_factory=Unknown)
    tank: Actuator[Tank] = field(default_factory=Unknown)
    drive: Actuator[int] = field(default_factory=Unknown)
    drive_rises: bool = False
    """Whether the drive under way is above the one before, so that it can do no harm meanwhile."""
    amplifier: Amplifier = field(default_factory=Off)
    heater_on_us: int | None = None
    """When the heater was last known to come on: what a longer warm-up of another station file counts from."""
    heater_off_us: int | None = None
    """When it last answered that its heater is off: what it tells of itself may lag behind that."""
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
    notes_fail: bool = False
    """Whether the last intent could not be recorded."""
    operated_band: str | None = None
    """The band that the amplifier was last put into operate on."""
    key_line: bool | None = None
    """What the sensed keying line of the followed rig says, or said when it could be read; None where it never was."""
    rf_w: Mapping[str, float] = field(default_factory=dict)
    """Forward power as each device last told it, while that is fresh."""
    keyed_since_us: int | None = None
    """Since when any source has said keyed; None while none does."""
    quiet_since_us: int = 0
    """Since when no source has said keyed, without a break."""
    disagree_since_us: int | None = None
    disagree_told: bool = False
    readings: Mapping[str, tuple[int, Readings]] = field(default_factory=dict)
    """What each device last told, and when."""
    stale: frozenset[str] = frozenset()
    """Devices whose readings are older than they may be."""
    guarded: Guarded = field(default_factory=Guarded)
    fault: Fault | None = None
    """The fault that stands; only a person's acknowledgement ends it."""
    fault_locked: bool = False
    covered: tuple[tuple[Fault, bool], ...] = ()
    """Faults that stand beneath a graver one, the latest last, each with whether it is locked: its turn comes again."""
    fault_history: FaultHistory = ()
    lockout: Lockout | None = None
    """Somebody works on the station."""
    tuning: Tuning | None = None
    """A tune-up under way."""
    exchanging: str | None = None
    """Why links are about to be exchanged, so that the station is to be safe."""
    hold: Hold | None = None
    """The antenna that an operator has chosen past the rules."""
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
    ignored: Mapping[CommandName, int] = field(default_factory=dict)
    """How often in a row a command was not done by a device that was there to do it."""
    commands: Mapping[int, Command] = field(default_factory=dict)
    """Commands under way, by number."""
    next_id: int = 1
    started: bool = False
    stopping: bool = False
    wake_us: int | None = None
    """When time alone next changes anything, the silence of a rig apart."""

    def but(self, **fields: Any) -> "StationState":
        """The same state with some fields replaced."""
        copy = object.__new__(StationState)
        known = copy.__dict__
        known.update(self.__dict__)
        known.update(fields)
        return copy


IGNORED_AT_ONCE = 1
"""So often what a device ignored is tried again as soon as its link is back; from then on the pauses hold."""


def is_ignored(state: StationState, name: CommandName) -> bool:
    """Whether a device that is there ignores this command, again and again."""
    return state.ignored.get(name, 0) > IGNORED_AT_ONCE


def standing(state: StationState) -> tuple[Fault, ...]:
    """All faults that stand, the one to be acknowledged first of all."""
    return () if state.fault is None else (state.fault, *(fault for fault, _ in reversed(state.covered)))
