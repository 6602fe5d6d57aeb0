"""`qsyd status`: the station at a glance, from the running daemon."""

import argparse
import json
import sys
from typing import Any

from qsyd_daemon.client import NoDaemonError, RefusedError, look
from qsyd_daemon.commands.tube import hours
from qsyd_daemon.commands.way_option import way_of
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.terminal_lines import fitted

INDENT = 11
"""Where the words of a line begin."""


def run(arguments: argparse.Namespace) -> int:
    """Print the status."""
    way = way_of(arguments)
    if isinstance(way, ExitCode):
        return way
    try:
        status = look(way, "/v1/status")
    except NoDaemonError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.NO_DAEMON
    except RefusedError as refused:
        print(f"refused: {refused}", file=sys.stderr)
        return ExitCode.FAILED
    print(
        json.dumps(status, ensure_ascii=False, indent=2) if arguments.json else "\n".join(fitted(lines(status), INDENT))
    )
    return ExitCode.DONE


def lines(status: dict[str, Any]) -> list[str]:
    """The status for people: what the operator needs to know first comes first."""
    marks = [mark for mark, shown in (("SIMULATED", status["simulated"]), ("DRY RUN", status["dry_run"])) if shown]
    shown = [f"{status['station']}{''.join(f'  [{mark}]' for mark in marks)}"]
    transmit = status["transmit"]
    shown.append(f"transmit   {'released' if transmit['released'] else 'INHIBITED'}")
    shown += [f"             {reason}" for reason in transmit["reasons"]]
    for name, rig in status["rigs"].items():
        shown.append(f"rig        {name}: {_rig(rig)}")
    shown.append(f"place      {_place(status)}")
    if status["amplifier"] is not None:
        shown.append(f"amplifier  {_amplifier(status['amplifier'])}")
    if status["hold"] is not None:
        hold = status["hold"]
        why = f": {hold['reason']}" if hold["reason"] else ""
        shown.append(f"hold       {hold['antenna']}, by {hold['operator']} until {hold['until']}{why}")
    if status["lockout"] is not None:
        lockout = status["lockout"]
        shown.append(f"lockout    by {lockout['operator']} since {lockout['since']}: {lockout['reason']}")
    if status["amplifier"] is not None and status["amplifier"]["fault"] is not None:
        fault = status["amplifier"]["fault"]
        shown.append(f"FAULT {fault['number']:<4} {fault['code']} ({fault['severity']}): {fault['detail']}")
        shown.append(f"             {fault['advice']}")
    if status["meters"] is not None:
        shown.append(f"meters     {_meters(status['meters'])}")
    for what, belief in status["outputs"].items():
        if belief["known"] != "unknown" or belief["because"]:
            name, unit = ("drive", " W at most") if what == "drive_w" else (what, "")
            elsewhere = _elsewhere(belief["value"], status["meters"]) if what == "tank" else ""
            shown.append(f"{name:<10} {_belief(belief, unit)}{elsewhere}")
    for name, device in status["devices"].items():
        if not device["answers"] or device["trouble"]:
            shown.append(f"device     {name}: {device['trouble'] or 'does not answer'}")
    shown += [f"warning    {text}" for text in status["warnings"]]
    shown += [f"renew      {mark['text']}" for mark in status["presets_to_renew"]]
    if status["tube"] is not None and status["tube"]["heater_s"]:
        shown.append(f"tube       {_tube(status['tube'])}")
    shown.append(f"guard      {status['guard']}")
    if status["api"]["address"] is not None:
        leases = f", lease held by {', '.join(status['api']['leases'])}" if status["api"]["leases"] else ""
        shown.append(f"api        {status['api']['address']}{leases}")
    shown += _file(status["station_file"])
    if not status["state_directory"]["healthy"]:
        shown.append(f"state      {status['state_directory']['path']} cannot be written")
    return shown


def _file(file: dict[str, Any]) -> list[str]:
    """The file in force, once it was read again, or should have been."""
    last = file["last_reload"]
    if last is None:
        return []
    if last["ok"]:
        return [f"file       {file['path']}, read {file['read_at']}"]
    return [
        f"file       {file['path']} as read {file['read_at']}",
        f"             RELOAD REFUSED {last['at']}: {last['text']}",
    ]


