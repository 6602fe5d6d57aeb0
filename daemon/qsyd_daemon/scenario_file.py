"""A scenario file: a station, and what happens to it step by step on the virtual clock, with what is then expected.

    scenario: The switch falls silent
    seed: 7                                    # of everything random; 1 where it is left out
    station: {station: Marsh End, ...}         # a station file's keys, or the path of a station file
    presets: every                             # invented positions everywhere, or a list of {antenna, segment, tune, load}
    permit: wired                              # wired: a held permit truly keeps RF away; loose: it does not
    date: 2031-05-04                           # the day it begins, and at which hour; 2031-05-04 and 12:00
    utc: 21:58                                 #   where they are left out
    rig: {dial: 14.050 MHz, other: 14.200 MHz, mode: cw}
    steps:
      - {at: 2 s, dial: 7.050 MHz}             # at: since the beginning; after: since the step before was done
      - {after: 0 s, fault: {switch-silent: on}}
      - {after: 1 s, expect: {transmit: inhibited, reason: antenna, within: 5 s}}
      - {utc: 22:10:30, hold: {antenna: wire, for: 30 min}}   # utc: when the clock first shows this

All that is wrong is told at once, with its place. Which faults there are, the caller says: they are the simulators'.
"""

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from qsyd_daemon.band_data import load_band_tables
from qsyd_daemon.scenario_step import ScenarioStep, step_of
from qsyd_daemon.scenario_values import Reader, day, frequency, measured, one_of, text, whole
from qsyd_daemon.station_file.build_outputs import judge_ports, outputs_of, rig_links_of
from qsyd_daemon.station_file.build_rules import rules_of
from qsyd_daemon.station_file.build_station import station_of
from qsyd_daemon.station_file.errors import Problem, Severity, StationFileError
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.load import SIZE_MAX, load_station
from qsyd_daemon.station_file.settings import OutputSettings, RigLink
from qsyd_daemon.station_file.validate import validated
from qsyd_daemon.station_file.yaml_tree import Mapping as Keys
from qsyd_daemon.station_file.yaml_tree import Node, Scalar, read_tree
from qsyd_rules import quantity
from qsyd_rules.preset import Preset
from qsyd_rules.station import Station
from qsyd_rules.words import Mode

KEYS = ("scenario", "about", "seed", "station", "presets", "permit", "date", "utc", "rig", "steps")
NOON = 720
DAY = datetime.date(2031, 5, 4)
SEED_MAX = 2**63 - 1


@dataclass(frozen=True, slots=True)
class SimulatedStation:
    """What a scenario takes of a station file; its links are never opened."""

    station: Station
    rig_links: Mapping[str, RigLink]
    outputs: tuple[OutputSettings, ...]
    path: Path | None = None
    """The station file; None where the station is written in the scenario itself."""
    sha256: str | None = None


@dataclass(frozen=True, slots=True)
class ScenarioFile:
    """A scenario without errors."""

    path: Path
    title: str
    seed: int
    simulated: SimulatedStation
    presets: Mapping[tuple[str, str], Preset]
    permit_is_wired: bool
    begun: datetime.datetime
    """What the wall clock shows at the beginning; UTC."""
    dial_hz: int | None
    other_hz: int | None
    mode: Mode | None
    steps: tuple[ScenarioStep, ...]


def load_scenario(path: Path, faults: Collection[str]) -> ScenarioFile:
    """Read and judge a scenario file. Raises StationFileError with everything that is wrong with it."""
    try:
        with path.open("rb") as file:
            data = file.read(SIZE_MAX + 1)
        if len(data) > SIZE_MAX:
            raise ValueError("it is larger than 4 MiB")
        written = data.decode()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        hint = "name a scenario file, UTF-8 text"
        raise StationFileError(path, [Problem(1, 1, f"cannot be read: {reason}", hint)]) from error
    return scenario_from_text(written, path, faults)


