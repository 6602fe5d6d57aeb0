"""What an event of a change-over says, in a line of words."""

from qsyd_daemon.pictures.canvas import Mark
from qsyd_daemon.pictures.change_over import Event, words_of

RESULTS = {
    "confirmed": Mark.DISC,
    "acknowledged": Mark.DIAMOND,
    "assumed": Mark.RING,
    "failed": Mark.CROSS,
}
"""The marker of each result of a command; any other word gets a triangle."""


def result_of(event: Event) -> str:
    """How well a command's end is known."""
    return words_of(event, "result") or "result not told"


def short(event: Event) -> str:
    """A command in a word or two, for beside its marker."""
    match event.get("command"):
        case "select-antenna":
            return f"port {words_of(event, 'port') or '?'}"
        case "recall-preset":
            return f"{words_of(event, 'tune') or '?'}/{words_of(event, 'load') or '?'}"
        case "limit-drive":
            return f"{words_of(event, 'drive_w') or '?'} W"
        case other:
            return str(other).removesuffix("-transmit").removeprefix("amplifier-").replace("-", " ")


def told(event: Event) -> str | None:
    """The event in words; None for what does not belong into the list of a change-over."""
    match event["event"]:
        case "command":
            return _command(event)
        case "transmit-inhibited":
            reasons = event.get("reasons")
            why = "; ".join(str(each) for each in reasons) if isinstance(reasons, list | tuple) else ""
            return f"transmit inhibited{': ' + why if why else ''}"
        case "transmit-released":
            return "transmit released"
        case "keyed" | "unkeyed" as name:
            return f"{name}: {words_of(event, 'rig') or 'a rig'}"
        case "amplifier":
            return f"amplifier {words_of(event, 'state') or '?'}: {words_of(event, 'reason') or 'no reason told'}"
        case "frequency":
            return f"dial at {words_of(event, 'frequency_hz') or '?'} Hz"
        case "output-failed":
            return f"{words_of(event, 'output') or 'an output'} failed: {words_of(event, 'error') or 'no reason told'}"
        case "fault":
            return f"fault {words_of(event, 'code') or '?'}: {words_of(event, 'detail') or ''}"
        case "warning":
            return f"warning: {words_of(event, 'text') or words_of(event, 'code') or '?'}"
        case "preset-missing":
            return f"preset missing: {words_of(event, 'antenna')} on {words_of(event, 'segment')}"
        case "change-over-finished":
            return "change-over finished"
        case _:
            return None


def _command(event: Event) -> str:
    parts = [words_of(event, "command") or "command", f"at {words_of(event, 'output') or 'an output'}"]
    match event.get("command"):
        case "select-antenna":
            parts.append(f"({words_of(event, 'antenna')}, port {words_of(event, 'port')})")
        case "recall-preset":
            kind = "estimate: " if event.get("estimate") is True else ""
            parts.append(f"({kind}tune {words_of(event, 'tune')}, load {words_of(event, 'load')})")
        case "limit-drive":
            parts.append(f"({words_of(event, 'drive_w')} W)")
    error = words_of(event, "error")
    return f"{' '.join(parts)}: {result_of(event)}{', ' + error if error else ''}"
