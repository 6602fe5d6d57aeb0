"""One event on one line, for people: `qsyd history` and `qsyd watch`. Standard library only."""

from collections.abc import Mapping
from typing import Any

from qsyd_daemon.narration import narrate

_UNSAID = frozenset({"at", "time", "event", "sequence"})


def in_words(event: Mapping[str, Any]) -> str:
    """What happened; of a decision also why. Nothing in it that a terminal would obey."""
    try:
        said = _said(event)
    except (KeyError, TypeError, ValueError, AttributeError):  # of another version: shown as it is
        said = ""
    text = said or _plainly(event)
    return "".join(character if character.isprintable() else "?" for character in text)


def stamped(event: Mapping[str, Any]) -> str:
    """The same after its time, UTC to the millisecond."""
    return f"{str(event.get('time', '-')).replace('T', ' '):<24}  {in_words(event)}"


def _said(event: Mapping[str, Any]) -> str:
    match event["event"]:
        case "change-over-started":
            return f"change-over to {event['to']['antenna']} on {event['to']['segment']}"
        case "simulated":
            return f"SIMULATED: {event['scenario']} (seed {event['seed']}); nothing of this has happened"
        case "transmit-released":
            return "transmit released: nothing forbids it any more"
        case "hold-started":
            why = f": {event['reason']}" if event["reason"] else ""
            return f"{event['operator']} holds {event['antenna']} until {event['until']}{why}"
        case "reloaded":
            anew = f"; begun anew: {', '.join(event['restarted'])}" if event["restarted"] else ""
            return f"station file in force: {'; '.join(event['changed'])}{anew}"
        case "hold-ended":
            return f"hold of {event['antenna']} ended: {event['because']}"
        case "fault-acknowledged":
            why = f": {event['reason']}" if event["reason"] else ""
            return f"{event['operator']} acknowledged fault {event['code']}{why}"
        case "tune-up":
            return f"tune-up: {event['text']}"
        case "notice":
            return f"notice of rule “{event['rule']}”: {event['text']}"
        case "tube-replaced":
            return f"{event['operator']} began the account of a new tube: {event['reason']}"
        case "asked":
            answer = "" if event["accepted"] else "refused: "
            return f"{event['operator']} asked for amplifier {event['request']}: {answer}{event['text']}"
        case "amplifier":
            return f"amplifier: {event['was']} -> {event['state']}: {event['reason']}"
        case "placed":
            return f"placed {_placed(event)}"
        case _:
            return _joined(event)


def _placed(event: Mapping[str, Any]) -> str:
    """Where, then why there; rules that decided something else besides come last."""
    because, rules = event.get("because"), event["rules"]
    if not because:
        return _joined(event)
    also = ", ".join(f"“{name}”" for name in rules if f"“{name}”" not in because)
    return "; ".join([_joined({**event, "rules": []}), because, *([f"also rule {also}"] if also else [])])


def _joined(event: Mapping[str, Any]) -> str:
    words = " ".join(" ".join(narrate({key: event[key] for key in event if key != "sequence"})).split())
    return words.removeprefix("qsyd ").removeprefix("rig ")


def _plainly(event: Mapping[str, Any]) -> str:
    fields = (f"{key} {value}" for key, value in event.items() if key not in _UNSAID)
    return ": ".join(part for part in (str(event.get("event", "?")), ", ".join(fields)) if part)
