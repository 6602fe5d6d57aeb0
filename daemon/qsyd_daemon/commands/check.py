"""`qsyd check`: whether a station file is right, what it covers, and what was not written in it."""

import argparse
import os
import sys

from qsyd_daemon.api.files import api_problems
from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.file_tests import failures
from qsyd_daemon.state_directory import state_directory
from qsyd_daemon.text_table import table
from qsyd_daemon.worksheet import Row, worksheet
from qsyd_rules.preset import PresetStanding
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
    failed_tests = failures(opened.file, opened.atlas, opened.presets)
    for problem in failed_tests:
        print(problem.printed(arguments.station), file=sys.stderr)
    print("\n".join(_lines(opened)))
    if opened.file.tests:
        failed = len({(problem.line, problem.column) for problem in failed_tests})
        print(f"\ntests: {len(opened.file.tests)} in the file, {failed} expectations failed")
    return ExitCode.BAD_FILE if failed_tests or named else ExitCode.DONE


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
