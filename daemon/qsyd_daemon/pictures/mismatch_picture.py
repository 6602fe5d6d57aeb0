"""Picture: what mismatch the tube sees over a band when the tank is tuned at each segment's centre and left alone."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil

from qsyd_daemon.pictures.band_plan import draw_borders, draw_standing, standing_of, where
from qsyd_daemon.pictures.canvas import (
    BLUE,
    FONT_HEAD,
    FONT_SMALL,
    INK,
    LINE,
    MARGIN,
    RUST,
    WIDTH,
    Canvas,
    Mark,
    Point,
    list_rows,
)
from qsyd_daemon.pictures.scale import Scale, axis_below, axis_left
from qsyd_daemon.worksheet import Row
from qsyd_rules.over import reflection, swr_of
from qsyd_rules.preset import Preset, Presets
from qsyd_rules.quantity import format_frequency
from qsyd_rules.segment_advice import Advice, Resonator, Source, tube_swr

LEFT, HIGH = 40.0, 170.0
SWR_TOP_LEAST, SWR_TOP_MOST = 2.0, 6.0
SAMPLES = 24
"""Steps in which a segment's curve is drawn: below three units each, even where one segment is the whole band."""
TOGETHER, ANTENNA, LIMIT = "6 3", "2 3", "8 3 2 3"

HONESTLY = (
    "Calculated from the station file and the stored presets, not measured at the tube. Where this says 1.4 a pi tank "
    "may be up to 0.06 worse, and more where it is far off."
)
"""Held against a solved pi in the tests: the closed formula is of a series circuit, which a pi is not."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One antenna on one band: its segments from the lowest up, their presets, and what is known of the antenna."""

    advice: Advice
    rows: tuple[Row, ...]
    stored: tuple[tuple[Row, Preset], ...]
    loaded_q: Fraction


def panels(advice: Sequence[Advice], rows: Sequence[Row], presets: Presets, loaded_q: Fraction) -> tuple[Panel, ...]:
    """One for each antenna and band that the advice speaks of, in its order."""
    made = []
    for each in advice:
        mine = tuple(row for row in rows if (row.antenna.name, row.segment.band) == (each.antenna, each.band))
        stored = tuple(
            (row, preset) for row in mine if (preset := presets.get((each.antenna, row.segment.name))) is not None
        )
        made.append(Panel(each, mine, stored, loaded_q))
    return tuple(made)


def mismatch_picture(station: str, panels: Sequence[Panel]) -> str:
    """All panels below each other, so that a phone can scroll them."""
    canvas = Canvas()
    title = f"{station}: mismatch over each band"
    canvas.paragraph(title, FONT_HEAD, bold=True)
    canvas.paragraph(HONESTLY, FONT_SMALL)
    for panel in panels:
        canvas.y += LINE
        canvas.line(MARGIN, canvas.y - 4, WIDTH - MARGIN, canvas.y - 4)
        _draw(canvas, panel)
    told = "; ".join(
        f"{panel.advice.antenna} on {panel.advice.band}: {len(panel.rows)} segments, {_worst(panel.advice)}"
        for panel in panels
    )
    return canvas.document(title, f"SWR that the tube may see over frequency, a panel each. {told}")


def curve(
    row: Row, loaded_q: Fraction, circuit: Resonator | None, samples: int = SAMPLES
) -> tuple[tuple[float, float], ...]:
    """Hertz and SWR from the lower to the upper edge of a segment, both included: `segment_advice.tube_swr`."""
    low_hz, high_hz, centre_hz = row.segment.low_hz, row.segment.high_hz, row.segment.centre_hz
    hertz = [low_hz + (high_hz - low_hz) * step / samples for step in range(samples + 1)]
    return tuple((hz, tube_swr(hz, centre_hz, loaded_q, circuit)) for hz in hertz)


def preset_swr(preset: Preset) -> float | None:
    """SWR of the readings a preset was saved with; None where there are none, or all came back."""
    rho = reflection(preset.forward_w, preset.reflected_w)
    return None if rho is None or rho >= 1 else swr_of(rho)


