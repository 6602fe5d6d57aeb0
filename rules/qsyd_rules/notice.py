"""What the core reports: one small value for each event that users may rely on.

A notice's class names its event, its fields are the event's fields.
"""

from dataclasses import dataclass, field, fields
from typing import ClassVar

from qsyd_rules.command import COMMAND_FIELDS, Command, RecallPreset
from qsyd_rules.fault import FaultCode, Severity
from qsyd_rules.words import AmplifierState, Mode, Result


@dataclass(frozen=True, slots=True)
class StationStarted:
    event: ClassVar = "station-started"
    station: str
    file_sha256: str | None = None
    """Of the station file in force from here on; None where there is no file."""


@dataclass(frozen=True, slots=True)
class StationStopped:
    event: ClassVar = "station-stopped"


@dataclass(frozen=True, slots=True)
class LinkUp:
    """First valid answer of a rig."""

    event: ClassVar = "link-up"
    rig: str


@dataclass(frozen=True, slots=True)
class LinkLost:
    event: ClassVar = "link-lost"
    rig: str
    reason: str


@dataclass(frozen=True, slots=True)
class FrequencyChanged:
    event: ClassVar = "frequency"
    rig: str
    frequency_hz: int
    transmit_hz: int | None
    split: bool
    mode: Mode | None


@dataclass(frozen=True, slots=True)
class Positions:
    """Where a preset puts the tank, in steps; or an estimate, which may be off by its errors."""

    tune: int
    load: int
    estimate: bool = False
    tune_error: int | None = None
    load_error: int | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """The decision, before anything moves; None where nothing serves. `rules` are those that decided."""

    event: ClassVar = "placed"
    rig: str
    band: str | None
    segment: str | None
    antenna: str | None
    port: int | str | None
    preset: Positions | None
    rules: tuple[str, ...]
    because: str = field(default="", compare=False)
    """Why this antenna, in words; it alone makes no other decision."""
    utc: str | None = field(default=None, compare=False)
    """The hour that the rules were held against, `HH:MM`: not always that of the event, for the clock alone moves nothing."""


@dataclass(frozen=True, slots=True)
class Keyed:
    event: ClassVar = "keyed"
    rig: str


@dataclass(frozen=True, slots=True)
class Unkeyed:
    event: ClassVar = "unkeyed"
    rig: str


@dataclass(frozen=True, slots=True)
class Spot:
    """An (antenna, segment) pair, as a change-over leaves or reaches it."""

    antenna: str | None
    segment: str | None


@dataclass(frozen=True, slots=True)
class ChangeOverStarted:
    event: ClassVar = "change-over-started"
    origin: Spot | None
    target: Spot


@dataclass(frozen=True, slots=True)
class ChangeOverFinished:
    event: ClassVar = "change-over-finished"
    took_ms: float
    antenna: str | None
    segment: str | None


@dataclass(frozen=True, slots=True)
class CommandDone:
    """A command ended at one output."""

    event: ClassVar = "command"
    command: Command
    output: str
    result: Result
    error: str | None
    took_ms: float | None = None
    """From its leaving to this output's answer, tries and time-outs included; None where nobody has measured it."""


@dataclass(frozen=True, slots=True)
class OutputFailed:
    event: ClassVar = "output-failed"
    output: str
    command: str | None
    error: str


@dataclass(frozen=True, slots=True)
class OutputRecovered:
    event: ClassVar = "output-recovered"
    output: str


@dataclass(frozen=True, slots=True)
class PresetSaved:
    event: ClassVar = "preset-saved"
    antenna: str
    segment: str


@dataclass(frozen=True, slots=True)
class PresetMissing:
    """Entered a place without a usable preset, where the amplifier would serve."""

    event: ClassVar = "preset-missing"
    antenna: str
    segment: str
    standing: str


@dataclass(frozen=True, slots=True)
class Asked:
    """Somebody has asked something of the amplifier, and what was answered."""

    event: ClassVar = "asked"
    request: str
    operator: str
    accepted: bool
    text: str


@dataclass(frozen=True, slots=True)
class AmplifierChanged:
    event: ClassVar = "amplifier"
    state: AmplifierState
    was: AmplifierState
    reason: str
    ready_in_s: float | None


