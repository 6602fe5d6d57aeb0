"""`qsyd plan`: the tune-up worksheet."""

import argparse
import json
import sys
from statistics import fmean

from qsyd_daemon.commands.advice import show_advice
from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.commands.picture_file import write_picture
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.pictures.mismatch_picture import mismatch_picture, panels
from qsyd_daemon.text_table import table
from qsyd_daemon.worksheet import Row, rows_to_json, worksheet
from qsyd_rules.estimate import LeftOut, leave_each_out
from qsyd_rules.preset import PresetStanding
from qsyd_rules.quantity import format_frequency
from qsyd_rules.segment_advice import advice_of


def run(arguments: argparse.Namespace) -> int:
    """Print the worksheet, and draw it where a picture is asked for."""
    opened = open_station(arguments.station, arguments.state)
    if not isinstance(opened, Opened):
        return opened
    rows = worksheet(opened.atlas, opened.presets, opened.marks)
    if arguments.svg is not None and (code := _draw(opened, rows, arguments)) is not ExitCode.DONE:
        return code
    if arguments.advice:
        return show_advice(opened, as_json=arguments.json)
    if arguments.json:
        print(json.dumps(rows_to_json(rows), ensure_ascii=False, indent=2))
        return ExitCode.DONE
    lines = table(
        ("antenna", "segment", "from", "to", "tune at", "preset"),
        [
            (
                row.antenna.name,
                row.segment.name,
                format_frequency(row.segment.low_hz),
                format_frequency(row.segment.high_hz),
                format_frequency(row.segment.centre_hz),
                _standing(row),
            )
            for row in rows
        ],
        right=frozenset({2, 3, 4}),
    )
    print("\n".join(lines))
    wanted = [row for row in rows if row.amplified]
    saved = sum(row.standing is PresetStanding.SAVED for row in wanted)
    if not wanted:
        print("\nThe amplifier serves none of these: all are barefoot, and need no preset.")
        return ExitCode.DONE
    print(f"\n{saved} of {len(wanted)} segments where the amplifier serves have a preset in {opened.directory}.")
    print("".join(f"Tune up anew: {row.mark.text}.\n" for row in rows if row.mark is not None), end="")
    print("\n".join(_estimates(opened, rows)), end="")
    if saved < len(wanted):
        print("Caution: tuning means high voltage and RF. Reduced drive first, seconds not minutes off resonance,")
        print("nobody near the antenna; the amplifier's own manual and local code come before this sheet.")
    return ExitCode.DONE


def _draw(opened: Opened, rows: list[Row], arguments: argparse.Namespace) -> ExitCode:
    station = opened.file.station
    drawn = panels(advice_of(station, opened.presets), rows, opened.presets, station.computed.loaded_q)
    if not drawn:
        print("error: no antenna serves a band with the amplifier: there is nothing to draw", file=sys.stderr)
        return ExitCode.FAILED
    return write_picture(arguments.svg, mismatch_picture(station.name, drawn), arguments.station)


def _standing(row: Row) -> str:
    shown = str(row.standing) if row.amplified or row.standing is not PresetStanding.MISSING else "barefoot"
    fitted = row.estimate
    if row.mark is not None:
        return f"stale, still recalled: {row.mark.cause} since {row.mark.since[:10]}"
    if fitted is None:
        return shown
    return f"{shown}; estimate tune {fitted.tune} ±{fitted.tune_error}, load {fitted.load} ±{fitted.load_error}"


def _estimates(opened: Opened, rows: list[Row]) -> list[str]:
    """How far to trust the estimates: by how much the presets that are there would have been missed."""
    if all(row.estimate is None for row in rows):
        return []
    tried = [each for each in leave_each_out(opened.presets, opened.file.station.segments) if each.tune is not None]
    lines = ["An estimate is worked out from the presets beside it, and is none itself: begin there, at reduced drive."]
    if tried:
        law = f"tune {_mean(tried, 'tune')} and load {_mean(tried, 'load')} steps"
        line = f"{_mean(tried, 'tune_by_line')} and {_mean(tried, 'load_by_line')}"
        lines.append(
            f"Each of {len(tried)} presets left out in turn is missed by {law} on average; by {line} with a straight line."
        )
    return [*lines, ""]


def _mean(tried: list[LeftOut], what: str) -> str:
    return f"{fmean(getattr(each, what) for each in tried):.1f}"
