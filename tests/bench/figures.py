"""What a benchmark has measured, as rows of the table that ends a run: each figure beside the bare thing and its goal."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

HEAD = ("what", "median", "90 %", "99 %", "n", "beside", "bare", "ratio", "goal", "met")


class Benchmark(Protocol):
    """What is used of pytest-benchmark's fixture, whose own methods carry no types."""

    extra_info: dict[str, object]

    def pedantic(
        self,
        target: Callable[..., object],
        args: tuple[Any, ...] = (),
        kwargs: dict[str, Any] | None = None,
        setup: Callable[[], object] | None = None,
        teardown: Callable[..., object] | None = None,
        rounds: int = 1,
        warmup_rounds: int = 0,
    ) -> object:
        """Call `target` `rounds` times, each behind `setup`, which may hand out its arguments."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Samples of one figure, in the unit that `unit` names; at least one."""

    samples: tuple[float, ...]
    unit: str

    def share(self, percent: float) -> float:
        """The smallest sample that at least `percent` of them do not exceed (nearest rank)."""
        ordered = sorted(self.samples)
        return ordered[max(0, math.ceil(percent / 100 * len(ordered)) - 1)]

    @property
    def median(self) -> float:
        return self.share(50)


@dataclass(frozen=True, slots=True)
class Bare:
    """The bare thing measured in the same run, in the unit of the figure that it stands beside."""

    name: str
    spread: Spread


@dataclass(frozen=True, slots=True)
class Goal:
    """At most `limit`, in the figure's own unit, at this percentile."""

    percent: float
    limit: float


@dataclass(slots=True)
class Figures:
    """The rows of one run, in the order in which they were measured."""

    rows: list[tuple[str, ...]] = field(default_factory=list)

    def add(self, what: str, spread: Spread, bare: Bare | None = None, goal: Goal | None = None) -> dict[str, object]:
        """Keep one figure; hands back the same as plain values, for the benchmark's own record."""
        ratio = spread.median / bare.spread.median if bare is not None and bare.spread.median else None
        met = None if goal is None else spread.share(goal.percent) <= goal.limit
        self.rows.append(
            (
                what,
                *(_shown(spread.share(percent), spread.unit) for percent in (50, 90, 99)),
                str(len(spread.samples)),
                "" if bare is None else bare.name,
                "" if bare is None else _shown(bare.spread.median, bare.spread.unit),
                "" if ratio is None else f"{ratio:.2f}",
                "" if goal is None else f"{_shown(goal.limit, spread.unit)} at {goal.percent:g} %",
                "" if met is None else ("yes" if met else "NO"),
            )
        )
        shown: dict[str, object] = {f"p{percent}_{spread.unit}": spread.share(percent) for percent in (50, 90, 99)}
        shown["samples"] = len(spread.samples)
        if bare is not None:
            shown |= {"beside": bare.name, "bare_median": bare.spread.median, "ratio": ratio}
        if goal is not None:
            shown |= {"goal": goal.limit, "goal_percent": goal.percent, "goal_met": met}
        return shown

    def table(self) -> list[str]:
        """The rows as lines of text; empty when nothing was measured."""
        if not self.rows:
            return []
        rows: Sequence[tuple[str, ...]] = [HEAD, *self.rows]
        widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
        texts = {0, HEAD.index("beside"), HEAD.index("goal")}
        return [
            "  ".join(
                cell.ljust(width) if column in texts else cell.rjust(width)
                for column, (cell, width) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in rows
        ]


def _shown(value: float, unit: str) -> str:
    digits = 0 if value >= 100 else 2 if value >= 1 else 3
    return f"{value:.{digits}f} {unit}"