def _megahertz(hertz: int) -> str:
    whole, rest = divmod(hertz, 1_000_000)
    digits = f"{rest:06d}".rstrip("0")
    return f"{whole}.{digits:0<3} MHz"


def _rig(rig: dict[str, Any]) -> str:
    if rig["link"] != "up":
        return f"LOST: {rig['because']}"
    parts = [_megahertz(rig["frequency_hz"])]
    if rig["split"]:
        transmit = rig["transmit_hz"]
        parts.append(f"split, transmits on {_megahertz(transmit) if transmit else 'an unknown frequency'}")
    parts.append(rig["mode"] or "mode unknown")
    parts.append({True: "KEYED", False: "not keyed", None: "keying not told by this rig"}[rig["keyed"]])
    return ", ".join(parts)


def _place(status: dict[str, Any]) -> str:
    placed = status["placed"]
    if placed is None:
        return "not known yet"
    if placed["antenna"] is None:
        return "nothing serves this frequency"
    preset = placed["preset"]
    tank = _tank(preset) if preset else "no preset"
    drive = f", drive at most {placed['drive_w']} W" if placed["drive_w"] is not None else ""
    return f"{placed['segment']} on {placed['antenna']} (port {placed['port']}), {tank}{drive}"


def _tube(tube: dict[str, Any]) -> str:
    gains = [f"gain {day['gain_db']:.1f} dB on {day['date']}" for day in tube["days"] if day["gain_db"] is not None]
    times = f"heater {hours(tube['heater_s'])}, operate {hours(tube['operate_s'])}, keyed {hours(tube['key_down_s'])}"
    return ", ".join([times, f"{tube['overs']} over{'' if tube['overs'] == 1 else 's'}", *gains])


def _tank(preset: dict[str, Any]) -> str:
    if preset.get("estimate"):
        tune, load = (f"{name} {preset[name]} ±{preset[f'{name}_error']}" for name in ("tune", "load"))
        return f"ESTIMATE, not a preset: {tune}, {load}"
    return f"tune {preset['tune']}, load {preset['load']}"


def _amplifier(amplifier: dict[str, Any]) -> str:
    parts = [amplifier["state"].upper() if amplifier["state"] == "operate" else amplifier["state"]]
    if amplifier["ready_in_s"]:
        parts.append(f"ready in {amplifier['ready_in_s']:.0f} s")
    elif amplifier["next_in_s"]:
        parts.append(f"heater off in {amplifier['next_in_s']:.0f} s")
    if amplifier.get("armed"):
        parts.append("operate follows the warm-up")
    if amplifier["wish"] == "operate" and amplifier["because"]:
        parts.append(f"operate is wished for, but {amplifier['because']}")
    return ", ".join(parts)


def _meters(meters: dict[str, Any]) -> str:
    """Only what is known: a meter that tells nothing is not shown as zero."""
    units = (
        ("forward_w", "W forward"),
        ("reflected_w", "W reflected"),
        ("swr", "SWR"),
        ("drive_w", "W drive"),
        ("gain", "times"),
        ("grid_ma", "mA grid"),
        ("plate_ma", "mA plate"),
        ("plate_v", "V plate"),
        ("temperature_c", "°C"),
    )
    return ", ".join(f"{meters[name]:g} {unit}" for name, unit in units if meters[name] is not None) or "unknown"


def _elsewhere(value: Any, meters: dict[str, Any] | None) -> str:
    """Where the tank stands by its readings, once that is not where it was last sent: somebody has turned it."""
    if not isinstance(value, dict) or meters is None or None in (meters["tune"], meters["load"]):
        return ""
    if (meters["tune"], meters["load"]) == (value["tune"], value["load"]):
        return ""
    return f", now at tune {meters['tune']:g}, load {meters['load']:g}"


def _belief(belief: dict[str, Any], unit: str) -> str:
    value = belief["value"]
    if value is None:
        return f"UNKNOWN: {belief['because']}"
    if isinstance(value, dict):
        estimate = ", an ESTIMATE" if value.get("estimate") else ""
        value = f"tune {value['tune']}, load {value['load']}{estimate}"
    return f"{value}{unit} ({belief['known']})"
