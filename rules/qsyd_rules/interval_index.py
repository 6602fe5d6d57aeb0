"""An index from a frequency to the clauses that may hold there, whatever their number.

A segment tree over the elementary intervals between all the edges that the rules name. A clause that spans many
elementary intervals is stored at a few nodes, so the index stays `O(n log n)` where a plain table of intervals would
become quadratic; a look-up is one bisection and a walk from the leaf to the root.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Generic, TypeVar

Clause = TypeVar("Clause")
Interval = tuple[int, int]
"""Half-open `[low_hz, high_hz)`."""

EVERYWHERE: Interval = (0, 1 << 40)
"""Wider than any radio frequency, for clauses that name none."""


class IntervalIndex(Generic[Clause]):
    """Immutable once built. `nodes_at` hands out the groups of clauses that hold at a frequency."""

    __slots__ = ("_edges", "_groups", "_size")

    def __init__(self, clauses: Iterable[tuple[Interval, Clause]]) -> None:
        """Index `clauses`, each with the interval it holds in; empty intervals are left out."""
        kept = [(low, high, clause) for (low, high), clause in clauses if low < high]
        self._edges: Sequence[int] = sorted({edge for low, high, _ in kept for edge in (low, high)})
        place = {edge: number for number, edge in enumerate(self._edges)}
        self._size = max(1, len(self._edges))
        groups: dict[int, list[Clause]] = {}
        for low, high, clause in kept:
            left, right = place[low] + self._size, place[high] + self._size
            while left < right:
                if left & 1:
                    groups.setdefault(left, []).append(clause)
                    left += 1
                if right & 1:
                    right -= 1
                    groups.setdefault(right, []).append(clause)
                left >>= 1
                right >>= 1
        self._groups = groups

    @property
    def groups(self) -> Mapping[int, Sequence[Clause]]:
        """Every node that holds clauses, by its number, for whoever prepares an answer for each node."""
        return self._groups

    def nodes_at(self, frequency_hz: int) -> list[int]:
        """The numbers of the nodes whose clauses hold at this frequency."""
        leaf = bisect_right(self._edges, frequency_hz) - 1
        if leaf < 0:
            return []
        node = leaf + self._size
        found = []
        groups = self._groups
        while node:
            if node in groups:
                found.append(node)
            node >>= 1
        return found


def intersect(first: Sequence[Interval], second: Sequence[Interval]) -> tuple[Interval, ...]:
    """The parts that two lists of intervals share; each list may be unsorted and may overlap itself."""
    return merged(
        (max(low, other_low), min(high, other_high))
        for low, high in first
        for other_low, other_high in second
        if max(low, other_low) < min(high, other_high)
    )


def merged(intervals: Iterable[Interval]) -> tuple[Interval, ...]:
    """The same frequencies as sorted intervals that neither overlap nor touch."""
    result: list[Interval] = []
    for low, high in sorted(intervals):
        if result and low <= result[-1][1]:
            result[-1] = (result[-1][0], max(high, result[-1][1]))
        else:
            result.append((low, high))
    return tuple(result)
