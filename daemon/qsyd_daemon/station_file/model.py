"""The station file's keys: which there are, what each may hold, and its default, written as a file would write it.

The models judge single values; what depends on several is judged by the modules that build from them.
"""

from fractions import Fraction
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator

from qsyd_daemon.station_file.address import Link
from qsyd_daemon.station_file.leaves import (
    AsList,
    BandName,
    Boolean,
    Current,
    Frequency,
    FrequencyRange,
    GainRange,
    Line,
    Minute,
    MinuteRange,
    Name,
    NeedsList,
    Port,
    Power,
    Raw,
    Temperature,
    Text,
    VoltageRange,
    described,
    duration,
    number_above,
    number_from,
    one_number_of,
    one_of,
    quantity_between,
    refusal,
    whole_number,
)
from qsyd_daemon.station_file.listen import Host, Listen
from qsyd_daemon.station_file.vocabulary import EVENT_FIELDS, MODES
from qsyd_rules import quantity
from qsyd_rules.command import CommandName
from qsyd_rules.segment import Division, Edges, Parts
from qsyd_rules.words import AmplifierState, LicenceClass


def default(written: object) -> Any:
    """A default as the file would say it; it goes through the same reader."""
    return Field(default=written, validate_default=True)


class Keys(BaseModel):
    """A mapping with known keys. Notes which keys are known where, for the hint on those that are not."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)

    @model_validator(mode="before")
    @classmethod
    def _note(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, dict):
            raise refusal(
                f"{described(value)} stands where keys belong", f"write {', '.join(list(cls.model_fields)[:5])}"
            )
        if info.context is not None:
            info.context[id(value)] = cls
        return value


Baud = Annotated[int, whole_number(300, 3_000_000)]
StopBits = Annotated[int, one_number_of(1, 2, what="a number of stop bits")]
Level = Annotated[str, one_of("low", "high", what="a level")]


class LinkKeys(Keys):
    """How a rig or a device is reached."""

    link: Link
    baud: Baud = default(38400)
    stop_bits: StopBits = default(1)
    dtr: Level = default("low")
    rts: Level = default("low")
    lines_answered: Boolean = default(True)


SERIAL_KEYS = ("baud", "stop_bits", "dtr", "rts")
"""Keys of `LinkKeys` for links that end in a serial port, here or behind a server."""
SERVER_KEYS = ("lines_answered",)
"""Keys of `LinkKeys` for a server that speaks RFC 2217."""


class KeySenseKeys(Keys):
    """A line of a serial port that tells whether the rig is keyed; without `link`, of the rig's own port."""

    line: Annotated[str, one_of("cts", "dsr", what="a line that can be read")]
    link: Link | None = None
    active: Level = default("high")


class RigKeys(LinkKeys):
    protocol: Annotated[str, one_of("ascii-cat", "ci-v", what="a protocol")] = default("ascii-cat")
    frequency_digits: Annotated[int, one_number_of(11, 9, what="a number of digits")] = default(11)
    address: Annotated[int, whole_number(0x00, 0xFF)] = default(0x94)
    poll: Annotated[int, duration("5 ms", "10 s", "50 ms")] = default("50 ms")
    push: Boolean = default(False)
    lost_after: Annotated[int, duration("10 ms", "10 min", "2 s")] = default("2 s")
    key_sense: KeySenseKeys | None = None


class ResonanceKeys(Keys):
    """What is known of an antenna near one resonance: for advice on segments."""

    frequency: Frequency
    bandwidth: Annotated[int, quantity_between(quantity.frequency_hz, "1 kHz", "30 MHz", "120 kHz")]
    swr: Annotated[Fraction, number_from(1, 2, "1.3")] = default(1)


class AntennaKeys(Keys):
    port: Port
    bands: Annotated[tuple[BandName, ...], NeedsList]
    max_power: Power | None = None
    resonances: tuple[ResonanceKeys, ...] = ()
    matching: Annotated[int, whole_number(1, 16)] | None = None


