"""The core alone, on a virtual clock: the usual quiet poll, the first step of a change of band, a whole change-over."""

from collections.abc import Callable
from pathlib import Path
from time import perf_counter_ns

import pytest
from station_bench import AMPLIFIER_BOX, MS, SWITCH, Bench, S

from qsyd_daemon.preset_table import read_table
from qsyd_daemon.station_file.load import station_from_text
from qsyd_rules.command import CommandName, InhibitTransmit
from qsyd_rules.effect import Actuate
from qsyd_rules.event import RigRead
from qsyd_rules.words import Mode

from .figures import Bare, Benchmark, Figures, Goal, Spread
from .stations import FREQUENCY_OF, Ports, preset_table, station_text

RULE_COUNT = 1_000
ROUNDS = 500
CHANGES = 60
FIRST_STEP_GOAL_US = 1_000.0
"""First command within 1 ms: the step alone has to stay well below."""


def settled_bench() -> Bench:
    """A station with 1,000 rules on 20 m, everything at rest, transmit released."""
    station = station_from_text(station_text(RULE_COUNT, Ports(1, 2, 3)), Path("bench.yaml")).station
    presets = read_table(preset_table().encode(), "presets")
    outputs = {"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.LIMIT_DRIVE}}
    bench = Bench(station, {(preset.antenna, preset.segment): preset for preset in presets}, outputs=outputs)
    bench.rig.mode = Mode.USB
    bench.tune(FREQUENCY_OF["20m"])
    bench.run(2 * S)
    assert bench.names()[-1] == CommandName.RELEASE_TRANSMIT
    return bench


def reading(bench: Bench, frequency_hz: int, asked_us: int | None) -> RigRead:
    """What a poll (or, without `asked_us`, a report) hands to the core a millisecond from now."""
    at_us = bench.state.now_us + MS
    return RigRead(at_us, "main", frequency_hz, frequency_hz, False, Mode.USB, False, asked_us)


def timed(benchmark: Benchmark, work: Callable[[], object], steps: int) -> Spread:
    """The cost of one step in microseconds: `steps` of them are timed as one."""
    samples: list[float] = []

    def batch() -> None:
        start_ns = perf_counter_ns()
        for _ in range(steps):
            work()
        samples.append((perf_counter_ns() - start_ns) / 1e3 / steps)

    benchmark.pedantic(batch, rounds=ROUNDS, warmup_rounds=5)
    return Spread(tuple(samples[5:]), "us")


def test_quiet_poll(benchmark: Benchmark, figures: Figures) -> None:
    """The same answer again: 20 times a second all day."""
    bench = settled_bench()
    event = reading(bench, FREQUENCY_OF["20m"], bench.state.now_us)
    state, effects = bench.core.step(bench.state, event)
    assert effects == ()
    assert state.here is bench.state.here

    spread = timed(benchmark, lambda: bench.core.step(bench.state, event), steps=20)

    benchmark.extra_info |= figures.add("core, quiet poll", spread)


def test_tuning_within_a_segment(benchmark: Benchmark, figures: Figures) -> None:
    """The dial turns and nothing has to move."""
    bench = settled_bench()
    event = reading(bench, FREQUENCY_OF["20m"] + 10, None)
    state, effects = bench.core.step(bench.state, event)
    assert not any(isinstance(effect, Actuate) for effect in effects)
    assert state.rigs["main"].frequency_hz == FREQUENCY_OF["20m"] + 10

    spread = timed(benchmark, lambda: bench.core.step(bench.state, event), steps=5)

    benchmark.extra_info |= figures.add("core, dial turned within a segment", spread)


def test_first_step_of_a_change_of_band(benchmark: Benchmark, figures: Figures) -> None:
    """From the report to the decision to inhibit."""
    bench = settled_bench()
    event = reading(bench, FREQUENCY_OF["40m"], None)
    _, effects = bench.core.step(bench.state, event)
    sent = [effect.command for effect in effects if isinstance(effect, Actuate)]
    assert isinstance(sent[0], InhibitTransmit)

    spread = timed(benchmark, lambda: bench.core.step(bench.state, event), steps=5)

    benchmark.extra_info |= figures.add("core, change of band to inhibit", spread, goal=Goal(99, FIRST_STEP_GOAL_US))


@pytest.mark.timeout(120)
def test_whole_virtual_change_over(benchmark: Benchmark, figures: Figures) -> None:
    """Every step from report to release with its polls, at most one a virtual second (relay care)."""
    bench = settled_bench()
    bands = ("40m", "20m")
    changes_us: list[float] = []
    quiet_us: list[float] = []

    def virtual_second() -> float:
        start_ns = perf_counter_ns()
        bench.run(S)
        return (perf_counter_ns() - start_ns) / 1e3

    def change() -> None:
        sent = len(bench.sent)
        bench.tune(FREQUENCY_OF[bands[len(changes_us) % 2]], push=True)
        changes_us.append(virtual_second())
        names = bench.names(sent)
        assert names == ["inhibit-transmit", "select-antenna", "recall-preset", "release-transmit"]

    def quiet() -> None:
        quiet_us.append(virtual_second())

    benchmark.pedantic(change, setup=quiet, rounds=CHANGES)

    benchmark.extra_info |= figures.add(
        "core and bench, virtual second with a change-over",
        Spread(tuple(changes_us), "us"),
        Bare("a quiet one, 20 polls", Spread(tuple(quiet_us), "us")),
    )
