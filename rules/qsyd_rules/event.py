"""What happens to a station: everything the core is ever told. `at_us` is microseconds on one monotonic clock."""

from dataclasses import dataclass
from enum import StrEnum

from qsyd_rules.fault import FaultCode
from qsyd_rules.preset import Presets
from qsyd_rules.readings import Readings
from qsyd_rules.station import Station
from qsyd_rules.tuning import Tuning
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import Mode, Result


class AmplifierRequest(StrEnum):
    """What an operator may ask of the amplifier."""

    ON = "on"
    OFF = "off"
    OFF_NOW = "off-now"
    STANDBY = "standby"
    OPERATE = "operate"
    OPERATE_WHEN_READY = "operate-when-ready"


@dataclass(frozen=True, slots=True)
class Lockout:
    """Somebody works on the station: no release and no operate until it ends, whatever happens in between."""

    operator: str
    reason: str
    since: str
    """RFC 3339, UTC."""


@dataclass(frozen=True, slots=True)
class Hold:
    """An operator's choice of an antenna: it goes before the rules on every band that it covers, until it ends."""

    antenna: str
    until_us: int
    """On the monotonic clock of all events."""
    until: str
    """The same for people: RFC 3339, UTC."""
    operator: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Started:
    """The daemon is up; nothing is known of the station yet."""

    at_us: int
    minute: int | None
    file_sha256: str | None = None
    """Of the station file that is in force, for whoever asks later; None where there is no file."""


@dataclass(frozen=True, slots=True)
class StopRequested:
    """The daemon is to stop: leave the station safe."""

    at_us: int


@dataclass(frozen=True, slots=True)
class RigRead:
    """A rig told its state, whole and consistent; None for what it cannot tell.

    `asked_at_us` is when the question behind the frequency was sent, None for what the rig reported unasked;
    `key_asked_us` that behind `keyed`, where it was another. A word is as old as its question.
    """

    at_us: int
    rig: str
    frequency_hz: int
    transmit_hz: int | None
    split: bool
    mode: Mode | None
    keyed: bool | None
    asked_at_us: int | None
    key_asked_us: int | None = None

    @property
    def fresh_from_us(self) -> int | None:
        """When the question behind what it says of the key was sent; where it cannot tell, that behind the dial."""
        return self.asked_at_us if self.key_asked_us is None else self.key_asked_us


@dataclass(frozen=True, slots=True)
class RigLinkClosed:
    """The link to a rig broke, or cannot be opened."""

    at_us: int
    rig: str
    reason: str


@dataclass(frozen=True, slots=True)
class OutputAnswer:
    """How one output took a command."""

    output: str
    result: Result
    error: str | None = None
    took_us: int | None = None
    """From the command's leaving to this output's answer; None where whoever tells has not measured it."""
    ignored: bool = False
    """Of a failed one: whether the device was there, and has let a whole time-out pass or answered that it does not."""


@dataclass(frozen=True, slots=True)
class CommandFinished:
    """A command has ended at every output that carries it."""

    at_us: int
    command_id: int
    answers: tuple[OutputAnswer, ...]
    answered_us: int | None = None
    """When the last answer had arrived, where whoever tells has noted that; what settles has settled since then."""

    @property
    def settles_from_us(self) -> int:
        """When what moved began to settle. What is known of the rig is as old as `at_us` makes it."""
        return self.at_us if self.answered_us is None else min(self.answered_us, self.at_us)


@dataclass(frozen=True, slots=True)
class OutputConnected:
    """The link to a device is open again."""

    at_us: int
    output: str


@dataclass(frozen=True, slots=True)
class OutputLost:
    """The link to a device broke."""

    at_us: int
    output: str
    reason: str


@dataclass(frozen=True, slots=True)
class IntentRecorded:
    """The note of what is about to be done is durable, or could not be written."""

    at_us: int
    intent_id: int
    error: str | None


