"""Picture: where the tank stands over frequency, for each antenna and band: presets, estimates and gaps."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from qsyd_daemon.pictures.band_plan import MARKS, draw_borders, standing_of, where
from qsyd_daemon.pictures.canvas import (
    BLUE,
    FONT_HEAD,
    FONT_SMALL,
    INK,
    LINE,
    MARGIN,
    WIDTH,
    Anchor,
    Canvas,
    Mark,
    list_rows,
)
from qsyd_daemon.pictures.scale import Scale, axis_below, axis_left
from qsyd_daemon.pictures.text import width
from qsyd_daemon.worksheet import Row
from qsyd_rules.preset import Preset, Presets, PresetStanding
from qsyd_rules.quantity import format_frequency

LEFT, HIGH = 56.0, 110.0
SPAN_LEAST = 10.0
"""A scale of positions spans at least this many steps."""

CAUTION = (
    "Positions in the amplifier's own steps. An estimate is no preset: begin a tune-up there, at reduced drive. "
    "Tuning means high voltage and RF; the amplifier's manual and local code come first."
)


@dataclass(frozen=True, slots=True)
class TankPanel:
    """One antenna on one band, its segments from the lowest up, and what is stored for them."""

    antenna: str
    band: str
    rows: tuple[Row, ...]
    presets: Mapping[str, Preset]
    """By segment."""


@dataclass(frozen=True, slots=True)
class _Place:
    """One marker: where it stands in hertz and steps, and by how many steps that may be off."""

    row: Row
    hz: int
    position: int
    error: int = 0


def tank_panels(rows: Sequence[Row], presets: Presets) -> tuple[tuple[TankPanel, ...], tuple[Preset, ...]]:
    """A panel for each antenna and band that the amplifier serves or that has presets, in order of the rows.

    Beside them the presets that are of no antenna and segment of the station file.
    """
    bands = dict.fromkeys((row.antenna.name, row.segment.band) for row in rows)
    panels = []
    for antenna, band in bands:
        mine = tuple(row for row in rows if (row.antenna.name, row.segment.band) == (antenna, band))
        names = {row.segment.name for row in mine}
        stored = {name: preset for (owner, name), preset in presets.items() if owner == antenna and name in names}
        if stored or any(row.amplified for row in mine):
            panels.append(TankPanel(antenna, band, mine, stored))
    known = {(row.antenna.name, row.segment.name) for row in rows}
    return tuple(panels), tuple(presets[key] for key in sorted(presets) if key not in known)


def tank_picture(station: str, panels: Sequence[TankPanel], others: Sequence[Preset]) -> str:
    """All panels below each other; `others` are presets that belong to no segment of the station file."""
    canvas = Canvas()
    title = f"{station}: where the tank stands over frequency"
    canvas.paragraph(title, FONT_HEAD, bold=True)
    canvas.paragraph(CAUTION, FONT_SMALL)
    for panel in panels:
        canvas.y += LINE
        canvas.line(MARGIN, canvas.y - 4, WIDTH - MARGIN, canvas.y - 4)
        _draw(canvas, panel)
    if others:
        canvas.y += LINE
        canvas.line(MARGIN, canvas.y - 4, WIDTH - MARGIN, canvas.y - 4)
        canvas.paragraph("Stored, but of no antenna and segment of the station file", bold=True)
        stale = MARKS[PresetStanding.STALE]
        list_rows(canvas, [(stale, f"{each.antenna} on {each.segment}: {_positions(each)}") for each in others])
    told = "; ".join(f"{panel.antenna} on {panel.band}: {_summary(panel)}" for panel in panels) or "nothing is stored"
    return canvas.document(title, f"Tune and load positions over frequency, a panel each. {told}")


def _draw(canvas: Canvas, panel: TankPanel) -> None:
    canvas.paragraph(f"{panel.antenna}, {panel.band}", FONT_HEAD, bold=True)
    canvas.paragraph(_summary(panel))
    canvas.y += 4
    _plot(canvas, panel, "tune", lambda preset: preset.tune)
    _plot(canvas, panel, "load", lambda preset: preset.load)
    _legend(canvas, panel)
    canvas.y += 4
    list_rows(canvas, [_listed(row, panel) for row in panel.rows])


def _plot(canvas: Canvas, panel: TankPanel, name: str, position_of: Callable[[Preset], int]) -> None:
    saved = [
        _Place(row, _made_at_hz(row, preset), position_of(preset))
        for row in panel.rows
        if (preset := panel.presets.get(row.segment.name)) is not None
    ]
    likely = [
        _Place(
            row, row.segment.centre_hz, *((fit.tune, fit.tune_error) if name == "tune" else (fit.load, fit.load_error))
        )
        for row in panel.rows
        if (fit := row.estimate) is not None
    ]
    low_hz, high_hz = panel.rows[0].segment.low_hz, panel.rows[-1].segment.high_hz
    canvas.y += LINE * 2
    top, bottom = canvas.y, canvas.y + HIGH
    hertz = Scale(low_hz, high_hz, LEFT, WIDTH - MARGIN)
    steps = _steps(saved + likely, bottom - 22, top + 10)
    canvas.text(MARGIN, top - 20, f"{name}, steps", bold=True)
    if steps is not None:
        axis_left(canvas, steps, LEFT, WIDTH - MARGIN)
    canvas.line(LEFT, top, LEFT, bottom)
    draw_borders(canvas, panel.rows, hertz, top, bottom)
    axis_below(canvas, Scale(low_hz / 1e6, high_hz / 1e6, LEFT, WIDTH - MARGIN), bottom, bottom, "MHz")
    if steps is not None:
        for place in likely:
            _estimate(canvas, place, name, hertz.at(place.hz), steps)
        for place in saved:
            kind, words = standing_of(place.row)
            note = f"{place.row.segment.name}: {name} {place.position}, {words}"
            canvas.mark(kind, hertz.at(place.hz), steps.at(place.position), note)
    _gaps(canvas, panel, hertz, bottom - 8)
    canvas.y = bottom + 34


def _steps(places: Sequence[_Place], start: float, end: float) -> Scale | None:
    """A scale that holds every position with its error; None where there is none."""
    if not places:
        return None
    low = min(place.position - place.error for place in places)
    high = max(place.position + place.error for place in places)
    spare = max(0.0, SPAN_LEAST - (high - low)) / 2
    return Scale(low - spare, high + spare, start, end)


def _estimate(canvas: Canvas, place: _Place, name: str, x: float, steps: Scale) -> None:
    note = f"{place.row.segment.name}: {name} {place.position} ±{place.error}, estimate"
    canvas.mark(Mark.DIAMOND, x, steps.at(place.position), note, BLUE)
    high_y, low_y = steps.at(place.position + place.error), steps.at(place.position - place.error)
    canvas.line(x, high_y, x, low_y, BLUE, 1.25)
    for y in (high_y, low_y):  # wider than the marker, so that a narrow band shows beside it
        canvas.line(x - 9, y, x + 9, y, BLUE, 1.25)


def _gaps(canvas: Canvas, panel: TankPanel, hertz: Scale, y: float) -> None:
    """A cross at the foot of each gap, and the word beside those that leave it room."""
    end = -1.0
    for row in panel.rows:
        if row.standing is not PresetStanding.MISSING:
            continue
        x = hertz.at(row.segment.centre_hz)
        canvas.mark(MARKS[row.standing], x, y, f"{row.segment.name}: missing")
        half = width("missing", FONT_SMALL) / 2
        if 2 * half + 2 <= hertz.at(row.segment.high_hz) - hertz.at(row.segment.low_hz) and x - half > end:
            canvas.text(x, y - 7, "missing", FONT_SMALL, anchor=Anchor.MIDDLE, halo=True)
            end = x + half


def _legend(canvas: Canvas, panel: TankPanel) -> None:
    told = [(MARKS[kind], str(kind)) for kind in PresetStanding]
    used = {standing_of(row)[0] for row in panel.rows}
    lines = [(kind, word, INK) for kind, word in told if kind in used]
    if any(row.estimate is not None for row in panel.rows):
        lines.append((Mark.DIAMOND, "estimate, with its error band", BLUE))
    x = MARGIN
    canvas.y += LINE
    for kind, word, colour in lines:
        if x + 20 + width(word, FONT_SMALL) > WIDTH - MARGIN:
            x, canvas.y = MARGIN, canvas.y + LINE
        canvas.mark(kind, x + 6, canvas.y - 4, word, colour)
        canvas.text(x + 18, canvas.y, word, FONT_SMALL)
        x += 32 + width(word, FONT_SMALL)
    canvas.y += 2


def _made_at_hz(row: Row, preset: Preset) -> int:
    """The centre of the edges that it was saved with, else of its segment."""
    if preset.low_hz is None or preset.high_hz is None:
        return row.segment.centre_hz
    return (preset.low_hz + preset.high_hz) // 2


def _summary(panel: TankPanel) -> str:
    words = [standing_of(row)[1] for row in panel.rows]
    return ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(words))


def _positions(preset: Preset) -> str:
    matching = f", matching {' '.join(str(each) for each in preset.matching)}" if preset.matching else ""
    return f"tune {preset.tune}, load {preset.load}{matching}"


def _listed(row: Row, panel: TankPanel) -> tuple[Mark, str]:
    kind, word = standing_of(row)
    words = f"{where(row)}: {word}"
    preset, fit = panel.presets.get(row.segment.name), row.estimate
    if preset is not None:
        words += f", {_positions(preset)}"
        if row.standing is PresetStanding.STALE and preset.low_hz is not None and preset.high_hz is not None:
            words += f", made for {format_frequency(preset.low_hz)} to {format_frequency(preset.high_hz)}"
    if fit is not None:
        words += f"; estimate tune {fit.tune} ±{fit.tune_error}, load {fit.load} ±{fit.load_error}"
    if not row.amplified:
        words += "; the amplifier does not serve here"
    return kind, words
