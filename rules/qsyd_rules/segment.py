"""Segments: slices of a band within which one stored tank setting serves.

A band is cut into equal parts, at edges the station file gives, or into as few equal parts as keep the mismatch at
their edges down. Everything here is exact: whole hertz and rational numbers, so no edge depends on rounding.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import isqrt
from typing import assert_never

from qsyd_rules.band import Band, megahertz

DEFAULT_LOADED_Q = Fraction(12)
"""Loaded Q of a pi tank on its input side. Common practice, no source."""

DEFAULT_EDGE_SWR = Fraction(7, 5)
"""Mismatch allowed at a segment's edge, 1.4. Common practice, no source: it gives the customary five on 80m."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A slice `[low_hz, high_hz)` of a band; the topmost of a band also holds the band's upper edge."""

    name: str
    """`BAND/N`, counted from the low end: `80m/1`."""
    band: str
    low_hz: int
    high_hz: int
    topmost: bool

    @property
    def centre_hz(self) -> int:
        """Where the tank is tuned for this segment."""
        return (self.low_hz + self.high_hz) // 2

    def __contains__(self, frequency_hz: int) -> bool:
        return self.low_hz <= frequency_hz < self.high_hz or (self.topmost and frequency_hz == self.high_hz)


@dataclass(frozen=True, slots=True)
class Computed:
    """Cut into the least number of equal parts whose edges stay within `edge_swr` of a tank tuned at the centre."""

    loaded_q: Fraction = DEFAULT_LOADED_Q
    """Above zero."""
    edge_swr: Fraction = DEFAULT_EDGE_SWR
    """Above one."""


@dataclass(frozen=True, slots=True)
class Parts:
    """Cut into `count` equal parts, at least one, at most one a hertz."""

    count: int


@dataclass(frozen=True, slots=True)
class Edges:
    """Cut at given edges in rising order; the first and the last are the band's own."""

    edges_hz: tuple[int, ...]


Division = Computed | Parts | Edges


def segments_of(band: Band, division: Division) -> tuple[Segment, ...]:
    """Cut a band into its segments, lowest first. They tile the band: no gap, no overlap.

    Raises `ValueError`, in a sentence for the operator, for a division that this band cannot have.
    """
    match division:
        case Computed(loaded_q, edge_swr):
            edges_hz = _equal_edges(band, _computed_count(band, loaded_q, edge_swr))
        case Parts(count):
            edges_hz = _equal_edges(band, count)
        case Edges(edges_hz):
            _check_edges(band, edges_hz)
        case _:
            assert_never(division)
    last = len(edges_hz) - 1
    return tuple(
        Segment(f"{band.name}/{number}", band.name, low_hz, high_hz, topmost=number == last)
        for number, (low_hz, high_hz) in enumerate(pairwise(edges_hz), start=1)
    )


def widest_part_hz(centre_hz: int, loaded_q: Fraction, edge_swr: Fraction) -> int:
    """The widest part, in whole hertz rounded down, that a tank tuned at `centre_hz` keeps within `edge_swr`.

    `f0 (S-1) / (Q sqrt(S))`: the bandwidth of a series RLC circuit with matched resistance, the same as
    `2 sqrt(beta) / Q` of Yaghjian and Best, IEEE Trans. Antennas and Propagation, 2005 (formula from memory).
    Raises `ValueError` unless `loaded_q` is above zero and `edge_swr` above one.
    """
    # floor(sqrt(x)) is isqrt(floor(x)) for every x, so rounding twice does no harm.
    return isqrt(int((centre_hz * _slope(loaded_q, edge_swr)) ** 2 / edge_swr))


def _slope(loaded_q: Fraction, edge_swr: Fraction) -> Fraction:
    """`(S-1)/Q`; the widest part is the centre times this, over the root of S."""
    if loaded_q <= 0:
        raise ValueError(f"loaded Q {float(loaded_q):g} is impossible; it must be above 0, usually 10 to 15")
    if edge_swr <= 1:
        raise ValueError(f"edge SWR {float(edge_swr):g} leaves a segment no width; it must be above 1, such as 1.4")
    return (edge_swr - 1) / loaded_q


def _computed_count(band: Band, loaded_q: Fraction, edge_swr: Fraction) -> int:
    """The least count of exactly equal parts that are narrow enough.

    Narrower is better and lower is stricter, so one look at the lowest part of each count decides, by bisection. Edges
    then fall on whole hertz, which can widen a part by less than one.
    """
    slope_squared = _slope(loaded_q, edge_swr) ** 2
    width_hz = band.high_hz - band.low_hz

    def lowest_part_fits(count: int) -> bool:
        part_hz = Fraction(width_hz, count)
        centre_hz = band.low_hz + part_hz / 2
        return part_hz**2 * edge_swr <= centre_hz**2 * slope_squared

    count = bisect_left(range(1, width_hz + 1), True, key=lowest_part_fits) + 1
    if count > width_hz:
        raise ValueError(
            f"{band.name} cannot be cut finely enough for loaded Q {float(loaded_q):g} and edge SWR "
            f"{float(edge_swr):g}: parts would be narrower than one hertz"
        )
    return count


def _equal_edges(band: Band, count: int) -> tuple[int, ...]:
    width_hz = band.high_hz - band.low_hz
    if count < 1:
        raise ValueError(f"{band.name} cannot be cut into {count} parts; at least 1 is needed")
    if count > width_hz:
        raise ValueError(f"{band.name} is {width_hz} Hz wide and cannot be cut into {count} parts")
    return tuple(band.low_hz + width_hz * part // count for part in range(count + 1))


def _check_edges(band: Band, edges_hz: tuple[int, ...]) -> None:
    if len(edges_hz) < 2:
        raise ValueError(f"{band.name} needs at least two edges, its own: {_own_edges(band)}")
    for lower_hz, upper_hz in pairwise(edges_hz):
        if upper_hz <= lower_hz:
            raise ValueError(
                f"{band.name}: segment edge {megahertz(upper_hz)} follows {megahertz(lower_hz)}; edges must rise"
            )
    if (edges_hz[0], edges_hz[-1]) != (band.low_hz, band.high_hz):
        raise ValueError(
            f"{band.name}: segment edges run from {megahertz(edges_hz[0])} to {megahertz(edges_hz[-1])}; "
            f"the first and the last must be the band's, {_own_edges(band)}"
        )


def _own_edges(band: Band) -> str:
    return f"{megahertz(band.low_hz)} and {megahertz(band.high_hz)}"


class SegmentIndex:
    """Finds the segment of a frequency by bisection, among the segments of all bands."""

    __slots__ = ("_lows_hz", "_segments")

    def __init__(self, segments: Iterable[Segment]) -> None:
        """Take segments in any order; raises `ValueError` where two overlap."""
        self._segments = tuple(sorted(segments, key=lambda segment: segment.low_hz))
        for lower, upper in pairwise(self._segments):
            if upper.low_hz < lower.high_hz or lower.low_hz == upper.low_hz:
                raise ValueError(f"segments {lower.name} and {upper.name} overlap at {megahertz(upper.low_hz)}")
        self._lows_hz = tuple(segment.low_hz for segment in self._segments)

    def at(self, frequency_hz: int) -> Segment | None:
        """The segment that holds this frequency, or None outside every one; where two touch, the upper."""
        position = bisect_right(self._lows_hz, frequency_hz)
        if not position:
            return None
        segment = self._segments[position - 1]
        return segment if frequency_hz in segment else None