class LimitKeys(Keys):
    grid_current: Current | None = None
    plate_current: Current | None = None
    reflected_power: Power | None = None
    swr: Annotated[Fraction, number_above(1, 100, "2.5")] | None = None
    drive: Power | None = None
    gain: GainRange | None = None
    plate_voltage: VoltageRange | None = None
    temperature: Temperature | None = None
    dissipation: Power | None = None
    forward_floor: Power = default("30 W")
    key_down: Annotated[int, duration("1 s", "1 h", "180 s")] = default("180 s")


class AmplifierKeys(Keys):
    follows: Name | None = None
    bands: Annotated[tuple[BandName, ...], NeedsList] | None = None
    warm_up: Annotated[int, duration("1 ms", "1 h", "180 s")] = default("180 s")
    cool_down: Annotated[int, duration("1 ms", "1 h", "120 s", zero=True)] = default("120 s")
    output: Power = default("1500 W")
    without_preset: Annotated[str, one_of("standby", "operate", "estimate", what="what to do without a preset")] = (
        default("standby")
    )
    limits: LimitKeys = Field(default_factory=LimitKeys)


def _division(value: object) -> Division:
    if isinstance(value, int) and not isinstance(value, bool):
        if not 1 <= value <= 1000:
            raise refusal(f"{value} parts are out of range", "write 1 to 1000, or a list of edges")
        return Parts(value)
    if not isinstance(value, tuple):
        hint = "write a number of equal parts, or a list of edges such as [7.000 MHz, 7.125 MHz, 7.300 MHz]"
        raise refusal(f"{described(value)} does not divide a band", hint)
    edges = []
    for index, item in enumerate(value):
        try:
            edges.append(quantity.frequency_hz(str(item)))
        except quantity.QuantityError as error:
            raise refusal(error.text, error.hint, index) from error
    return Edges(tuple(edges))


class SegmentKeys(Keys):
    """`loaded_q` and `edge_swr`; all other keys are bands."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, Annotated[Division, BeforeValidator(_division)]] = Field(init=False)

    loaded_q: Annotated[Fraction, number_above(0, 1000, "12")] = default(12)
    edge_swr: Annotated[Fraction, number_above(1, 10, "1.4")] = default(1.4)


class ChangeOverKeys(Keys):
    guard: Annotated[int, duration("1 ms", "10 s", "50 ms")] = default("50 ms")
    relay_settle: Annotated[int, duration("1 ms", "10 s", "30 ms")] = default("30 ms")
    preset_settle: Annotated[int, duration("1 ms", "2 min", "300 ms")] = default("300 ms")
    rest: Annotated[int, duration("1 ms", "10 s", "150 ms", zero=True)] = default("150 ms")
    hysteresis: Annotated[int, quantity_between(quantity.frequency_hz, "0 Hz", "100 kHz", "1 kHz")] = default("1 kHz")


class TuneUpKeys(Keys):
    """`key_down`: the longest key-down of one step. `set_dial`: whether the rig may be set to a segment's centre."""

    key_down: Annotated[int, duration("2 s", "1 min", "10 s")] = default("10 s")
    set_dial: Boolean = default(False)


Mode = Annotated[str, one_of(*MODES, what="a mode")]
State = Annotated[str, one_of(*AmplifierState, what="a state of the amplifier")]


class WhenKeys(Keys):
    rig: Annotated[tuple[Name, ...], AsList] | None = None
    band: Annotated[tuple[BandName, ...], AsList] | None = None
    segment: Annotated[tuple[Line, ...], AsList] | None = None
    frequency: Annotated[tuple[FrequencyRange, ...], AsList] | None = None
    mode: Annotated[tuple[Mode, ...], AsList] | None = None
    amplifier: Annotated[tuple[State, ...], AsList] | None = None
    keyed: Boolean | None = None
    between: Annotated[tuple[MinuteRange, ...], AsList] | None = None
    event: Annotated[tuple[Annotated[str, one_of(*EVENT_FIELDS, what="an event")], ...], AsList] | None = None


