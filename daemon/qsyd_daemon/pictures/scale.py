"""Axes: values onto a picture's units, and the round numbers that stand beside an axis."""

from dataclasses import dataclass
from math import ceil, floor, log10

from qsyd_daemon.pictures.canvas import FONT_SMALL, GREY, INK, Anchor, Canvas
from qsyd_daemon.pictures.text import width

_ROUND = (1.0, 2.0, 5.0, 10.0)
GAP = 8.0
"""Least room between two numbers of an axis."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear map of `[low, high]` onto the units from `start` to `end`; `low` is below `high`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where this value lies; what is outside lies at the nearer end."""
        inside = min(max(value, self.low), self.high)
        return self.start + (self.end - self.start) * (inside - self.low) / (self.high - self.low)


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values within `[low, high]`, evenly spaced and rising, at most `most` of them; `most` is at least 1."""
    step = _step((high - low) / most)
    while len(found := _multiples(low, high, step)) > most:
        step = _step(step * 1.5)
    return found


def _step(least: float) -> float:
    power = 10.0 ** floor(log10(least))
    return next(part * power for part in _ROUND if part * power >= least * (1 - 1e-9))


def _multiples(low: float, high: float, step: float) -> list[float]:
    first, last = ceil(low / step - 1e-6), floor(high / step + 1e-6)
    return [number * step for number in range(first, last + 1)]


def numbers(values: list[float]) -> list[str]:
    """Values of an axis, all with as many decimals as the one that needs most, six at most."""
    decimals = max((len(f"{value:.6f}".rstrip("0").partition(".")[2]) for value in values), default=0)
    return [f"{value:.{decimals}f}" for value in values]


def axis_below(canvas: Canvas, scale: Scale, top: float, y: float, unit: str) -> None:
    """A horizontal axis at `y`: light lines up to `top`, numbers below, and behind the last of them the unit."""
    values: list[float] = []
    for most in (9, 7, 5, 4, 3, 2, 1):
        values = ticks(scale.low, scale.high, most)
        widest = max((width(words, FONT_SMALL) for words in numbers(values)), default=0.0)
        if len(values) * (widest + GAP) <= scale.end - scale.start:
            break
    for value, words in zip(values, numbers(values), strict=True):
        x, half = scale.at(value), width(words, FONT_SMALL) / 2
        canvas.line(x, top, x, y + 4, GREY, 0.5)
        canvas.text(min(x, scale.end - half), y + 16, words, FONT_SMALL, anchor=Anchor.MIDDLE)
    canvas.line(scale.start, y, scale.end, y, INK, 1)
    canvas.text(scale.end, y + 29, unit, FONT_SMALL, anchor=Anchor.END)


def axis_left(canvas: Canvas, scale: Scale, x: float, right: float, most: int = 5) -> None:
    """A vertical axis at `x`: light lines to `right`, numbers on the left of it."""
    values = ticks(scale.low, scale.high, most)
    for value, words in zip(values, numbers(values), strict=True):
        y = scale.at(value)
        canvas.line(x, y, right, y, GREY, 0.5)
        canvas.text(x - 4, y + 4, words, FONT_SMALL, anchor=Anchor.END)
    canvas.line(x, scale.start, x, scale.end, INK, 1)
