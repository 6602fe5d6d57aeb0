"""Picture: what recalling presets is worth, jump by jump: mismatch at the first key-down, and time to a good tune."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log10
from statistics import median

from qsyd_daemon.pictures.canvas import (
    BLUE,
    FONT_HEAD,
    FONT_SMALL,
    GREY,
    INK,
    LINE,
    MARGIN,
    RUST,
    WIDTH,
    Anchor,
    Canvas,
    Mark,
    list_rows,
)
from qsyd_daemon.pictures.scale import Scale, axis_left
from qsyd_rules.quantity import format_frequency

JUMPS_DRAWN_MAX = 60
"""More columns than this would lie one over the other."""
LEFT, HIGH = 52.0, 150.0
WITH_X = 262.0
"""Where the column of figures with presets ends; that without ends at the margin."""
SWR_TOP = 1_000.0
"""Beyond this a mismatch stands at the top: what it is then is a matter of the last digit of a short circuit."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One jump on one side: SWR that the tube saw at the first key-down, and seconds keyed until the tune was good."""

    frequency_hz: int
    swr: float
    tuned_s: float
    """As long as was waited, where the tune never was good."""
    tripped: bool


@dataclass(frozen=True, slots=True)
class Trial:
    """The same jumps on both sides. `good_swr` is a good tune, `waited_s` how long one was waited for."""

    recalled: tuple[Tried, ...]
    left: tuple[Tried, ...]
    good_swr: float
    waited_s: float


def recall_picture(title: str, trial: Trial) -> str:
    """Two panels with the jumps in the same order: the least mismatch without presets first."""
    canvas = Canvas()
    canvas.paragraph(title, FONT_HEAD, bold=True)
    canvas.paragraph(
        f"{len(trial.left)} random jumps of the dial, each with presets and without any; one above the other, the least "
        "mismatch without presets first. Simulated: calculated tanks, antennas and operator.",
        FONT_SMALL,
    )
    pairs = sorted(zip(trial.recalled, trial.left, strict=True), key=lambda pair: pair[1].swr)
    recalled, left = [each for each, _ in pairs], [each for _, each in pairs]
    canvas.y += 6
    list_rows(
        canvas,
        [
            (Mark.DISC, "with presets"),
            (Mark.CROSS, "without any: tuned from where the last jump left the tank"),
            (Mark.TRIANGLE, "without any, and a protection tripped"),
        ],
    )
    _panel(canvas, "Mismatch (SWR) at the first key-down", _swr_scale, [each.swr for each in recalled], left, "swr")
    _panel(
        canvas,
        f"Seconds keyed until SWR {trial.good_swr:g}; never is {trial.waited_s:g}",
        lambda bottom, top: _seconds_scale(bottom, top, trial.waited_s),
        [each.tuned_s for each in recalled],
        left,
        "tuned_s",
    )
    canvas.y += 6
    rows = table(trial)
    for what, recalled_told, left_told in (("", "with presets", "without"), *rows):
        canvas.y += LINE
        canvas.text(MARGIN, canvas.y, what, FONT_SMALL)
        canvas.text(WITH_X, canvas.y, recalled_told, FONT_SMALL, anchor=Anchor.END)
        canvas.text(WIDTH - MARGIN, canvas.y, left_told, FONT_SMALL, anchor=Anchor.END)
    told = "; ".join(f"{what}: {with_it} with presets, {without} without" for what, with_it, without in rows)
    return canvas.document(title, f"Two panels of markers, a column for each jump. {told}")


def table(trial: Trial) -> list[tuple[str, str, str]]:
    """The figures: what, with presets, without."""
    sides = (trial.recalled, trial.left)
    rows = (
        ("SWR at the first key-down, median", [_swr(median(each.swr for each in side)) for side in sides]),
        ("SWR at the first key-down, worst", [_swr(max(each.swr for each in side)) for side in sides]),
        (f"keyed until SWR {trial.good_swr:g}, median", [_seconds(side, trial.waited_s)[0] for side in sides]),
        (f"keyed until SWR {trial.good_swr:g}, worst", [_seconds(side, trial.waited_s)[1] for side in sides]),
        ("protections tripped", [f"{sum(each.tripped for each in side)} of {len(side)}" for side in sides]),
    )
    return [(what, with_it, without) for what, (with_it, without) in rows]


def _swr(swr: float) -> str:
    return "beyond 1,000" if swr > SWR_TOP else f"{swr:.2f}" if swr < 10 else f"{swr:.0f}"


def _seconds(tried: Sequence[Tried], waited_s: float) -> tuple[str, str]:
    """Median and worst."""
    found = (median(each.tuned_s for each in tried), max(each.tuned_s for each in tried))
    middle, worst = ("never" if each >= waited_s else f"{each:.2f} s" for each in found)
    return middle, worst


class _Up:
    """A vertical axis: where a value stands, and what is written beside it."""

    def __init__(self, scale: Scale, values: Sequence[float], words: Sequence[str], logarithmic: bool) -> None:
        self.scale, self.values, self.words = scale, values, words
        self._logarithmic = logarithmic

    def at(self, value: float) -> float:
        return self.scale.at(log10(max(value, 1e-9)) if self._logarithmic else value)


def _swr_scale(bottom: float, top: float) -> _Up:
    values = (1.0, 10.0, 100.0, SWR_TOP)
    return _Up(Scale(0.0, log10(SWR_TOP), bottom, top), values, ("1", "10", "100", "1,000+"), True)


def _seconds_scale(bottom: float, top: float, waited_s: float) -> _Up:
    return _Up(Scale(0.0, waited_s, bottom, top), (), (), False)


def _panel(
    canvas: Canvas,
    heading: str,
    scale: Callable[[float, float], _Up],
    recalled: Sequence[float],
    left: Sequence[Tried],
    of: str,
) -> None:
    canvas.y += LINE
    canvas.paragraph(heading, bold=True)
    top = canvas.y + 12
    bottom = top + HIGH
    up = scale(bottom, top)
    if up.values:
        for value, words in zip(up.values, up.words, strict=True):
            y = up.at(value)
            canvas.line(LEFT, y, WIDTH - MARGIN, y, GREY, 0.5)
            canvas.text(LEFT - 4, y + 4, words, FONT_SMALL, anchor=Anchor.END)
        canvas.line(LEFT, bottom, LEFT, top, INK, 1)
    else:
        axis_left(canvas, up.scale, LEFT, WIDTH - MARGIN)
    canvas.line(LEFT, bottom, WIDTH - MARGIN, bottom, INK, 1)
    across = Scale(-0.8, max(len(left) - 0.2, 1.0), LEFT, WIDTH - MARGIN)
    for number, (with_it, without) in enumerate(zip(recalled, left, strict=True)):
        x, value = across.at(number), getattr(without, of)
        place = format_frequency(without.frequency_hz)
        mark = Mark.TRIANGLE if without.tripped else Mark.CROSS
        told = f"{value:.2f}{' s' if of == 'tuned_s' else ''}"
        canvas.mark(mark, x, up.at(value), f"{place} without: {told}{', tripped' if without.tripped else ''}", RUST)
        canvas.mark(Mark.DISC, x, up.at(with_it), f"{place} with: {with_it:.2f}", BLUE)
    canvas.y = bottom + 6
