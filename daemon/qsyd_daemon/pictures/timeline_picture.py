"""Picture: change-overs as time lines, a row each for permit, amplifier, antenna, tank, drive and key.

Drawn is what the events tell, and nothing else. A `command` event comes when the command has ended at every output; when it
left, and when this output answered, is known where the event tells how long it took (`took_ms`). Events of earlier versions
do not, and settling is not told at all. The picture says so.
"""

from collections.abc import Sequence

from qsyd_daemon.pictures.canvas import (
    FONT_HEAD,
    FONT_SMALL,
    LINE,
    MARGIN,
    ROOM,
    WIDTH,
    Anchor,
    Canvas,
    Mark,
    list_rows,
)
from qsyd_daemon.pictures.change_over import ChangeOver, Event, number_of, words_of
from qsyd_daemon.pictures.scale import Scale, axis_below
from qsyd_daemon.pictures.text import shortened, width
from qsyd_daemon.pictures.timeline_words import RESULTS, result_of, short, told

HATCH_HIGH, COMMAND_HIGH, NAME_HIGH = 14.0, 14.0, 16.0
LANES = {
    "transmit permit": ("inhibit-transmit", "release-transmit"),
    "amplifier line": (
        "amplifier-standby",
        "amplifier-operate",
        "amplifier-on",
        "amplifier-off",
        "high-voltage-off",
    ),
    "antenna": ("select-antenna",),
    "tank": ("recall-preset",),
    "drive": ("limit-drive",),
    "key": (),
}
"""The rows from the top, and the commands of each."""
UNTOLD = "2 3"
Span = tuple[float, float, str]
"""From and to, in milliseconds since the beginning, and what was so."""


def timeline_picture(title: str, change_overs: Sequence[ChangeOver]) -> str:
    """All of them below each other, as they came."""
    canvas = Canvas()
    canvas.paragraph(title, FONT_HEAD, bold=True)
    canvas.paragraph(f"{len(change_overs)} change-over{'' if len(change_overs) == 1 else 's'}, from the events.")
    for each in change_overs:
        canvas.y += LINE
        canvas.line(MARGIN, canvas.y - 4, WIDTH - MARGIN, canvas.y - 4)
        _draw(canvas, each)
    summaries = "; ".join(f"{_heading(each)}: {_total(each)}" for each in change_overs) or "No change-over happened"
    return canvas.document(title, f"Time lines of change-overs, in milliseconds. {summaries}")


def _heading(change_over: ChangeOver) -> str:
    origin = change_over.origin or "nothing known"
    return f"{change_over.number}. {origin} to {change_over.target}"


def _total(change_over: ChangeOver) -> str:
    if change_over.took_ms is None:
        return f"{change_over.end}, after {_ms(change_over, change_over.ended_s):.1f} ms"
    return f"{change_over.end}, {change_over.took_ms:.1f} ms in all"


def _draw(canvas: Canvas, change_over: ChangeOver) -> None:
    canvas.paragraph(_heading(change_over), bold=True)
    when = f"; began {change_over.time}" if change_over.time else ""
    canvas.paragraph(f"{_total(change_over)}{when}")
    commands = [event for event in change_over.events if event["event"] == "command"]
    total_ms = max(_ms(change_over, change_over.ended_s), 1.0)
    first_ms = min([0.0, *(left for event in commands if (left := _left_ms(change_over, event)) is not None)])
    across = Scale(max(first_ms, -total_ms), total_ms, MARGIN + 6, WIDTH - MARGIN - 6)  # room for half a marker
    states = _states(change_over, across.low)
    tops = _tops(canvas.y + 4, states)
    bottom = tops[-1]
    canvas.y = bottom + 40
    axis_below(canvas, across, tops[0] + NAME_HIGH, bottom, "ms since it began")
    if across.low < 0:
        canvas.line(across.at(0), tops[0] + NAME_HIGH, across.at(0), bottom, dash="4 2")
    for top, (name, mine) in zip(tops, LANES.items(), strict=False):
        _lane(canvas, top, name, states.get(name), across)
        y = top + NAME_HIGH + (HATCH_HIGH + 2 if name in states else 0)
        sent = [event for event in commands if event.get("command") in mine]
        for event in sent:
            _command(canvas, change_over, event, across, y)
        _label(canvas, change_over, sent, across, y + 11)
    _legend(canvas, change_over, commands)
    canvas.y += 4
    list_rows(canvas, _listed(change_over))


