"""Counts what the station tells, for whoever measures it over time."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping
from typing import Any

POLL_BOUNDS_S = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5)
CHANGE_OVER_BOUNDS_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)


class Histogram:
    """How many values lay at or under each bound; cumulative only when it is shown."""

    __slots__ = ("bounds", "counts", "sum")

    def __init__(self, bounds: tuple[float, ...]) -> None:
        self.bounds = bounds
        self.counts = [0] * (len(bounds) + 1)
        self.sum = 0.0

    def add(self, value: float) -> None:
        """One value more."""
        self.counts[bisect_left(self.bounds, value)] += 1
        self.sum += value


class Counters:
    """Hears every event."""

    def __init__(self) -> None:
        self.events = 0
        self.sequences: Counter[str] = Counter()
        """Change-overs by how they ended."""
        self.sequence_s = Histogram(CHANGE_OVER_BOUNDS_S)
        self.output_errors: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.polls: dict[str, Histogram] = {}
        """From question to answer, by rig, in seconds."""

    def tell(self, line: Mapping[str, Any]) -> None:
        """One event."""
        self.events += 1
        match line["event"]:
            case "change-over-finished":
                self.sequences["finished"] += 1
                self.sequence_s.add(line["took_ms"] / 1000)
            case "warning" if line["code"] == "change-over-failed":
                self.sequences["failed"] += 1
            case "output-failed":
                self.output_errors[line["output"]] += 1
            case "fault":
                self.faults[line["code"]] += 1
            case _:
                pass

    def polled(self, rig: str, took_us: int) -> None:
        """A rig has answered a question."""
        histogram = self.polls.get(rig)
        if histogram is None:
            histogram = self.polls[rig] = Histogram(POLL_BOUNDS_S)
        histogram.add(took_us / 1e6)
