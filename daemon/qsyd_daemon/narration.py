"""Events in an operator's words: who, how long after the rig's report, and what, on lines of at most 80 columns.

Nothing here reads a clock or a terminal. Colour only repeats what the words say; the codes are ECMA-48's.
"""

import textwrap
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import Any

COLUMNS = 80
_WHO = 9
_WHEN = 10
_INDENT = _WHO + _WHEN + 2
_TEXT = COLUMNS - _INDENT
_REASON = 70
"""Characters from which on a reason is told without its details: a failure is told in full where it happens, once."""


class Tone(Enum):
    """How a line is coloured on a terminal; the values are parameters of SGR (ECMA-48, 8.3.117)."""

    PLAIN = ""
    OPERATOR = "1"
    RIG = "36"
    HELD = "33"
    FREE = "32"
    TROUBLE = "31"


def narrate(event: Mapping[str, Any], report_s: float | None = None, *, colour: bool = False) -> list[str]:
    """The lines that tell of one event; none for what another event of the same step says already.

    `report_s` is the `at` of the report that the event follows from; without it no time is shown.
    """
    who, tone, text = _told(event)
    if not text:
        return []
    after_ms = None if report_s is None or who == "rig" else (float(event["at"]) - report_s) * 1000
    if after_ms is not None and after_ms < 0:  # it follows from something earlier
        after_ms = None
    return row(who, text, after_ms=after_ms, tone=tone, colour=colour)


def report_of(event: Mapping[str, Any], before_s: float | None) -> float | None:
    """What the times of this event and those after it are counted from, in seconds.

    That is the rig's last report, or the end of the warm-up, if that came later; `before_s` is the answer so far.
    """
    match event["event"]:
        case "link-up" | "frequency" | "keyed" | "unkeyed":
            return float(event["at"])
        case "amplifier" if event["was"] == "warm-up":
            return float(event["at"])
        case _:
            return before_s


def row(
    who: str, text: str, *, after_ms: float | None = None, tone: Tone = Tone.PLAIN, colour: bool = False
) -> list[str]:
    """One thing said, wrapped. Unprintable characters are shown as `?`, so that no text commands a terminal."""
    when = "" if after_ms is None else elapsed(after_ms)
    shown = "".join(character if character.isprintable() else "?" for character in text)
    head = f"{who:<{_WHO}}{when:>{_WHEN}}  "
    lines = textwrap.wrap(shown, _TEXT, initial_indent="", subsequent_indent="", break_on_hyphens=False) or [""]
    return [painted((head if n == 0 else " " * _INDENT) + line, tone, colour=colour) for n, line in enumerate(lines)]


def painted(line: str, tone: Tone, *, colour: bool) -> str:
    """The line in its colour, or as it is."""
    return f"\x1b[{tone.value}m{line}\x1b[0m" if colour and tone.value else line


def elapsed(duration_ms: float) -> str:
    """A time since: `+0.4 ms`, and from ten seconds on `+12.3 s`."""
    return f"+{duration_ms:.1f} ms" if duration_ms < 10_000 else f"+{duration_ms / 1000:.1f} s"


def megahertz(frequency_hz: int) -> str:
    """A frequency as the dial shows it, to 100 Hz, or to the hertz where that says more."""
    digits = 4 if frequency_hz % 100 == 0 else 6
    return f"{frequency_hz / 1_000_000:.{digits}f} MHz"


def _told(event: Mapping[str, Any]) -> tuple[str, Tone, str]:
    """Who says it, in which tone, and what."""
    match event["event"]:
        case "frequency" | "keyed" | "unkeyed" | "link-up" | "link-lost":
            return "rig", *_of_rig(event)
        case "transmit-inhibited":
            return "qsyd", Tone.HELD, f"transmit inhibited: {'; '.join(map(_brief, event['reasons']))}"
        case "command":
            return "qsyd", *_of_command(event)
        case "placed":
            return "qsyd", Tone.PLAIN, _place(event)
        case "change-over-started" | "transmit-released" | "asked":
            return "qsyd", Tone.PLAIN, ""  # said by `transmit-inhibited`, by the release's own answer, and to who asked
        case "change-over-finished":
            where = f"{event['antenna']} on {event['segment']}" if event.get("segment") else "done"
            return "qsyd", Tone.FREE, f"change-over finished in {event['took_ms']:.0f} ms: {where}"
        case "output-failed":
            doing = f" on {event['command']}" if event["command"] else ""
            return "qsyd", Tone.TROUBLE, f"{event['output']} failed{doing}: {event['error']}"
        case "output-recovered":
            return "qsyd", Tone.FREE, f"{event['output']} answers again"
        case "amplifier":
            return "qsyd", Tone.PLAIN, _amplifier(event)
        case "preset-saved":
            return "qsyd", Tone.PLAIN, f"preset saved: {event['antenna']}, {event['segment']}"
        case "preset-missing":
            return "qsyd", Tone.HELD, f"no usable preset for {event['antenna']} on {event['segment']}: barefoot here"
        case "tune-up":
            where = f"{event['antenna']} on {event['segment']}: " if event.get("segment") else ""
            tone = Tone.HELD if event["step"] == "stopped" else Tone.PLAIN
            return "qsyd", tone, f"tune-up: {where}{event['text']}" if event["text"] else ""
        case "fault":
            return "qsyd", Tone.TROUBLE, f"FAULT {event['code']}: {event['detail']}; {event['advice']}"
        case "warning" if event["code"] == "change-over-failed":
            return "qsyd", Tone.TROUBLE, f"warning: {_brief(event['text'])}"
        case "warning":
            return "qsyd", Tone.TROUBLE, f"warning: {event['text']}"
        case "station-started":
            return "qsyd", Tone.PLAIN, f"station {event['station']} started; safe until the rig is heard"
        case "station-stopped":
            return "qsyd", Tone.PLAIN, "station stopped"
        case name:
            return "qsyd", Tone.PLAIN, _other(name, event)


