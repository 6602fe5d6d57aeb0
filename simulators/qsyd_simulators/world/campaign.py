"""Many random runs, and what came of them: counts, violations with the seed that repeats them, and their shortest history."""

import os
from collections import Counter
from collections.abc import Callable, Generator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from itertools import count
from threading import Thread
from time import sleep
from typing import Any

from qsyd_rules.guarded import GuardedStation
from qsyd_simulators.world.happening import Plan, Trouble
from qsyd_simulators.world.liveness import heal
from qsyd_simulators.world.mischief import Mischief
from qsyd_simulators.world.operator import draw
from qsyd_simulators.world.shrink import shortest
from qsyd_simulators.world.stations import atlas_of, layouts
from qsyd_simulators.world.verdict import INVARIANTS, Violation
from qsyd_simulators.world.world import MakeStation, World

RUNS_A_BATCH = 8
SHRUNK_MAX = 8
"""Violations that are made shorter; each costs some hundred runs."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one run. Pickled between processes."""

    seed: str
    events: int
    virtual_us: int
    change_overs: int
    finished: int
    exercised: Counter[str]
    exposures: Counter[str]
    faults: Counter[str]
    violations: tuple[Violation, ...]


def run_plan(plan: Plan, make_station: MakeStation = GuardedStation) -> Outcome:
    """One run, both phases."""
    world = World(layouts()[plan.layout], make_station, plan.seed, atlas_of(plan.layout))
    mischief = Mischief(world, plan.seed)
    mischief.schedule(plan.happenings)
    world.run(plan.until_us)
    mischief.heal()
    heal(world)
    verdict = world.verdict
    return Outcome(
        plan.seed,
        world.events,
        world.now_us,
        world.observer.change_overs,
        world.observer.finished,
        verdict.exercised,
        verdict.exposures,
        Counter(str(each.act.kind) for each in plan.happenings if isinstance(each.act, Trouble)),
        tuple(verdict.violations),
    )


def run_seed(seed: str, make_station: MakeStation = GuardedStation) -> Outcome:
    """The run that a seed draws."""
    return run_plan(draw(seed, layouts()), make_station)


@dataclass(frozen=True, slots=True)
class Failure:
    """A violation, the seed that repeats it, and the shortest history found that shows it."""

    violation: Violation
    seed: str
    layout: str
    history: tuple[str, ...]
    until_us: int


@dataclass(slots=True)
class Campaign:
    """The sum of all runs. Holds no figure of the wall clock, so that the same seed gives the same bytes."""

    seed: int
    runs: int = 0
    events: int = 0
    virtual_us: int = 0
    change_overs: int = 0
    finished: int = 0
    exercised: Counter[str] = field(default_factory=Counter)
    exposures: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    violated: Counter[str] = field(default_factory=Counter)
    failures: list[Failure] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        """The same as one JSON document."""
        return {
            "seed": self.seed,
            "runs": self.runs,
            "events": self.events,
            "virtual_s": self.virtual_us / 1e6,
            "change_overs": self.change_overs,
            "change_overs_finished": self.finished,
            "exercised": {name: self.exercised[name] for name in INVARIANTS},
            "faults": {name: self.faults[name] for name in sorted(self.faults)},
            "exposures": {name: self.exposures[name] for name in sorted(self.exposures)},
            "violations": {name: self.violated[name] for name in sorted(self.violated)},
            "failures": [
                {
                    "invariant": each.violation.invariant,
                    "at_s": each.violation.at_us / 1e6,
                    "text": each.violation.text,
                    "seed": each.seed,
                    "layout": each.layout,
                    "history": list(each.history),
                    "until_s": each.until_us / 1e6,
                }
                for each in self.failures
            ],
        }


def run_campaign(
    change_overs: int,
    seed: int,
    *,
    workers: int = 1,
    progress: Callable[[Campaign], None] = lambda campaign: None,
    make_station: MakeStation = GuardedStation,
) -> Campaign:
    """Run whole runs until there were so many change-overs. The outcome does not depend on how many `workers` there are.

    With more than one worker `make_station` has to be importable by name.
    """
    campaign = Campaign(seed)
    found: dict[str, tuple[Outcome, Violation]] = {}
    with closing(_outcomes(seed, workers, make_station)) as outcomes:
        for outcome in outcomes:
            _add(campaign, outcome)
            for violation in outcome.violations:
                found.setdefault(violation.invariant, (outcome, violation))
            progress(campaign)
            if campaign.change_overs >= change_overs:
                break
    for outcome, violation in list(found.values())[:SHRUNK_MAX]:
        campaign.failures.append(_failure(outcome.seed, violation, make_station))
    return campaign


def _add(campaign: Campaign, outcome: Outcome) -> None:
    campaign.runs += 1
    campaign.events += outcome.events
    campaign.virtual_us += outcome.virtual_us
    campaign.change_overs += outcome.change_overs
    campaign.finished += outcome.finished
    campaign.exercised += outcome.exercised
    campaign.exposures += outcome.exposures
    campaign.faults += outcome.faults
    campaign.violated.update(violation.invariant for violation in outcome.violations)


def _outcomes(seed: int, workers: int, make_station: MakeStation) -> Generator[Outcome, None, None]:
    """The runs in the order of their numbers, without end."""
    if workers <= 1:
        for number in count():
            yield run_seed(f"{seed}/{number}", make_station)
        return
    with ProcessPoolExecutor(workers, initializer=_end_with, initargs=(os.getpid(),)) as pool:
        waiting = [pool.submit(_batch, seed, number, make_station) for number in range(2 * workers)]
        try:
            for number in count(2 * workers):
                yield from waiting.pop(0).result()
                waiting.append(pool.submit(_batch, seed, number, make_station))
        finally:
            for each in waiting:
                each.cancel()


def _end_with(parent: int) -> None:
    """Let a worker end when whoever shares its campaign out has been killed: nobody would ever tell it."""

    def watch() -> None:
        while os.getppid() == parent:
            sleep(1)
        os._exit(1)

    Thread(target=watch, daemon=True).start()


def _batch(seed: int, number: int, make_station: MakeStation) -> list[Outcome]:
    first = number * RUNS_A_BATCH
    return [run_seed(f"{seed}/{each}", make_station) for each in range(first, first + RUNS_A_BATCH)]


def _failure(seed: str, violation: Violation, make_station: MakeStation) -> Failure:
    def fails(plan: Plan) -> Violation | None:
        for each in run_plan(plan, make_station).violations:
            if each.invariant == violation.invariant:
                return each
        return None

    plan, still = shortest(draw(seed, layouts()), violation, fails)
    layout = layouts()[plan.layout]
    return Failure(still, seed, layout.name, tuple(str(each) for each in plan.happenings), plan.until_us)