def _draw(canvas: Canvas, panel: Panel) -> None:
    advice, rows, circuit = panel.advice, panel.rows, panel.advice.resonator
    canvas.paragraph(f"{advice.antenna}, {advice.band}", FONT_HEAD, bold=True)
    canvas.paragraph(_worst(advice))
    together = [curve(row, panel.loaded_q, circuit) for row in rows] if circuit is not None else []
    alone = [curve(row, panel.loaded_q, None) for row in rows]
    points = [(_hz(row, preset), swr) for row, preset in panel.stored if (swr := preset_swr(preset)) is not None]
    antenna = _antenna_curve(rows, circuit)
    highest = max([*(swr for part in (*alone, *together) for _, swr in part), *(swr for _, swr in points)], default=1.0)
    top_swr = min(max(SWR_TOP_LEAST, ceil(highest * 2 + 0.2) / 2, advice.wanted_swr + 0.2), SWR_TOP_MOST)
    canvas.y += LINE + 8
    top, bottom = canvas.y, canvas.y + HIGH
    across = Scale(rows[0].segment.low_hz / 1e6, rows[-1].segment.high_hz / 1e6, LEFT, WIDTH - MARGIN)
    hertz = Scale(rows[0].segment.low_hz, rows[-1].segment.high_hz, LEFT, WIDTH - MARGIN)
    up = Scale(1.0, top_swr, bottom, top)
    axis_left(canvas, up, LEFT, WIDTH - MARGIN)
    draw_borders(canvas, rows, hertz, top, bottom)
    axis_below(canvas, across, bottom, bottom, "MHz")
    limit_y = up.at(advice.wanted_swr)
    canvas.line(LEFT, limit_y, WIDTH - MARGIN, limit_y, RUST, 1.25, LIMIT)
    canvas.text(LEFT + 4, limit_y - 6, f"edge_swr {advice.wanted_swr:g}", FONT_SMALL, colour=RUST, halo=True)
    for part in _within([antenna], top_swr):
        canvas.curve(_placed(part, hertz, up), RUST, 1.5, ANTENNA, "antenna")
    for part in _within(alone, top_swr):
        canvas.curve(_placed(part, hertz, up), INK, 1.75, kind="tank")
    for part in _within(together, top_swr):
        canvas.curve(_placed(part, hertz, up), BLUE, 1.5, TOGETHER, "together")
    for hz, swr in points:
        note = f"SWR {swr:.2f} with the preset" + (" (above the scale)" if swr > top_swr else "")
        canvas.mark(Mark.SQUARE, hertz.at(hz), up.at(swr), note, RUST)
    canvas.text(MARGIN, top - 9, "SWR", FONT_SMALL)
    draw_standing(canvas, rows, hertz, bottom + 42)
    canvas.y = bottom + 64
    _legend(canvas, panel, bool(points))
    if any(swr > top_swr for part in (*alone, *together, antenna) for _, swr in part) or highest > top_swr:
        canvas.paragraph(f"What is above {top_swr:g} is not drawn; points stand at the upper edge.", FONT_SMALL)
    canvas.y += 4
    list_rows(canvas, [_listed(row, dict(_by_name(panel))) for row in rows])


def _antenna_curve(rows: Sequence[Row], circuit: Resonator | None) -> tuple[tuple[float, float], ...]:
    if circuit is None:
        return ()
    low_hz, high_hz = rows[0].segment.low_hz, rows[-1].segment.high_hz
    hertz = [low_hz + (high_hz - low_hz) * step / 96 for step in range(97)]
    return tuple((hz, circuit.swr(hz)) for hz in hertz)


def _within(curves: Sequence[Sequence[tuple[float, float]]], top_swr: float) -> list[list[tuple[float, float]]]:
    """The stretches of curves below the top of the scale; the last piece up to the top is left out."""
    parts: list[list[tuple[float, float]]] = []
    for each in curves:
        part: list[tuple[float, float]] = []
        for hz, swr in each:
            if swr <= top_swr:
                part.append((hz, swr))
            elif part:
                parts.append(part)
                part = []
        if part:
            parts.append(part)
    return [part for part in parts if len(part) > 1]


def _placed(part: Sequence[tuple[float, float]], hertz: Scale, up: Scale) -> list[Point]:
    return [(hertz.at(hz), up.at(swr)) for hz, swr in part]


def _legend(canvas: Canvas, panel: Panel, measured: bool) -> None:
    advice = panel.advice
    lines = [(INK, 1.75, "", f"tank alone, loaded Q {float(panel.loaded_q):g}, tuned at each centre")]
    if advice.resonator is not None:
        lines.append((BLUE, 1.5, TOGETHER, "tank and antenna together, at worst"))
        measured_at = f"fitted to {advice.points} presets"
        known = measured_at if advice.source is Source.MEASURED else "as the station file has it"
        lines.append((RUST, 1.5, ANTENNA, f"the antenna's own SWR, {known}"))
    lines.append((RUST, 1.25, LIMIT, f"edge_swr {advice.wanted_swr:g}, what an edge should keep to"))
    for colour, thick, dash, words in lines:
        top = canvas.y
        canvas.paragraph(words, FONT_SMALL, indent=34)
        canvas.line(MARGIN, top + 9, MARGIN + 28, top + 9, colour, thick, dash)
    if measured:
        top = canvas.y
        canvas.paragraph("SWR read when a preset was saved", FONT_SMALL, indent=34)
        canvas.mark(Mark.SQUARE, MARGIN + 14, top + 9, "a preset's SWR", RUST)
    if advice.resonator is None:
        canvas.paragraph("Nothing is known of the antenna's own SWR; what it adds is not in these curves.", FONT_SMALL)


def _worst(advice: Advice) -> str:
    return f"worst edge SWR {advice.edge_swr:.2f}, wanted {advice.wanted_swr:g}"


def _hz(row: Row, preset: Preset) -> float:
    """Where the preset was made: the centre of the edges it was saved with, else of its segment."""
    if preset.low_hz is None or preset.high_hz is None:
        return row.segment.centre_hz
    return (preset.low_hz + preset.high_hz) / 2


def _by_name(panel: Panel) -> list[tuple[str, Preset]]:
    return [(row.segment.name, preset) for row, preset in panel.stored]


def _listed(row: Row, stored: dict[str, Preset]) -> tuple[Mark, str]:
    kind, word = standing_of(row)
    preset = stored.get(row.segment.name)
    words = f"{where(row)}: {word}"
    if preset is None:
        return kind, words
    if preset.low_hz is not None and preset.high_hz is not None and word == "stale":
        words += f", made for {format_frequency(preset.low_hz)} to {format_frequency(preset.high_hz)}"
    swr = preset_swr(preset)
    if swr is not None:
        return kind, f"{words}, SWR {swr:.2f}"
    everything = preset.forward_w is not None and preset.reflected_w is not None and preset.forward_w > 0
    return kind, f"{words}, as much came back as went out" if everything else f"{words}, SWR not known"
