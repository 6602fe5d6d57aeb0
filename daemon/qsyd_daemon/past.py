"""What was in force at a moment of the past, and why: the journal's own word, and the rules held against it again.

The journal tells what was read, decided and done. Which rule decided, and why not the other antenna, is judged anew from
the situation that the journal describes, and only where the station file is still the one that was in force. Where the
two do not agree the answer says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qsyd_daemon.api.why import antennas
from qsyd_daemon.explanation import explained
from qsyd_daemon.store.journal_past import JournalPast, Row
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.preset import Preset, Presets, PresetStanding, standing
from qsyd_rules.quantity import minute_of_day
from qsyd_rules.rulebook import Situation
from qsyd_rules.words import AmplifierState, Mode


@dataclass(frozen=True, slots=True)
class Book:
    """A station file: what it means, its digest, and where its rules stand in it."""

    atlas: Atlas
    sha256: str
    rule_lines: Mapping[str, int]
    kept: Path | None = None
    """Where the copy lies, where this is not the file of now but the one that was in force."""

    @property
    def followed(self) -> str:
        """The rig that the station follows."""
        return self.atlas.station.followed


def explain_past(past: JournalPast, book: Book, presets: Presets, now: str | None = None) -> dict[str, Any]:
    """The answer as JSON values; what the journal does not tell is None.

    `presets` are those stored now; `now` is the digest of the file of now, where `book` is another.
    """
    rig = book.followed
    started = past.started
    in_force = past.of("reloaded") or started
    then = None if in_force is None else in_force.get("file_sha256")
    same = None if then is None else then == book.sha256
    answer: dict[str, Any] = {
        "as_of": _mark(past.as_of),
        "journal": {"from": past.first_time, "to": past.last_time},
        "simulated": None if past.simulated is None else past.simulated.get("scenario"),
        "station": None if started is None else started.get("station"),
        "started": _mark(started),
        "stopped": _mark(past.of("station-stopped")),
        "file": {
            "then": then,
            "now": now or book.sha256,
            "same": None if then is None else then == (now or book.sha256),
            "kept": None if book.kept is None else str(book.kept),
        },
        "dial": _dial(past, rig),
        "keyed": _keyed(past, rig),
        "placed": _placed(past, rig),
        "hold": _since(past, "hold-started", "hold-ended"),
        "transmit": _transmit(past),
        "amplifier": past.of("amplifier"),
        "wish": _wish(past),
        "change_over": past.of("change-over-started"),
        "change_over_ended": _change_over_ended(past),
        "fault": _since(past, "fault", "fault-acknowledged"),
        "lockout": _lockout(past),
        "tune_up": _tune_up(past),
        "warnings": list(past.warnings),
        "judged": None,
        "happened": list(past.around),
        "happened_cut": past.cut,
    }
    if same is not False and past.of("station-stopped") is None:
        answer["judged"] = _judged(past, book, presets, answer)
    knows_wishes = any(kind == "asked" for kind, _ in past.newest)
    answer["amplifier_because"] = _amplifier_because(answer, knows_wishes=knows_wishes)
    return answer


def _mark(row: Row | None) -> dict[str, Any] | None:
    return None if row is None else {"sequence": row["sequence"], "time": row.get("time"), "event": row.get("event")}


def _later(one: Row | None, other: Row | None) -> bool:
    """Whether the first came, and after the second."""
    return one is not None and (other is None or one["sequence"] > other["sequence"])


def _since(past: JournalPast, begun: str, ended: str) -> Row | None:
    """What has begun and not ended."""
    row = past.of(begun)
    return row if _later(row, past.of(ended)) else None


def _dial(past: JournalPast, rig: str) -> dict[str, Any] | None:
    """The reading that counts, or the loss of the rig; None before its first word."""
    reading, lost = past.of("frequency", rig), past.of("link-lost", rig)
    if _later(lost, past.of("link-up", rig)):
        return {**(lost or {}), "lost": True}
    return None if reading is None or _later(lost, reading) else {**reading, "lost": False}


def _keyed(past: JournalPast, rig: str) -> dict[str, Any]:
    down, up, lost = past.of("keyed", rig), past.of("unkeyed", rig), past.of("link-lost", rig)
    if _later(lost, down) and _later(lost, up):
        back = past.of("link-up", rig)  # a rig that is lost tells nothing of its key; one that answers keyed is told
        return {"keyed": False if _later(back, lost) else None, "since": _mark(back if _later(back, lost) else lost)}
    return {"keyed": _later(down, up), "since": _mark(down if _later(down, up) else up)}


def _placed(past: JournalPast, rig: str) -> Row | None:
    """The decision in force: each answer of a rig that was lost begins anew."""
    placed = past.of("placed", rig)
    return placed if _later(placed, past.of("link-up", rig)) and not _is_lost(past, rig) else None


def _is_lost(past: JournalPast, rig: str) -> bool:
    return _later(past.of("link-lost", rig), past.of("link-up", rig))


def _transmit(past: JournalPast) -> dict[str, Any]:
    inhibited, released = past.of("transmit-inhibited"), past.of("transmit-released")
    if _later(released, inhibited):
        return {"released": True, "reasons": [], "since": _mark(released)}
    reasons = ["nothing was told yet: the safe state goes out at start"] if inhibited is None else inhibited["reasons"]
    return {"released": False, "reasons": list(reasons), "since": _mark(inhibited or past.started)}


def _wish(past: JournalPast) -> Row | None:
    """The request by which an operator wished to operate, unless something has ended that wish since.

    None also where the journal was written before requests were told in it.
    """
    wished = _newest_of(past.of("asked", "operate"), past.of("asked", "operate-when-ready"))
    ended = _newest_of(
        *(past.of("asked", each) for each in ("standby", "off", "off-now")),
        *(past.of("warning", each) for each in ("lockout", "amplifier-at-its-panel", "amplifier-not-on")),
        past.of("fault"),
    )
    return wished if _later(wished, ended) else None


def _newest_of(*rows: Row | None) -> Row | None:
    return max((row for row in rows if row is not None), key=lambda row: row["sequence"], default=None)


def _lockout(past: JournalPast) -> Row | None:
    begun = past.of("warning", "lockout")
    return begun if _later(begun, past.of("warning", "lockout-ended")) else None


def _tune_up(past: JournalPast) -> Row | None:
    """The step of a tune-up under way."""
    step = past.of("tune-up")
    return None if step is None or step["step"] in {"stopped", "ended"} else step


def _change_over_ended(past: JournalPast) -> Row | None:
    """What ended the newest change-over; None while it is under way, or where there was none."""
    begun = past.of("change-over-started")
    ends = (
        past.of("change-over-finished"),
        past.of("warning", "change-over-failed"),
        past.of("warning", "change-over-abandoned"),
    )
    ended = [row for row in ends if _later(row, begun) and begun is not None and row is not None]
    return min(ended, key=lambda row: row["sequence"], default=None)


def _judged(past: JournalPast, book: Book, presets: Presets, answer: dict[str, Any]) -> dict[str, Any] | None:
    """The rules held anew against what the journal says was so; None where the dial is not known."""
    dial, placed = answer["dial"], answer["placed"]
    if dial is None or dial["lost"]:
        return None
    situation = _situation(past, book, answer)
    stored = _presets_then(placed, presets, book.atlas)
    reached = [(at, book.atlas.place(at, stored)) for at in _near(situation, book.atlas)]
    agreeing = [each for each in reached if placed is not None and _agrees(each[1], placed)]
    at, placement = agreeing[0] if agreeing else reached[0]
    judged = explained(book.atlas, at, placement)
    judged["rules"] = [{**rule, "line": book.rule_lines.get(rule["name"])} for rule in judged["rules"]]
    judged["antennas"] = antennas(book.atlas, placement, at)
    judged["agrees"] = bool(agreeing) if placed is not None else None
    if answer["tune_up"] is not None:
        judged["remark"] = "a tune-up was under way: antenna, drive and tank are its own, past the rules"
        return judged
    judged["remark"] = _remark(placed, dial, agrees=bool(agreeing), drifted=bool(agreeing) and at is not situation)
    return judged


def _situation(past: JournalPast, book: Book, answer: dict[str, Any]) -> Situation:
    dial, placed, hold, amplifier = (answer[key] for key in ("dial", "placed", "hold", "amplifier"))
    state = AmplifierState.OFF if amplifier is None else AmplifierState(amplifier["state"])
    mode = None if dial["mode"] is None else Mode(dial["mode"])
    held = None if hold is None else hold["antenna"]
    return Situation(
        book.followed,
        dial["transmit_hz"],
        mode,
        state,
        bool(answer["keyed"]["keyed"]),
        _minute(placed, dial),
        held=held,
    )


def _minute(placed: Row | None, dial: Row) -> int | None:
    """The hour that the rules were held against: as the decision says, else that of the event before it was told."""
    told = (placed or {}).get("utc")
    if isinstance(told, str):
        return minute_of_day(told)
    time = str((placed or dial).get("time", ""))
    return minute_of_day(time[11:16]) if len(time) > 16 else None


def _near(situation: Situation, atlas: Atlas) -> list[Situation]:
    """The situation, and the same within the hysteresis of the dial on its band: a drift may still count as there."""
    reach_hz = atlas.station.change_over.hysteresis_hz
    here = atlas.segment_at(situation.frequency_hz)
    found = [situation]
    for shift_hz in (-reach_hz - 1, reach_hz):
        there = atlas.segment_at(situation.frequency_hz + shift_hz)
        if here is not None and there is not None and there is not here and there.band == here.band:
            found.append(
                Situation(
                    situation.rig,
                    situation.frequency_hz + shift_hz,
                    situation.mode,
                    situation.amplifier,
                    situation.keyed,
                    situation.minute,
                    held=situation.held,
                )
            )
    return found


def _presets_then(placed: Row | None, presets: Presets, atlas: Atlas) -> Presets:
    """The presets of now, with the one of this place as the decision had it."""
    if placed is None or placed["antenna"] is None or placed["segment"] not in atlas.segments_by_name:
        return presets
    key = (placed["antenna"], placed["segment"])
    segment, stored, had = atlas.segments_by_name[key[1]], presets.get(key), placed["preset"]
    if had is None or had.get("estimate"):
        usable = standing(stored, segment) is PresetStanding.SAVED
        return {name: preset for name, preset in presets.items() if name != key} if usable else presets
    if stored is not None and (stored.tune, stored.load) == (had["tune"], had["load"]):
        return presets
    made_anew = Preset(*key, had["tune"], had["load"], low_hz=segment.low_hz, high_hz=segment.high_hz)
    return {**presets, key: made_anew}


def _agrees(placement: Placement, placed: Row) -> bool:
    judged = (
        placement.segment.name if placement.segment else None,
        placement.antenna.name if placement.antenna else None,
        placement.antenna.port if placement.antenna else None,
    )
    return judged == (placed["segment"], placed["antenna"], placed["port"])


def _remark(placed: Row | None, dial: Row, *, agrees: bool, drifted: bool) -> str | None:
    if placed is None:
        return "no decision is journalled for this reading yet"
    if drifted:
        return f"the dial has drifted out of {placed['segment']} by no more than the hysteresis: nothing moves"
    if agrees:
        return None
    if dial["sequence"] > placed["sequence"]:
        return "the dial has just moved, and what was decided before is still in force"
    return "the rules as they are now decide otherwise than the journal says: something is not as it was then"


def _amplifier_because(answer: dict[str, Any], *, knows_wishes: bool) -> str | None:
    """Why the amplifier is where it is, as far as that can be told. Journals of earlier versions know of no wishes."""
    amplifier, fault, lockout, judged = (answer[key] for key in ("amplifier", "fault", "lockout", "judged"))
    if amplifier is None:
        return "nothing was told of it since the daemon started"
    if fault is not None:
        return f"fault {fault['code']} stands: {fault['detail']}"
    if amplifier["state"] != AmplifierState.STANDBY:
        return str(amplifier["reason"])
    if lockout is not None:
        return str(lockout["text"])
    if answer["change_over"] is not None and answer["change_over_ended"] is None:
        return "a change-over is under way"
    if judged is not None and judged["agrees"] and judged["amplifier"]["state"] == AmplifierState.STANDBY:
        return str(judged["amplifier"]["because"])
    if answer["wish"] is None and knows_wishes:
        return f"nobody wished to operate; it came to standby by: {amplifier['reason']}"
    return str(amplifier["reason"])
