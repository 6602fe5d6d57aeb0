"""What a station file means for the wires, beside the core's own view of the station."""

import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from qsyd_daemon.links.line_port import InputLine, OutputLine
from qsyd_daemon.links.link import Address, SerialAddress
from qsyd_daemon.station_file.errors import Problem
from qsyd_rules.command import CommandName
from qsyd_rules.station import Station
from qsyd_rules.words import Mode


@dataclass(frozen=True, slots=True)
class Simulated:
    """Stands for a link: the rig is a simulated one, in this process."""


class Protocol(StrEnum):
    """How a rig is spoken to."""

    ASCII_CAT = "ascii-cat"
    CI_V = "ci-v"


@dataclass(frozen=True, slots=True)
class KeySenseSettings:
    """The line that tells whether a rig is keyed; `address` is None where it is one of the rig's own port."""

    line: InputLine
    active_high: bool
    address: SerialAddress | None


@dataclass(frozen=True, slots=True)
class RigLink:
    """How one rig is reached and followed."""

    address: Address | Simulated
    protocol: Protocol
    frequency_digits: int
    """ASCII CAT: digits of a frequency, 9 or 11."""
    civ_address: int
    """CI-V: the rig's address on the bus, 0 to 255."""
    poll_us: int
    push: bool
    """Also ask the rig to report changes by itself."""
    key_sense: KeySenseSettings | None = None
    sets_frequency: bool = False
    """Whether a tune-up may set this rig's frequency."""


@dataclass(frozen=True, slots=True)
class ReadingsSettings:
    """What a device can be asked: `match` has groups named as readings are."""

    ask: str
    every_us: int
    match: str
    stale_after_us: int
    travel_us: int
    """How long tune and load may take to arrive."""
    names: tuple[str, ...]
    """The readings this device has, in the order of the groups."""


@dataclass(frozen=True, slots=True)
class LeaseSettings:
    """A device that drops transmit by itself unless the line `renew` comes `every_us`."""

    renew: str
    every_us: int
    answered: bool
    """Whether the device acknowledges this line as it does commands."""


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """A device spoken to in lines; `commands` are templates that were read without fault."""

    name: str
    address: Address
    commands: Mapping[CommandName, str]
    acknowledge: str | None
    """A regular expression for the answer that acknowledges; None where the device answers nothing."""
    timeout_us: int
    retries: int
    readings: ReadingsSettings | None
    lease: LeaseSettings | None = None


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Transmit permit on a line of a serial port; the address holds the line at the level that inhibits."""

    name: str
    address: SerialAddress
    line: OutputLine
    active_high: bool
    """Whether it is the high level that releases."""


@dataclass(frozen=True, slots=True)
class JsonlSettings:
    """Events appended to a file as lines of JSON; a relative path is relative to the state directory."""

    name: str
    path: Path


@dataclass(frozen=True, slots=True)
class LogSettings:
    """Events written to the daemon's log."""

    name: str


@dataclass(frozen=True, slots=True)
class ApiSettings:
    """Where the station is reached over TCP; relative paths are relative to the state directory."""

    host: str
    """An address of this machine."""
    port: int
    """0 takes a free one."""
    certificate: Path | None
    key: Path | None
    tokens: Path
    hosts: tuple[tuple[str, int | None], ...]
    """Names by which callers reach it, each with its port; None means the one listened on."""
    lease_us: int
    """Within this time a lease has to be renewed."""
    streams: int
    """How many callers may follow at once."""
    places: Mapping[str, tuple[int, int]]
    """Line and column of the block and its keys."""

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ipaddress.ip_address(self.host).is_loopback

    @property
    def shown(self) -> str:
        """As the file writes it."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


OutputSettings = DeviceSettings | LineSettings | JsonlSettings | LogSettings


@dataclass(frozen=True, slots=True)
class Expected:
    """What a test expects of one thing, and where the file says so; None means nothing of the kind."""

    value: str | int | bool | None
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class FileTest:
    """A test of the file by itself. Keys of `expect`: antenna, segment, band, drive (W), inhibited, amplifier."""

    frequency_hz: int
    mode: Mode | None
    at_minute: int | None
    """Minute of the UTC day, 0 to 1439."""
    expect: Mapping[str, Expected]
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class StationFile:
    """A station file without errors."""

    path: Path
    station: Station
    rig_links: Mapping[str, RigLink]
    outputs: tuple[OutputSettings, ...]
    tests: tuple[FileTest, ...]
    warnings: tuple[Problem, ...]
    tune_key_down_us: int
    """Longest key-down of one step of a tune-up, in microseconds."""
    defaults: tuple[tuple[str, str], ...]
    """What was not written: dotted key and the value that serves, as a file would write it."""
    api: ApiSettings | None = None
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """Line and column of the top keys and of each rig: `rigs.NAME`."""
    sha256: str = ""
    """Of the file's bytes, in hexadecimal, as `sha256sum` prints it."""
    rule_lines: Mapping[str, int] = field(default_factory=dict)
    """In which line each rule begins, by its name."""