def scenario_from_text(written: str, path: Path, faults: Collection[str]) -> ScenarioFile:
    """The same from text at hand; `path` is named, and a station's path is relative to it. Raises StationFileError."""
    root, problems = read_tree(written)
    if root is None:
        nothing = Problem(1, 1, "the file is empty", "begin with `scenario: TITLE`")
        raise StationFileError(path, problems or [nothing])
    reader = Reader()
    reader.problems += problems
    keys = reader.keys(root, KEYS, "a scenario")
    title = reader.value(reader.needed(root, keys, "scenario", "begin with `scenario: TITLE`"), text)
    reader.value(keys.get("about"), text)
    node = reader.needed(root, keys, "station", "write a station file's keys under it, or the path of one")
    simulated = None if node is None else _station(node, path, reader)
    station = simulated.station if simulated else None
    rig = reader.keys(keys["rig"], ("dial", "other", "mode"), "the rig's beginning") if "rig" in keys else {}
    mode = reader.value(rig.get("mode"), one_of([str(mode) for mode in Mode], "a mode"))
    permit = reader.value(keys.get("permit"), one_of(("wired", "loose"), "wired or loose"))
    date = reader.value(keys.get("date"), day) or DAY
    minute = reader.value(keys.get("utc"), measured(quantity.minute_of_day))
    minute = NOON if minute is None else minute
    seed = reader.value(keys.get("seed"), whole(0, SEED_MAX))
    presets = _presets(keys.get("presets"), reader, station)
    steps_node = reader.needed(root, keys, "steps", "write what happens, each step beginning with `- `")
    steps: tuple[ScenarioStep, ...] = ()
    if steps_node is not None:
        steps = tuple(step_of(item, reader, faults, station, minute) for item in reader.items(steps_node, "steps"))
        _judge_order(steps, reader)
    dial_hz, other_hz = (reader.value(rig.get(name), frequency) for name in ("dial", "other"))
    if simulated is None or title is None or reader.problems:
        raise StationFileError(path, reader.problems)
    return ScenarioFile(
        path,
        title,
        1 if seed is None else seed,
        simulated,
        presets,
        permit != "loose",
        datetime.datetime.combine(date, datetime.time(minute // 60, minute % 60), datetime.UTC),
        dial_hz,
        other_hz,
        None if mode is None else Mode(mode),
        steps,
    )


def _station(node: Node, path: Path, reader: Reader) -> SimulatedStation | None:
    """A station written here, or the one of another file, whose own problems are told at its name."""
    if isinstance(node, Keys):
        findings = Findings(node)
        simulated = _simulated(findings)
        reader.problems += [each for each in findings.errors if each.severity is Severity.ERROR]
        return None if findings.errors else simulated
    name = reader.value(node, text)
    if name is None:
        return None
    try:
        file = load_station(path.parent / name)
    except StationFileError as error:
        for problem in error.problems:
            if problem.severity is Severity.ERROR:
                there = f"{name}:{problem.line}:{problem.column}: {problem.text}"
                reader.refuse(node, there, problem.hint)
        return None
    return SimulatedStation(file.station, file.rig_links, file.outputs, file.path, file.sha256)


def _simulated(findings: Findings) -> SimulatedStation | None:
    models = validated(findings)
    if models is None:
        return None
    findings.settle()
    keys, outputs = models
    station, names = station_of(keys, load_band_tables(), findings)
    rig_links = rig_links_of(keys, findings)
    settings = outputs_of(keys, outputs, findings)
    judge_ports(keys, outputs, findings)
    rules = rules_of(keys, outputs, names, findings)
    if findings.errors:
        return None
    return SimulatedStation(replace(station, rules=rules), rig_links, settings)


def _presets(node: Node | None, reader: Reader, station: Station | None) -> dict[tuple[str, str], Preset]:
    if isinstance(node, Scalar):
        word = reader.value(node, one_of(("every", "none"), "`every`, `none` or a list of presets"))
        return every_preset(station) if word == "every" and station is not None else {}
    if node is None or station is None:
        return {}
    segments = {segment.name: segment for segment in station.segments}
    found: dict[tuple[str, str], Preset] = {}
    for item in reader.items(node, "presets"):
        keys = reader.keys(item, ("antenna", "segment", "tune", "load", "drive"), "a preset")
        antenna, segment, tune, load = (
            reader.needed(item, keys, name, f"write `{name}: ...`") for name in ("antenna", "segment", "tune", "load")
        )
        by = reader.value(antenna, one_of([each.name for each in station.antennas], "an antenna of this station"))
        at = reader.value(segment, one_of(list(segments), "a segment of this station"))
        positions = [reader.value(each, whole(0, 1_000_000)) for each in (tune, load)]
        drive_w = reader.value(keys.get("drive"), measured(quantity.power_w))
        if by is not None and at is not None and positions[0] is not None and positions[1] is not None:
            edges = (segments[at].low_hz, segments[at].high_hz)
            preset = Preset(by, at, positions[0], positions[1], drive_w=drive_w, low_hz=edges[0], high_hz=edges[1])
            found[by, at] = preset
    return found


def every_preset(station: Station) -> dict[tuple[str, str], Preset]:
    """One for every antenna and segment it covers; invented positions, which tell them apart."""
    return {
        (antenna.name, segment.name): Preset(
            antenna.name, segment.name, 100 + number, 200 + number, low_hz=segment.low_hz, high_hz=segment.high_hz
        )
        for antenna in station.antennas
        for number, segment in enumerate(station.segments)
        if segment.band in antenna.bands
    }


def _judge_order(steps: tuple[ScenarioStep, ...], reader: Reader) -> None:
    latest_us = 0
    for step in steps:
        if step.at_us is None:
            latest_us += step.after_us
        elif step.at_us < latest_us:
            text = f"at {step.at_us / 1e6:g} s comes before the step above it, which is at {latest_us / 1e6:g} s"
            reader.problems.append(Problem(step.line, step.column, text, "put the steps in the order of their times"))
        else:
            latest_us = step.at_us
