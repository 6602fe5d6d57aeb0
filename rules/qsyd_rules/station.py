"""A station as the core sees it: what a station file means, without the wires.

All values are checked by whoever makes them (the station file's loader); here they are only held. Order matters
where the file's order does: antennas are in order of preference, rules in order of decision.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from qsyd_rules.band import Band
from qsyd_rules.privileges import Privileges
from qsyd_rules.segment import Computed, Segment
from qsyd_rules.words import AmplifierState, Mode


@dataclass(frozen=True, slots=True)
class Rig:
    """A transceiver that is followed; it counts as lost after `lost_after_us` without a valid answer."""

    name: str
    lost_after_us: int


@dataclass(frozen=True, slots=True)
class Resonance:
    """Where an antenna is resonant, its SWR there, and the width within which it stays below 2:1."""

    frequency_hz: int
    bandwidth_hz: int
    swr: Fraction = Fraction(1)
    """At resonance: 1 to below 2."""


@dataclass(frozen=True, slots=True)
class Antenna:
    """An antenna on a port of the switch; `max_power_w` is what it bears, or None where that is no limit."""

    name: str
    port: int | str
    bands: tuple[str, ...]
    max_power_w: int | None = None
    resonances: tuple[Resonance, ...] = ()
    """What its owner knows of it; only advice rests on it."""
    matching: int = 0
    """How many positions set the matching unit in its line; 0 where there is none."""


class WithoutPreset(StrEnum):
    """What the amplifier may do in a segment that has no preset."""

    STANDBY = "standby"
    OPERATE = "operate"
    ESTIMATE = "estimate"
    """Operate on positions that are worked out from the presets beside it, with reduced drive."""


@dataclass(frozen=True, slots=True)
class AmplifierLimits:
    """Trip limits; None where the station file sets none, so that nothing trips on that."""

    grid_current_ma: int | None = None
    plate_current_ma: int | None = None
    reflected_power_w: int | None = None
    swr: Fraction | None = None
    drive_w: int | None = None
    gain_min: Fraction | None = None
    gain_max: Fraction | None = None
    """Power gain, output over drive, as a ratio."""
    plate_voltage_min_v: int | None = None
    plate_voltage_max_v: int | None = None
    temperature_c: int | None = None
    """Of the exhaust air."""
    dissipation_w: int | None = None
    """What the anode bears for ever; feeds the model of its temperature."""
    forward_floor_w: int = 30
    """Below this much forward power SWR and gain are noise. Common practice, no source."""
    key_down_us: int = 180_000_000
    """Longest over. 47 CFR 97.213(b) has three minutes, for a control link that failed."""


@dataclass(frozen=True, slots=True)
class Amplifier:
    """The amplifier: which rig it follows, where it may be used, and its times."""

    follows: str
    bands: tuple[str, ...]
    warm_up_us: int = 180_000_000
    """Heater-on to first operate. Common practice, no source: three minutes for an indirectly heated cathode."""
    cool_down_us: int = 120_000_000
    output_w: int = 1500
    """The power presets are made for; an antenna that bears less is used barefoot."""
    without_preset: WithoutPreset = WithoutPreset.STANDBY
    limits: AmplifierLimits = AmplifierLimits()


@dataclass(frozen=True, slots=True)
class ChangeOverTimes:
    """The waits of a change-over, in microseconds, and the hysteresis at an edge, in hertz."""

    guard_us: int = 50_000
    relay_settle_us: int = 30_000
    preset_settle_us: int = 300_000
    rest_us: int = 150_000
    hysteresis_hz: int = 1_000


@dataclass(frozen=True, slots=True)
class When:
    """The conditions of a rule: all that are not None must hold; a set or tuple means any of its members.

    `frequencies_hz` are half-open `[low, high)`; `between` are minutes of the UTC day, half-open, and may wrap.
    """

    rigs: frozenset[str] | None = None
    bands: frozenset[str] | None = None
    segments: frozenset[str] | None = None
    frequencies_hz: tuple[tuple[int, int], ...] | None = None
    modes: frozenset[Mode] | None = None
    amplifier: frozenset[AmplifierState] | None = None
    keyed: bool | None = None
    between: tuple[tuple[int, int], ...] | None = None
    events: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class Send:
    """A text for an output of notices; `text` is a template over the event's fields."""

    output: str
    text: str


@dataclass(frozen=True, slots=True)
class Then:
    """What a rule decides."""

    antenna: str | None = None
    drive_w: int | None = None
    amplifier_standby: bool = False
    inhibit: str | None = None
    warn: str | None = None
    send: Send | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of the station file, by its name."""

    name: str
    when: When
    then: Then


@dataclass(frozen=True, slots=True)
class Station:
    """Everything the core needs to know of a station."""

    name: str
    region: int
    bands: tuple[Band, ...]
    segments: tuple[Segment, ...]
    rigs: tuple[Rig, ...]
    antennas: tuple[Antenna, ...]
    privileges: Privileges | None = None
    amplifier: Amplifier | None = None
    change_over: ChangeOverTimes = ChangeOverTimes()
    rules: tuple[Rule, ...] = ()
    computed: Computed = field(default_factory=Computed)
    """Loaded Q of the tank, and the mismatch that is borne at an edge: what computed segments keep to."""

    @property
    def followed(self) -> str:
        """The rig that decides where the station is: that which the amplifier follows, or else the first of the file."""
        return self.amplifier.follows if self.amplifier is not None else self.rigs[0].name