def _of_rig(event: Mapping[str, Any]) -> tuple[Tone, str]:
    match event["event"]:
        case "frequency":
            mode = "" if event["mode"] is None else f", {event['mode']}"
            if event["split"]:
                heard, sent = megahertz(event["frequency_hz"]), megahertz(event["transmit_hz"])
                return Tone.RIG, f"split: listens on {heard}, transmits on {sent}{mode}"
            return Tone.RIG, f"dial on {megahertz(event['frequency_hz'])}{mode}"
        case "keyed":
            return Tone.RIG, "keyed"
        case "unkeyed":
            return Tone.RIG, "unkeyed"
        case "link-up":
            return Tone.RIG, f"rig {event['rig']} answers"
        case _:
            return Tone.TROUBLE, f"rig {event['rig']} lost: {event['reason']}"


def _of_command(event: Mapping[str, Any]) -> tuple[Tone, str]:
    """What a command did, and how well that is known."""
    tone = Tone.PLAIN
    match event["command"]:
        case "inhibit-transmit":
            tone, what = Tone.HELD, "transmit held off"
        case "release-transmit":
            tone, what = Tone.FREE, "transmit released"
        case "amplifier-on":
            what = "heater on"
        case "amplifier-off":
            what = "heater off"
        case "high-voltage-off":
            what = "plate supply off"
        case "amplifier-standby":
            what = "amplifier out of the signal path"
        case "amplifier-operate":
            what = "amplifier into the signal path"
        case "select-antenna":
            what = f"{event['antenna']} on port {event['port']}"
        case "recall-preset":
            what = f"tank to tune {event['tune']}, load {event['load']}"
            if event.get("matching"):
                what += f", matching unit to {' '.join(str(each) for each in event['matching'])}"
        case "limit-drive":
            what = f"drive limited to {event['drive_w']} W"
        case name:
            what = str(name)
    if event["result"] == "failed":
        return Tone.TROUBLE, ""  # said by `output-failed`
    return tone, f"{what}, {event['result']}"


def _place(event: Mapping[str, Any]) -> str:
    if event["antenna"] is None:
        return f"nothing serves {event['segment'] or 'this frequency'}"
    preset = event["preset"]
    tank = "no preset" if preset is None else f"tune {preset['tune']} load {preset['load']}"
    tank += " (estimated)" if preset is not None and preset.get("estimate") else ""
    rules = f", rule {', '.join(event['rules'])}" if event["rules"] else ""
    return f"{event['segment']}: {event['antenna']} port {event['port']}, {tank}{rules}"


def _amplifier(event: Mapping[str, Any]) -> str:
    if event["reason"] in {"changing over", "everything allows it"}:
        return ""  # said by the transfer relay's own answer
    left_s = event["ready_in_s"]
    ready = f", ready in {left_s:.0f} s" if left_s else ""
    return f"amplifier: {event['was']} -> {event['state']} ({event['reason']}){ready}"


def _brief(reason: str) -> str:
    """A long reason without its details: `antenna unknown: switch ...`."""
    what, colon, rest = reason.partition(": ")
    return reason if len(reason) <= _REASON or not colon else f"{what}: {rest.partition(': ')[0]} ..."


def _other(name: str, event: Mapping[str, Any]) -> str:
    """An event this module has no words for, as it is."""
    fields: Iterable[str] = (f"{key} {value}" for key, value in event.items() if key not in {"at", "time", "event"})
    return ": ".join(part for part in (name, ", ".join(fields)) if part)
