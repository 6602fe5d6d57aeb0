"""`qsyd check`: whether a station file is right, what it covers, and what was not written in it."""

import argparse
import os
import sys

from qsyd_daemon.api.files import api_problems
from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.explanation import Question
from qsyd_daemon.state_directory import state_directory
from qsyd_daemon.station_file.errors import Problem
from qsyd_daemon.station_file.settings import FileTest
from qsyd_daemon.text_table import table
from qsyd_daemon.worksheet import Row, worksheet
from qsyd_rules.placement import Placement
from qsyd_rules.preset import PresetStanding
from qsyd_rules.quantity import format_frequency
from qsyd_rules.station import WithoutPreset


def run(arguments: argparse.Namespace) -> int:
    """Print what is covered; run the file's own tests."""
    opened = open_station(arguments.station, arguments.state)
    if not isinstance(opened, Opened):
        return opened
    for warning in opened.file.warnings:
        print(warning.printed(arguments.station), file=sys.stderr)
    named = api_problems(opened.file.api, state_directory(arguments.state, os.environ)) if opened.file.api else []
    for problem in named:
        print(problem.printed(arguments.station), file=sys.stderr)
    failures = [problem for test in opened.file.tests for problem in _failures(opened, test)]
    for problem in failures:
        print(problem.printed(arguments.station), file=sys.stderr)
    print("\n".join(_lines(opened)))
    if opened.file.tests:
        failed = len({(problem.line, problem.column) for problem in failures})
        print(f"\ntests: {len(opened.file.tests)} in the file, {failed} expectations failed")
    return ExitCode.BAD_FILE if failures or named else ExitCode.DONE


def _lines(opened: Opened) -> list[str]:
    station = opened.file.station
    licence = f", {station.privileges.licence}" if station.privileges is not None else ""
    rows = worksheet(opened.atlas, opened.presets)
    lines = [f"{station.name}: region {station.region}{licence}; the file is right", ""]
    lines += table(
        ("band", "segments", "antennas, the preferred first", "amplifier", "presets"), _coverage(opened, rows)
    )
    unserved = [band.name for band in station.bands if not any(band.name in each.bands for each in station.antennas)]
    lines += ["", f"served by no antenna, so inhibited: {', '.join(unserved) or 'none'}"]
    lacking = [row for row in rows if row.amplified and row.standing is not PresetStanding.SAVED]
    if lacking:
        amplifier = station.amplifier
        lines.append(_LACKING[amplifier.without_preset] if amplifier is not None else "without a preset:")
        for antenna in station.antennas:
            names = [_lack(row) for row in lacking if row.antenna is antenna]
            lines += [f"  {antenna.name}: {', '.join(names)}"] if names else []
    if opened.file.defaults:
        lines += ["", "not written, so taken as:"]
        lines += [f"  {key}: {value}" for key, value in opened.file.defaults]
    return lines


_LACKING = {
    WithoutPreset.STANDBY: "without a preset, so barefoot there:",
    WithoutPreset.OPERATE: "without a preset:",
    WithoutPreset.ESTIMATE: "without a preset, so on an estimate with reduced drive, or barefoot where there is none:",
}


def _lack(row: Row) -> str:
    stale = " (stale)" if row.standing is PresetStanding.STALE else ""
    fitted = " (estimate)" if row.estimate is not None else ""
    return f"{row.segment.name}{stale}{fitted}"


def _coverage(opened: Opened, rows: list[Row]) -> list[tuple[str, ...]]:
    station = opened.file.station
    shown: list[tuple[str, ...]] = []
    for band in station.bands:
        antennas = [antenna.name for antenna in station.antennas if band.name in antenna.bands]
        wanted = [row for row in rows if row.segment.band == band.name and row.amplified]
        saved = sum(row.standing is PresetStanding.SAVED for row in wanted)
        shown.append(
            (
                band.name,
                str(sum(segment.band == band.name for segment in station.segments)),
                ", ".join(antennas) or "none",
                "yes" if wanted else "barefoot" if antennas else "-",
                f"{saved} of {len(wanted)}" if wanted else "-",
            )
        )
    return shown


def _failures(opened: Opened, test: FileTest) -> list[Problem]:
    """What a test of the file expects and does not get, each at its place."""
    station = opened.file.station
    rig = station.amplifier.follows if station.amplifier else station.rigs[0].name
    question = Question(test.frequency_hz, test.mode, rig, test.at_minute)
    placement = opened.atlas.place(question.situation(), opened.presets)
    problems = []
    for key, expected in test.expect.items():
        found = _found(placement, key)
        if found != expected.value:
            text = f"test: {format_frequency(test.frequency_hz)} should have {key} {_word(expected.value)}"
            problems.append(
                Problem(expected.line, expected.column, f"{text}, has {_word(found)}", "`qsyd explain` tells why")
            )
    return problems


def _found(placement: Placement, key: str) -> str | int | bool | None:
    match key:
        case "antenna":
            return placement.antenna.name if placement.antenna else None
        case "segment":
            return placement.segment.name if placement.segment else None
        case "band":
            return placement.band.name if placement.band else None
        case "drive":
            return placement.drive_w
        case "inhibited":
            return bool(placement.inhibits)
        case "amplifier":
            return "standby" if placement.barefoot_because is not None else "operate"
        case _:
            raise AssertionError(f"no test can expect {key}")


def _word(value: str | int | bool | None) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)
