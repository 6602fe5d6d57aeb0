"""Where the tank would probably stand in a segment that has no preset, from the presets beside it, and how far off.

Within a band the inductor of a pi tank is fixed and only the two capacitors move. They resonate with it, so their
capacitance goes as 1/f^2 (C = 1/(L (2 pi f)^2), Thomson's formula; any handbook), and with capacitors that are linear in
position that is `position = a + b / f^2`. (With an inductor that is chosen anew for each frequency at constant loaded Q
it would be 1/f: section "Pi network" of the handbooks; but bands switch their inductors, and inside one it is fixed.)
Solved exactly for tanks of 1500 to 3000 ohm and loaded Q 10 to 15, the tune capacitor follows 1/f^p with p 1.8 to 2.0,
the load capacitor with p mostly 1.7 to 2.0, but down to 0.9 where the loaded Q is near its least (computed). So the
exponent is 2, and may be 1.5 or 1 where at least four presets can tell.

`a` holds the strays and what the antenna adds, `b` the coil and the capacitors. The coil is that of the band whatever the
antenna, so `b` may be borrowed from presets of the same band on other antennas. Each capacitor takes the law, its
antenna's own or the shared one, that has missed by least when each of the antenna's presets in turn is left out.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import ceil, sqrt

from qsyd_rules.preset import Preset, Presets, PresetStanding, standing
from qsyd_rules.segment import Segment

EXPONENTS = (2.0, 1.5, 1.0)
"""The first is the law; the others are tried with `TELLING` presets or more."""
TELLING = 4
ERROR_FACTOR, ERROR_FACTOR_SHARED = 2.0, 3.0
"""Half the width of the error band, in standard errors of a prediction. A borrowed shape is not quite that of this
antenna, which a few presets do not show; so its band is wider. With these, nine in ten lie within (measured in the tests)."""
SPAN_LEAST = 5
"""An estimate that may be off by this many steps is good in any tank; beyond it, by what the band itself spans."""


DRIVE_PART = 4
"""An estimate is used with this part of the drive at most. At a quarter the tube's currents are about half, so a tank that is
off heats neither anode nor grid beyond what full drive into a good one does, and the output is still far above the
floor of the meters. Common practice (tune up at reduced drive), the figure without a source."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where tune and load would probably stand, and by how many steps that may be off. It is no preset."""

    antenna: str
    segment: str
    tune: int
    load: int
    tune_error: int
    """Half the width of the error band, in steps, at least 1; likewise `load_error`."""
    load_error: int
    made_from: tuple[str, ...]
    """The presets it rests on: `80m/1`, and `80m/2 on beam` where the shape was borrowed."""
    drive_w: int | None = None
    """The lowest drive of the antenna's presets that it rests on; None where they do not tell."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One stored preset, and by how many steps it is missed when it is left out: by the law, and by a straight line.

    None where what is left is too little to go on.
    """

    antenna: str
    segment: str
    tune: float | None
    load: float | None
    tune_by_line: float | None
    load_by_line: float | None


@dataclass(frozen=True, slots=True)
class _Point:
    """A stored preset as the law sees it."""

    antenna: str
    segment: Segment
    preset: Preset


@dataclass(frozen=True, slots=True)
class _Line:
    """`y = mean_y + slope (x - mean_x)`, through `count` points, with `spread` the sum of squares that bears the slope."""

    mean_x: float
    mean_y: float
    slope: float
    count: int
    spread: float

    def at(self, x: float) -> float:
        return self.mean_y + self.slope * (x - self.mean_x)

    def uncertainty(self, x: float) -> float:
        """Standard error of a new point at `x`, in units of the scatter of a single one (ordinary least squares)."""
        return sqrt(1 + 1 / self.count + (x - self.mean_x) ** 2 / self.spread)


@dataclass(frozen=True, slots=True)
class _Fitted:
    position: float
    error: float
    shared: bool


def estimate(presets: Presets, antenna: str, segment: Segment, segments: Iterable[Segment]) -> Estimate | None:
    """Where this antenna's tank would stand in this segment, from its other presets in the band.

    None where there is too little to go on: fewer than three of the antenna's own presets in the band (two, where another
    antenna has two as well), a matching unit, a position below zero, or an error as wide as what the whole band spans.
    A stale preset is no neighbour, and the segment's own preset, if there is one, is not looked at.
    """
    points = [
        point
        for point in _points(presets, segments)
        if point.segment.band == segment.band and (point.antenna, point.segment.name) != (antenna, segment.name)
    ]
    own = [point for point in points if point.antenna == antenna]
    if any(point.preset.matching for point in own):
        return None
    unmatched = [point for point in points if point.antenna != antenna and not point.preset.matching]
    counts = Counter(point.antenna for point in unmatched)
    others = [point for point in unmatched if counts[point.antenna] > 1]  # one alone has no slope to lend
    tune = _fit(own, others, segment.centre_hz, lambda preset: preset.tune)
    load = _fit(own, others, segment.centre_hz, lambda preset: preset.load)
    if tune is None or load is None:
        return None
    made_from = [point.segment.name for point in own]
    if tune.shared or load.shared:
        made_from += [f"{point.segment.name} on {point.antenna}" for point in others]
    drives = [point.preset.drive_w for point in own if point.preset.drive_w is not None]
    return Estimate(
        antenna,
        segment.name,
        round(tune.position),
        round(load.position),
        max(1, ceil(tune.error)),
        max(1, ceil(load.error)),
        tuple(made_from),
        min(drives, default=None),
    )