def _tops(top: float, states: dict[str, list[Span]]) -> list[float]:
    """Where each row begins, and the end of the last."""
    tops = [top]
    for name, commands in LANES.items():
        top += NAME_HIGH + (HATCH_HIGH + 2 if name in states else 0) + (COMMAND_HIGH + 2 if commands else 0) + 2
        tops.append(top)
    return tops


def _lane(canvas: Canvas, top: float, name: str, spans: list[Span] | None, across: Scale) -> None:
    canvas.text(
        MARGIN, top + 12, name if spans != [] else f"{name}: {_NOTHING[name]}", FONT_SMALL, bold=True, halo=True
    )
    for begin, end, what in spans or []:
        x, wide = across.at(begin), max(across.at(end) - across.at(begin), 2.0)
        x = min(x, across.end - wide)
        shaded = what in ("inhibited", "keyed")
        canvas.box(x, top + NAME_HIGH, wide, HATCH_HIGH, "hatch" if shaded else "none")
        words = shortened(what, FONT_SMALL, wide - 6)
        if width(what, FONT_SMALL) + 6 <= wide or len(words) > 3:
            canvas.text(x + 4, top + NAME_HIGH + 11, words, FONT_SMALL, halo=True)
    canvas.line(MARGIN, top, WIDTH - MARGIN, top, thick=0.5)


_NOTHING = {"transmit permit": "no inhibit told", "amplifier line": "state not told", "key": "no key-down told"}


def _command(canvas: Canvas, change_over: ChangeOver, event: Event, across: Scale, y: float) -> None:
    """From leaving to its end; a dotted line from the beginning where its leaving is not told."""
    at_ms, left_ms = _answered_ms(change_over, event), _left_ms(change_over, event)
    x, middle = across.at(at_ms), y + COMMAND_HIGH / 2
    if left_ms is None:
        canvas.line(across.at(0), middle, x, middle, dash=UNTOLD)
    else:
        canvas.box(across.at(left_ms), y + 3, max(x - across.at(left_ms), 1.0), COMMAND_HIGH - 6, "#dddddd")
    note = f"{event['command']}: {result_of(event)} at {at_ms:.1f} ms"
    canvas.mark(RESULTS.get(result_of(event), Mark.TRIANGLE), x, middle, note)


def _label(canvas: Canvas, change_over: ChangeOver, sent: Sequence[Event], across: Scale, y: float) -> None:
    """Beside each marker what it was and when, wherever that fits between its neighbours."""
    ends = {_answered_ms(change_over, event): event for event in sent}
    places = [MARGIN, *(across.at(at_ms) for at_ms in sorted(ends)), WIDTH - MARGIN]
    free = MARGIN
    for at_ms, before, x, after in zip(sorted(ends), places, places[1:], places[2:], strict=False):
        words = shortened(f"{short(ends[at_ms])} {at_ms:.1f}", FONT_SMALL, ROOM / 2)
        wide = width(words, FONT_SMALL)
        left_ms = _left_ms(change_over, ends[at_ms])
        bar_x = x if left_ms is None else min(x, across.at(left_ms))
        if x + 8 + wide + 6 <= after:
            canvas.text(x + 8, y, words, FONT_SMALL, halo=True)
            free = x + 8 + wide
        elif bar_x - 8 - wide >= max(before + 8, free + 4):
            canvas.text(bar_x - 8, y, words, FONT_SMALL, anchor=Anchor.END, halo=True)


def _states(change_over: ChangeOver, first_ms: float) -> dict[str, list[Span]]:
    """Spans of permit, amplifier and key; from before the beginning where something was so already."""
    end_ms = max(_ms(change_over, change_over.ended_s), 1.0)
    permit = _Spans(first_ms, "inhibited" if change_over.inhibited_before else None)
    amplifier = _Spans(first_ms, change_over.amplifier_before)
    key = _Spans(first_ms, "keyed" if change_over.keyed_before else None)
    for event in change_over.events:
        if "at" not in event:
            continue
        at_ms = _ms(change_over, float(event["at"]))
        match event["event"]:
            case "transmit-inhibited":
                permit.turn(at_ms, "inhibited")
            case "transmit-released":
                permit.turn(at_ms, None)
            case "keyed":
                key.turn(at_ms, "keyed")
            case "unkeyed":
                key.turn(at_ms, None)
            case "amplifier":
                amplifier.began_as(words_of(event, "was"))
                amplifier.turn(at_ms, words_of(event, "state"))
    return {
        "transmit permit": permit.ended(end_ms),
        "amplifier line": amplifier.ended(end_ms),
        "key": key.ended(end_ms),
    }