@dataclass(frozen=True, slots=True)
class PresetsChanged:
    """The stored presets are these now; `saved` names the (antenna, segment) just saved, if one was."""

    at_us: int
    presets: Presets
    saved: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class OperatorAsked:
    """An operator asks something of the amplifier; the core answers with the same `request_id`."""

    at_us: int
    request_id: int
    request: AmplifierRequest
    operator: str


@dataclass(frozen=True, slots=True)
class MinuteTurned:
    """The wall clock reads this minute of the UTC day; only rules with `between` care."""

    at_us: int
    minute: int


@dataclass(frozen=True, slots=True)
class DeviceRead:
    """A device told its readings, all of the same instant."""

    at_us: int
    output: str
    readings: Readings


@dataclass(frozen=True, slots=True)
class KeySensed:
    """A sensed line says whether this rig is keyed; None when the line cannot be read."""

    at_us: int
    rig: str
    keyed: bool | None


@dataclass(frozen=True, slots=True)
class FaultAcknowledged:
    """An operator acknowledges one fault, by its number; `reason` is needed where it has locked."""

    at_us: int
    request_id: int
    number: int | None
    """None means the fault that stands now."""
    operator: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class FaultRemembered:
    """A fault that stood when the last run of the daemon ended: nobody has acknowledged it, whatever ended the run."""

    at_us: int
    code: FaultCode
    detail: str


@dataclass(frozen=True, slots=True)
class LockoutChanged:
    """A maintenance lockout begins, or ends with None. It is durable before the core is told."""

    at_us: int
    lockout: Lockout | None


@dataclass(frozen=True, slots=True)
class TuningChanged:
    """A tune-up has come to this antenna and segment, or ends with None. There amplifier and tank need no preset."""

    at_us: int
    tuning: Tuning | None


@dataclass(frozen=True, slots=True)
class HoldChanged:
    """An operator holds an antenna, one of the station's, or ends the hold with None; `operator` says who."""

    at_us: int
    hold: Hold | None
    operator: str


@dataclass(frozen=True, slots=True)
class ExchangeChanged:
    """Links are about to be closed and others opened: until that has ended (None) the station is to be safe."""

    at_us: int
    what: str | None
    """Why, in words."""


@dataclass(frozen=True, slots=True)
class Reloaded:
    """Station and wiring are others from here on. Whoever is told this has the new ones; `before` are those they replace."""

    at_us: int
    before: Station
    wired: Wiring
    """The wiring before."""
    outputs: frozenset[str] = frozenset()
    """Outputs with a link that is closed, opened or opened anew: what they were told may not hold."""
    others: frozenset[str] = frozenset()
    """Those of them behind which there may be another device now."""
    rigs: frozenset[str] = frozenset()
    """Rigs whose link is opened anew."""
    changed: tuple[str, ...] = ()
    """What has changed, in words."""
    restarted: tuple[str, ...] = ()
    """Links and outputs that were begun anew, by name."""
    file_sha256: str | None = None
    """Digest of the station file in force from here on."""


@dataclass(frozen=True, slots=True)
class LoopStalled:
    """The shell has not had its turn for `stalled_us`: whatever was known is that old."""

    at_us: int
    stalled_us: int


@dataclass(frozen=True, slots=True)
class SafetyTripped:
    """Gate or monitor found something unsafe: a mistake of ours. `invariant` names what it would have broken."""

    at_us: int
    invariant: str
    text: str


@dataclass(frozen=True, slots=True)
class DeadlineReached:
    """Time has passed, as the core asked to be told."""

    at_us: int


Event = (
    Started
    | StopRequested
    | RigRead
    | RigLinkClosed
    | CommandFinished
    | OutputConnected
    | OutputLost
    | IntentRecorded
    | PresetsChanged
    | OperatorAsked
    | MinuteTurned
    | DeviceRead
    | KeySensed
    | FaultAcknowledged
    | FaultRemembered
    | LockoutChanged
    | TuningChanged
    | HoldChanged
    | ExchangeChanged
    | Reloaded
    | LoopStalled
    | SafetyTripped
    | DeadlineReached
)
