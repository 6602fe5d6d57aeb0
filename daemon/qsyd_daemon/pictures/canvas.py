"""A sheet of SVG elements, each added in words a drawing thinks in."""

from collections.abc import Iterable, Sequence
from enum import StrEnum

from qsyd_daemon.pictures.text import safe, wrapped

WIDTH = 360
MARGIN = 10.0
ROOM = WIDTH - 2 * MARGIN
FONT, FONT_SMALL, FONT_HEAD = 12.0, 11.0, 15.0
LINE = 16.0
"""From one line of text to the next."""
INK, GREY, BLUE, RUST, PAPER = "#111111", "#bbbbbb", "#0b4a8f", "#8f3a00", "#ffffff"
HATCH = "hatch"
"""A fill of slanted lines."""

Point = tuple[float, float]


class Anchor(StrEnum):
    """Which part of a text stands at its place."""

    START = "start"
    MIDDLE = "middle"
    END = "end"


class Mark(StrEnum):
    """Shapes that can be told apart without colour."""

    DISC = "disc"
    CROSS = "cross"
    TRIANGLE = "triangle"
    DIAMOND = "diamond"
    RING = "ring"
    SQUARE = "square"


class Canvas:
    """Elements in the order they were added. `y` is where the next line of running text would stand."""

    def __init__(self) -> None:
        self.y = MARGIN
        self._parts: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, colour: str = INK, thick: float = 1, dash: str = ""
    ) -> None:
        """A straight line; `dash` as lengths of strokes and gaps."""
        ends = f'x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"'
        self._parts.append(f'<line {ends} stroke="{colour}" stroke-width="{_n(thick)}"{_dash(dash)}/>')

    def curve(self, points: Sequence[Point], colour: str, thick: float, dash: str = "", kind: str = "curve") -> None:
        """A line through points."""
        path = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._parts.append(
            f'<polyline class="{kind}" points="{path}" fill="none" stroke="{colour}" stroke-width="{_n(thick)}"'
            f"{_dash(dash)}/>"
        )

    def box(self, x: float, y: float, wide: float, high: float, fill: str, edge: str = INK, dash: str = "") -> None:
        """A rectangle; `fill` is a colour, `none` or `HATCH`."""
        fill = f"url(#{HATCH})" if fill == HATCH else fill
        place = f'x="{_n(x)}" y="{_n(y)}" width="{_n(wide)}" height="{_n(high)}"'
        self._parts.append(f'<rect {place} fill="{fill}" stroke="{edge}" stroke-width="1"{_dash(dash)}/>')

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = FONT,
        *,
        anchor: Anchor = Anchor.START,
        bold: bool = False,
        colour: str = INK,
        halo: bool = False,
    ) -> None:
        """One line of text, its baseline at `y`; with a `halo` of paper where it stands on lines."""
        weight = ' font-weight="bold"' if bold else ""
        weight += f' stroke="{PAPER}" stroke-width="3" paint-order="stroke"' if halo else ""
        at = f'x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}" text-anchor="{anchor}"'
        self._parts.append(f'<text {at}{weight} fill="{colour}">{safe(words)}</text>')

    def paragraph(self, words: str, size: float = FONT, *, bold: bool = False, indent: float = 0.0) -> None:
        """Running text at `y`, wrapped; moves `y` past it. Bold letters are counted a tenth wider."""
        for part in wrapped(words, size * (1.1 if bold else 1.0), ROOM - indent):
            self.y += size + 4
            self.text(MARGIN + indent, self.y - 3, part, size, bold=bold)

    def mark(self, kind: Mark, x: float, y: float, note: str, colour: str = INK) -> None:
        """A marker around a point; `note` is told to whoever points at it, or hears the picture."""
        self._parts.append(f'<g class="{kind}"><title>{safe(note)}</title>{_shape(kind, x, y, colour)}</g>')

    def document(self, title: str, description: str) -> str:
        """All of it as one SVG document, as high as `y` has come."""
        high = round(self.y + MARGIN)
        return "\n".join((*_head(title, description, high), *self._parts, "</svg>", ""))


def _head(title: str, description: str, high: int) -> tuple[str, ...]:
    """What comes before the drawing: what it shows in words, the hatching, and the paper."""
    size = (
        f'viewBox="0 0 {WIDTH} {high}" width="{WIDTH}" height="{high}" style="width:100%;max-width:720px;height:auto"'
    )
    role = 'role="img" aria-labelledby="title description" font-family="sans-serif"'
    pattern = f'id="{HATCH}" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"'
    stroke = f'<line x1="0" y1="0" x2="0" y2="5" stroke="{INK}" stroke-width="1.5"/>'
    return (
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} {role}>',
        f'<title id="title">{safe(title)}</title>',
        f'<desc id="description">{safe(description)}</desc>',
        f'<defs><pattern {pattern}><rect width="5" height="5" fill="{PAPER}"/>{stroke}</pattern></defs>',
        f'<rect width="{WIDTH}" height="{high}" fill="{PAPER}"/>',
    )


def list_rows(canvas: Canvas, rows: Iterable[tuple[Mark | None, str]]) -> None:
    """Lines of text, each with its marker before it; a long one is wrapped beside its marker."""
    for kind, words in rows:
        top = canvas.y
        canvas.paragraph(words, indent=18)
        if kind is not None:
            canvas.mark(kind, MARGIN + 6, top + 9, words)


def _shape(kind: Mark, x: float, y: float, colour: str) -> str:
    pen = f'stroke="{colour}" stroke-width="1.5"'
    match kind:
        case Mark.DISC | Mark.RING:
            fill = colour if kind is Mark.DISC else PAPER
            return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="4" fill="{fill}" {pen}/>'
        case Mark.CROSS:
            return f'<path d="M{_n(x - 4)} {_n(y - 4)}l8 8m0 -8l-8 8" fill="none" {pen}/>'
        case Mark.TRIANGLE:
            return f'<path d="M{_n(x)} {_n(y - 5)}l5 9h-10z" fill="{PAPER}" {pen}/>'
        case Mark.DIAMOND:
            return f'<path d="M{_n(x)} {_n(y - 5)}l5 5l-5 5l-5 -5z" fill="{PAPER}" {pen}/>'
        case Mark.SQUARE:
            return f'<rect x="{_n(x - 4)}" y="{_n(y - 4)}" width="8" height="8" fill="{colour}" {pen}/>'


def _dash(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""


def _n(value: float) -> str:
    """At most two decimals, and never a negative zero: the same input gives the same bytes."""
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")