class _Spans:
    """What was so, one after the other."""

    def __init__(self, first_ms: float, what: str | None) -> None:
        self._since_ms, self._what = first_ms, what
        self._spans: list[Span] = []
        self._turned = False

    def began_as(self, what: str | None) -> None:
        """What was so before the first turn, where nothing had told it."""
        if not self._turned and self._what is None:
            self._what = what

    def turn(self, at_ms: float, what: str | None) -> None:
        """Something else is so from now."""
        self._turned = True
        if what == self._what:
            return
        self._close(at_ms)
        self._since_ms, self._what = at_ms, what

    def ended(self, at_ms: float) -> list[Span]:
        """All spans, the last until now."""
        self._close(at_ms)
        return self._spans

    def _close(self, at_ms: float) -> None:
        if self._what is not None and at_ms > self._since_ms:
            self._spans.append((self._since_ms, at_ms, self._what))


def _legend(canvas: Canvas, change_over: ChangeOver, commands: Sequence[Event]) -> None:
    x = MARGIN
    for result in dict.fromkeys(result_of(event) for event in commands):
        words = shortened(result, FONT_SMALL, ROOM / 2)
        if x + 30 + width(words, FONT_SMALL) > WIDTH - MARGIN:
            x, canvas.y = MARGIN, canvas.y + LINE
        canvas.mark(RESULTS.get(result, Mark.TRIANGLE), x + 6, canvas.y + 9, result)
        canvas.text(x + 18, canvas.y + 13, words, FONT_SMALL)
        x += 32 + width(words, FONT_SMALL)
    canvas.y += LINE + 2 if commands else 0
    lefts = [_left_ms(change_over, event) for event in commands]
    if any(left is not None for left in lefts):
        canvas.paragraph("Grey bar: from a command's leaving to its answer.", FONT_SMALL)
    if None in lefts:
        canvas.paragraph("Dotted: when the command left is not told; its answer came at the marker.", FONT_SMALL)
    canvas.paragraph("Not told: how long a device settled after its answer, and when it really moved.", FONT_SMALL)
    dropped = sum(event["event"] == "events-dropped" for event in change_over.events)
    if dropped:
        canvas.paragraph("Events were dropped meanwhile: something may be missing here.", FONT_SMALL, bold=True)


def _listed(change_over: ChangeOver) -> list[tuple[Mark | None, str]]:
    rows: list[tuple[Mark | None, str]] = []
    for event in change_over.events:
        words = told(event)
        if words is None or "at" not in event:
            continue
        left_ms = _left_ms(change_over, event)
        left = "" if left_ms is None else f" (left at {left_ms:.1f})"
        mark = RESULTS.get(result_of(event), Mark.TRIANGLE) if event["event"] == "command" else None
        rows.append((mark, f"{_ms(change_over, float(event['at'])):.1f} ms {words}{left}"))
    return rows


def _ms(change_over: ChangeOver, at_s: float) -> float:
    return (at_s - change_over.begun_s) * 1000 + 0.0


def _left_ms(change_over: ChangeOver, event: Event) -> float | None:
    """When a command left, where its event tells how long it took; it left for all its outputs at once."""
    if event["event"] != "command" or number_of(event, "took_ms") is None:
        return None
    same = (event.get("command"), event["at"])
    took = [
        number_of(each, "took_ms") or 0.0
        for each in change_over.events
        if each["event"] == "command" and (each.get("command"), each.get("at")) == same
    ]
    return _ms(change_over, float(event["at"])) - max(took)


def _answered_ms(change_over: ChangeOver, event: Event) -> float:
    """When this output answered, where that is told; else when the command had ended at all of them."""
    left_ms, took_ms = _left_ms(change_over, event), number_of(event, "took_ms")
    return _ms(change_over, float(event["at"])) if left_ms is None or took_ms is None else left_ms + took_ms
