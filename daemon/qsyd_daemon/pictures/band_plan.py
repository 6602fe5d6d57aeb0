"""The strip of a band: borders of its segments, their names, and what is stored in each."""

from collections.abc import Sequence

from qsyd_daemon.pictures.canvas import FONT_SMALL, INK, Anchor, Canvas, Mark
from qsyd_daemon.pictures.scale import Scale
from qsyd_daemon.pictures.text import width
from qsyd_daemon.worksheet import Row
from qsyd_rules.preset import PresetStanding
from qsyd_rules.quantity import format_frequency

MARKS = {PresetStanding.SAVED: Mark.DISC, PresetStanding.MISSING: Mark.CROSS, PresetStanding.STALE: Mark.TRIANGLE}


def standing_of(row: Row) -> tuple[Mark, str]:
    """The marker and the words for what is stored; a saved preset that no longer fits is stale, still recalled."""
    if row.mark is not None:
        return MARKS[PresetStanding.STALE], "stale, still recalled"
    return MARKS[row.standing], str(row.standing)


def where(row: Row) -> str:
    """The segment's name and edges: `80m/1, 3.500 to 3.600 MHz`."""
    low, high = format_frequency(row.segment.low_hz), format_frequency(row.segment.high_hz)
    return f"{row.segment.name}, {low.removesuffix(' MHz')} to {high}"


def draw_borders(canvas: Canvas, rows: Sequence[Row], scale: Scale, top: float, bottom: float) -> None:
    """Lines at the borders, and names above them: in full where they fit, else by number, else every few."""
    for hz in sorted({row.segment.low_hz for row in rows} | {row.segment.high_hz for row in rows}):
        canvas.line(scale.at(hz), top, scale.at(hz), bottom, INK, 0.75, "1 2")
    names = [row.segment.name for row in rows]
    if not _fits(rows, scale, names):
        names = [name.partition("/")[2] or name for name in names]
    end = -1.0
    for row, name in zip(rows, names, strict=True):
        x, half = scale.at(row.segment.centre_hz), width(name, FONT_SMALL) / 2
        x = min(max(x, scale.start + half - 8), scale.end - half + 8)
        if x - half > end:
            canvas.text(x, top - 7, name, FONT_SMALL, anchor=Anchor.MIDDLE)
            end = x + half + 2


def draw_standing(canvas: Canvas, rows: Sequence[Row], scale: Scale, y: float) -> None:
    """A marker at each segment's centre; the words too, where there is room for every one."""
    words = [standing_of(row)[1] for row in rows]
    in_words = _fits(rows, scale, words)
    for row in rows:
        kind, word = standing_of(row)
        x = scale.at(row.segment.centre_hz)
        canvas.mark(kind, x, y, f"{row.segment.name}: {word}")
        if in_words:
            canvas.text(x, y + 17, word, FONT_SMALL, anchor=Anchor.MIDDLE)


def _fits(rows: Sequence[Row], scale: Scale, words: Sequence[str]) -> bool:
    return all(
        width(word, FONT_SMALL) + 2 <= scale.at(row.segment.high_hz) - scale.at(row.segment.low_hz)
        for row, word in zip(rows, words, strict=True)
    )
