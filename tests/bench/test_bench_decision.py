"""The decision: what placing one frequency costs with few rules and with many."""

import time
from bisect import bisect_right
from itertools import cycle
from pathlib import Path

import pytest

from qsyd_daemon.preset_table import read_table
from qsyd_daemon.station_file.load import station_from_text
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.rulebook import Situation
from qsyd_rules.words import AmplifierState, Mode

from .figures import Bare, Benchmark, Figures, Goal, Spread
from .stations import Ports, preset_table, random_dials, station_text

RULE_COUNTS = (10, 1_000, 10_000)
DIALS = 2_000
BATCH = 20
"""Decisions timed as one, so that reading the clock does not count."""
ROUNDS = 300
GOAL_US = 20.0
FLAT = 10
"""Far above what an index costs and far below any walk over all rules, which grows a thousandfold here."""

_medians_us: dict[int, float] = {}


def situations() -> list[Situation]:
    return [
        Situation("main", frequency_hz, Mode(mode), AmplifierState.STANDBY, keyed=False, minute=600)
        for frequency_hz, mode in random_dials(DIALS)
    ]


def stored() -> dict[tuple[str, str], Preset]:
    presets = read_table(preset_table().encode(), "presets")
    return {(preset.antenna, preset.segment): preset for preset in presets}


@pytest.mark.timeout(300)
@pytest.mark.parametrize("rule_count", RULE_COUNTS)
def test_placing_a_frequency(rule_count: int, benchmark: Benchmark, figures: Figures) -> None:
    """Beside one bisection over as many edges, in turns."""
    began_s = time.perf_counter()
    file = station_from_text(station_text(rule_count, Ports(1, 2, 3)), Path("bench.yaml"))
    loaded_s = time.perf_counter()
    atlas = Atlas(file.station)
    compiled_s = time.perf_counter()
    presets = stored()
    turn = cycle(situations())
    edges = sorted(frequency_hz for frequency_hz, _ in random_dials(2 * rule_count, seed=2))
    bare_us: list[float] = []
    placed_us: list[float] = []

    def batch() -> list[Situation]:
        return [next(turn) for _ in range(BATCH)]

    def place(these: list[Situation]) -> None:
        start_ns = time.perf_counter_ns()
        for situation in these:
            atlas.place(situation, presets)
        placed_us.append((time.perf_counter_ns() - start_ns) / 1e3 / BATCH)

    def prepared() -> tuple[tuple[list[Situation]], dict[str, object]]:
        these = batch()
        start_ns = time.perf_counter_ns()
        for situation in these:
            bisect_right(edges, situation.frequency_hz)
        bare_us.append((time.perf_counter_ns() - start_ns) / 1e3 / BATCH)
        return (these,), {}

    benchmark.pedantic(place, setup=prepared, rounds=ROUNDS)

    spread = Spread(tuple(placed_us), "us")
    benchmark.extra_info |= figures.add(
        f"decision, {rule_count} rules",
        spread,
        Bare("one bisection", Spread(tuple(bare_us), "us")),
        Goal(50, GOAL_US),
    )
    benchmark.extra_info |= {"load_s": loaded_s - began_s, "compile_s": compiled_s - loaded_s}
    figures.add(f"load file, {rule_count} rules", Spread((loaded_s - began_s,), "s"))
    figures.add(f"compile, {rule_count} rules", Spread((compiled_s - loaded_s,), "s"))
    _medians_us[rule_count] = spread.median
    fewest = _medians_us.get(RULE_COUNTS[0])
    if fewest is not None:
        benchmark.extra_info["ratio_to_10_rules"] = spread.median / fewest
        assert spread.median < FLAT * fewest
    for situation in situations()[:50]:
        matching = [n for n, rule in enumerate(file.station.rules) if atlas.rulebook.matches(rule, situation)[0]]
        assert set(atlas.place(situation, presets).selections.deciding) <= set(matching)