@dataclass(frozen=True, slots=True)
class FaultFound:
    """A fault of the amplifier. It stands until a person acknowledges this `number`."""

    event: ClassVar = "fault"
    number: int
    code: FaultCode
    severity: Severity
    detail: str
    advice: str
    locked: bool
    """Found so often that an acknowledgement needs a reason."""


@dataclass(frozen=True, slots=True)
class FaultCleared:
    """A person has acknowledged a fault whose cause has gone."""

    event: ClassVar = "fault-acknowledged"
    number: int
    code: FaultCode
    operator: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class HoldStarted:
    """An operator's choice of an antenna goes before the rules from now on."""

    event: ClassVar = "hold-started"
    antenna: str
    until: str
    operator: str
    reason: str | None


@dataclass(frozen=True, slots=True)
class HoldEnded:
    event: ClassVar = "hold-ended"
    antenna: str
    operator: str
    """Who had begun it."""
    because: str


@dataclass(frozen=True, slots=True)
class TubeReplaced:
    """Another tube is in the amplifier; the account of the old one ended with these sums."""

    event: ClassVar = "tube-replaced"
    operator: str
    reason: str
    heater_s: int
    operate_s: int
    overs: int


@dataclass(frozen=True, slots=True)
class Warned:
    event: ClassVar = "warning"
    code: str
    text: str
    rule: str | None = None


@dataclass(frozen=True, slots=True)
class TransmitInhibited:
    event: ClassVar = "transmit-inhibited"
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TransmitReleased:
    event: ClassVar = "transmit-released"


@dataclass(frozen=True, slots=True)
class TuneUpMoved:
    """A tune-up has come to another step."""

    event: ClassVar = "tune-up"
    step: str
    text: str
    antenna: str | None
    segment: str | None
    drive_w: int
    saved: int
    done: int
    of: int


@dataclass(frozen=True, slots=True)
class StationReloaded:
    """The station file was read again and is in force. `restarted` are links and outputs that were begun anew."""

    event: ClassVar = "reloaded"
    changed: tuple[str, ...]
    restarted: tuple[str, ...]
    file_sha256: str | None = None


Notice = (
    StationStarted
    | StationStopped
    | LinkUp
    | LinkLost
    | FrequencyChanged
    | Placed
    | Keyed
    | Unkeyed
    | ChangeOverStarted
    | ChangeOverFinished
    | CommandDone
    | OutputFailed
    | OutputRecovered
    | PresetSaved
    | PresetMissing
    | Asked
    | AmplifierChanged
    | FaultFound
    | FaultCleared
    | HoldStarted
    | HoldEnded
    | TubeReplaced
    | Warned
    | TransmitInhibited
    | TransmitReleased
    | TuneUpMoved
    | StationReloaded
)

_RENAMED = {"origin": "from", "target": "to"}


def event_fields(notice: Notice) -> dict[str, object]:
    """The notice as the JSON fields of its event, without `at`, `time` and `event`."""
    if isinstance(notice, CommandDone):
        command = notice.command
        shown: dict[str, object] = {"command": str(command.name), "output": notice.output}
        shown |= {name: _json(getattr(command, name)) for name in COMMAND_FIELDS[command.name]}
        if isinstance(command, RecallPreset) and command.estimate:
            shown["estimate"] = True
        shown["result"] = str(notice.result)
        if notice.took_ms is not None:
            shown["took_ms"] = notice.took_ms
        return shown if notice.error is None else shown | {"error": notice.error}
    return {_RENAMED.get(each.name, each.name): _json(getattr(notice, each.name)) for each in fields(notice)}


def _json(value: object) -> object:
    match value:
        case Spot():
            return {"antenna": value.antenna, "segment": value.segment}
        case Positions():
            positions: dict[str, object] = {"tune": value.tune, "load": value.load}
            errors = {"tune_error": value.tune_error, "load_error": value.load_error}
            return positions | {"estimate": True} | errors if value.estimate else positions
        case tuple():
            return [_json(each) for each in value]
        case str():
            return str(value)
        case _:
            return value