class SendKeys(Keys):
    output: Name
    text: Text


class ThenKeys(Keys):
    antenna: Name | None = None
    drive: Power | None = None
    amplifier: Annotated[str, one_of("standby", what="what a rule may ask of the amplifier")] | None = None
    inhibit: Line | None = None
    warn: Line | None = None
    send: SendKeys | None = None


class RuleKeys(Keys):
    name: Line | None = None
    when: WhenKeys = Field(default_factory=WhenKeys)
    then: ThenKeys | None = None


class ReadingsKeys(Keys):
    ask: Raw
    every: Annotated[int, duration("10 ms", "1 min", "200 ms")] = default("200 ms")
    match: Text
    stale_after: Annotated[int, duration("10 ms", "10 min", "1 s")] = default("1 s")
    travel: Annotated[int, duration("1 ms", "10 min", "10 s")] = default("10 s")


class LeaseKeys(Keys):
    """The device drops transmit by itself unless `renew` comes again and again."""

    renew: Raw
    every: Annotated[int, duration("10 ms", "1 min", "1 s")] = default("1 s")
    answered: Boolean = default(True)


class DeviceKeys(LinkKeys):
    kind: str
    commands: dict[Annotated[str, one_of(*CommandName, what="a command")], Raw] = Field(default_factory=dict)
    acknowledge: Text | None = None
    timeout: Annotated[int, duration("1 ms", "1 min", "500 ms")] = default("500 ms")
    retries: Annotated[int, whole_number(0, 20)] = default(2)
    readings: ReadingsKeys | None = None
    lease: LeaseKeys | None = None


class LineKeys(Keys):
    """Transmit permit on a control line of a serial port."""

    kind: str
    link: Link
    line: Annotated[str, one_of("rts", "dtr", what="a line that can be set")]
    active: Level = default("high")


class JsonlKeys(Keys):
    kind: str
    path: Line | None = None


class LogKeys(Keys):
    kind: str


OUTPUT_KEYS: dict[str, type[DeviceKeys | LineKeys | JsonlKeys | LogKeys]] = {
    "device": DeviceKeys,
    "line": LineKeys,
    "jsonl": JsonlKeys,
    "log": LogKeys,
}


class ExpectKeys(Keys):
    antenna: Name | None = None
    segment: Line | None = None
    band: BandName | None = None
    drive: Power | None = None
    inhibited: Boolean | None = None
    amplifier: State | None = None


class TestKeys(Keys):
    frequency: Frequency | None = None
    mode: Mode | None = None
    at: Minute | None = None
    expect: ExpectKeys | None = None


class TlsKeys(Keys):
    certificate: Line
    key: Line


class ApiKeys(Keys):
    """TCP beside the control socket; a port of 0 takes a free one."""

    listen: Listen
    tls: TlsKeys | None = None
    tokens: Line = default("tokens.json")
    hosts: Annotated[tuple[Host, ...], AsList] = ()
    lease: Annotated[int, duration("1 s", "10 min", "30 s")] = default("30 s")
    streams: Annotated[int, whole_number(1, 2000)] = 16


class StationKeys(Keys):
    """The whole file. Outputs are judged apart, each by the keys of its kind."""

    station: Line
    region: Annotated[int, one_number_of(1, 2, 3, what="an ITU region")]
    privileges: Annotated[str, one_of(*LicenceClass, what="a licence class")] | None = None
    rigs: dict[Name, RigKeys]
    antennas: dict[Name, AntennaKeys]
    amplifier: AmplifierKeys | None = None
    segments: SegmentKeys = Field(default_factory=SegmentKeys)
    change_over: ChangeOverKeys = Field(default_factory=ChangeOverKeys)
    tune_up: TuneUpKeys = Field(default_factory=TuneUpKeys)
    rules: tuple[RuleKeys, ...] = ()
    outputs: dict[Name, Any] = Field(default_factory=dict)
    api: ApiKeys | None = None
    tests: tuple[TestKeys, ...] = ()