def reduced_drive_w(limit_w: int | None, fitted: Estimate) -> int | None:
    """The most drive that an estimate may be used with: a quarter of the amplifier's limit, or of the presets' drive,
    whichever is lower; at least 1 W. None where neither is known: then it may not be used at all."""
    known = [drive_w for drive_w in (limit_w, fitted.drive_w) if drive_w is not None]
    return max(1, min(known) // DRIVE_PART) if known else None


def leave_each_out(presets: Presets, segments: Iterable[Segment]) -> tuple[LeftOut, ...]:
    """Every preset that may be recalled, left out in turn: what the law makes of the rest, and what a straight line does.

    The straight line runs between the antenna's presets on either side in frequency; past the last, on through two.
    """
    segments = tuple(segments)
    points = _points(presets, segments)
    report = []
    for point in points:
        rest = {key: each for key, each in presets.items() if key != (point.antenna, point.segment.name)}
        fitted = estimate(rest, point.antenna, point.segment, segments)
        own = [
            each
            for each in points
            if each is not point and (each.antenna, each.segment.band) == (point.antenna, point.segment.band)
        ]
        preset = point.preset
        tune = _interpolated([(each.segment.centre_hz, each.preset.tune) for each in own], point.segment.centre_hz)
        load = _interpolated([(each.segment.centre_hz, each.preset.load) for each in own], point.segment.centre_hz)
        report.append(
            LeftOut(
                point.antenna,
                point.segment.name,
                None if fitted is None else abs(fitted.tune - preset.tune),
                None if fitted is None else abs(fitted.load - preset.load),
                None if tune is None else abs(tune - preset.tune),
                None if load is None else abs(load - preset.load),
            )
        )
    return tuple(report)


def _points(presets: Presets, segments: Iterable[Segment]) -> list[_Point]:
    by_name = {segment.name: segment for segment in segments}
    points = []
    for (antenna, name), preset in sorted(presets.items()):
        segment = by_name.get(name)
        if segment is not None and standing(preset, segment) is PresetStanding.SAVED:
            points.append(_Point(antenna, segment, preset))
    return sorted(points, key=lambda point: (point.antenna, point.segment.centre_hz))


_Values = list[tuple[float, int]]


def _fit(own: list[_Point], others: list[_Point], hz: int, position_of: Callable[[Preset], int]) -> _Fitted | None:
    """The best of the laws, by leaving each of `own` out in turn; None where none can be tried."""
    laws: list[tuple[float, float, _Line, float]] = []
    for exponent in EXPONENTS if len(own) >= TELLING else EXPONENTS[:1]:
        values = _values(own, position_of, exponent)
        borrowed = [
            _values([point for point in others if point.antenna == antenna], position_of, exponent)
            for antenna in dict.fromkeys(point.antenna for point in others)
        ]
        for groups in ([], borrowed) if borrowed else ([],):
            line, scatter = _line(values, groups), _scatter(values, groups)
            if line is not None and scatter is not None:
                factor = ERROR_FACTOR_SHARED if groups else ERROR_FACTOR
                laws.append((scatter, factor, line, _x(hz, exponent)))
    if not laws:
        return None
    scatter, factor, line, x = min(laws, key=lambda law: law[0])
    position, error = line.at(x), factor * scatter * line.uncertainty(x)
    positions = [position_of(point.preset) for point in own]
    if round(position) < 0 or error > max(max(positions) - min(positions), SPAN_LEAST):
        return None
    return _Fitted(position, error, shared=factor == ERROR_FACTOR_SHARED)


def _values(points: list[_Point], position_of: Callable[[Preset], int], exponent: float) -> _Values:
    return [(_x(point.segment.centre_hz, exponent), position_of(point.preset)) for point in points]


def _x(hz: int, exponent: float) -> float:
    return float((1e6 / hz) ** exponent)


def _line(own: _Values, others: list[_Values]) -> _Line | None:
    """Least squares: one slope for all groups, each with a level of its own; the level returned is that of `own`."""
    if not own:
        return None
    product = spread = 0.0
    for group in (own, *others):
        middle_x, middle_y = _means(group)
        product += sum((x - middle_x) * (y - middle_y) for x, y in group)
        spread += sum((x - middle_x) ** 2 for x, _ in group)
    if spread <= 0:
        return None
    middle_x, middle_y = _means(own)
    return _Line(middle_x, middle_y, product / spread, len(own), spread)


def _scatter(own: _Values, others: list[_Values]) -> float | None:
    """Scatter of a single position about the law, from leaving each of `own` out in turn; None with too few of them.

    Each miss is divided by how uncertain the law was there; few points are made to count as fewer than they are.
    """
    free = len(own) - (1 if others else 2)
    if free < 1:
        return None
    total = 0.0
    for index, (x, y) in enumerate(own):
        line = _line([*own[:index], *own[index + 1 :]], others)
        if line is None:
            return None
        total += ((line.at(x) - y) / line.uncertainty(x)) ** 2
    return sqrt(total / free)


def _means(group: _Values) -> tuple[float, float]:
    return sum(x for x, _ in group) / len(group), sum(y for _, y in group) / len(group)


def _interpolated(own: _Values, x: float) -> float | None:
    """The straight line between the neighbours on either side, or on through the last two; None with fewer than two."""
    if len(own) < 2:
        return None
    ordered = sorted(own)
    index = next((i for i, (known, _) in enumerate(ordered) if known > x), len(ordered) - 1)
    (x0, y0), (x1, y1) = ordered[max(index, 1) - 1], ordered[max(index, 1)]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
