"""`qsyd explain`: where a frequency would put the station, or where the station was, and which rule decided what."""

import argparse
import json
import sys
from typing import Any

from qsyd_daemon.commands.explain_past import run_past
from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.explanation import Question, explain
from qsyd_rules.quantity import QuantityError, format_frequency, frequency_hz, minute_of_day
from qsyd_rules.words import Mode


def run(arguments: argparse.Namespace) -> int:
    """Print the explanation."""
    of_the_past = arguments.when is not None or arguments.event is not None
    if of_the_past + bool(arguments.frequency) != 1 or None not in (arguments.when, arguments.event):
        print("error: name one thing: a FREQUENCY, a moment with --when, or an event with --event", file=sys.stderr)
        return ExitCode.WRONG_USE
    if of_the_past:
        if not arguments.mode is arguments.rig is arguments.at is None:
            print("error: --mode, --rig and --at go with a FREQUENCY; the journal knows them", file=sys.stderr)
            return ExitCode.WRONG_USE
        return run_past(arguments)
    try:
        hertz = frequency_hz(" ".join(arguments.frequency))
        minute = minute_of_day(arguments.at) if arguments.at is not None else None
    except QuantityError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    opened = open_station(arguments.station, arguments.state)
    if not isinstance(opened, Opened):
        return opened
    station = opened.file.station
    rig = station.followed if arguments.rig is None else arguments.rig
    if rig not in {each.name for each in station.rigs}:
        known = ", ".join(each.name for each in station.rigs)
        print(f"error: there is no rig {rig!r} in this station; it has {known}", file=sys.stderr)
        return ExitCode.WRONG_USE
    mode = Mode(arguments.mode) if arguments.mode else None
    answer = explain(opened.atlas, Question(hertz, mode, rig, minute), opened.presets)
    print(json.dumps(answer, ensure_ascii=False, indent=2) if arguments.json else "\n".join(_lines(answer)))
    return ExitCode.DONE


def _lines(answer: dict[str, Any]) -> list[str]:
    segment, antenna, amplifier, preset = (answer[key] for key in ("segment", "antenna", "amplifier", "preset"))
    lines = [format_frequency(answer["frequency_hz"])]
    if segment is None:
        lines.append("  band       none")
    else:
        edges = f"{format_frequency(segment['low_hz'])} to {format_frequency(segment['high_hz'])}"
        lines.append(f"  segment    {segment['name']}  ({edges}, centre {format_frequency(segment['centre_hz'])})")
    served = f"{antenna['name']} on port {antenna['port']}" if antenna else "none serves"
    stored = f"tune {preset['tune']}, load {preset['load']}" if preset else "none"
    if preset and preset.get("estimate"):
        errors = f"tune ±{preset['tune_error']}, load ±{preset['load_error']}"
        stored = f"none; ESTIMATE {stored} ({errors}), from {', '.join(preset['made_from'])}"
    drive = f"at most {answer['drive_w']} W" if answer["drive_w"] is not None else "no limit"
    lines += [f"  antenna    {served}", f"  preset     {stored}", f"  drive      {drive}"]
    if amplifier:
        lines.append(f"  amplifier  {amplifier['state']}: {amplifier['because']}")
    lines += [f"  inhibited  {text}" for text in answer["inhibit"]]
    lines += [f"  warning    {text}" for text in answer["warnings"]]
    lines += [
        f"  rule       {'holds' if rule['matched'] else 'no   '}  {rule['name']}: "
        + (f"decides {', '.join(rule['decided'])}" if rule["decided"] else rule["because"])
        for rule in answer["rules"]
    ]
    return lines
