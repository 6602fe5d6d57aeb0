"""What a thousand callers that follow the events, a hundred of which never read, cost a change-over.

The same station with and without them, in turns: blocks of changes of band, so that a machine that is busy is busy for
both. `QSYD_BENCH_FOLLOWERS` sets how many (default 1000, every tenth silent), `QSYD_BENCH_CHANGES` how many changes a
block has (default 30), `QSYD_BENCH_TURNS` how many blocks each way (default 2). A 99.9th percentile wants a thousand.
`QSYD_BENCH_EVERY_S` says how often the dial is turned (default 1.05): more than a second, for the station itself spaces
change-overs by that much. A change that a standstill of the machine disturbed counts with the time it took, and is told.
"""

import os
from itertools import cycle
from pathlib import Path
from time import monotonic_ns

import pytest
from followers import Had, followers

from qsyd_daemon.client import call

from .figures import Bare, Benchmark, Figures, Spread
from .live_station import live_station
from .peers import Loop
from .processes import usage
from .test_bench_end_to_end import WAITS_MS, Changes

FOLLOWERS = int(os.environ.get("QSYD_BENCH_FOLLOWERS", "1000"))
SILENT = FOLLOWERS // 10
CHANGES = int(os.environ.get("QSYD_BENCH_CHANGES", "30"))
TURNS = int(os.environ.get("QSYD_BENCH_TURNS", "2"))
CHANGE_EVERY_NS = int(float(os.environ.get("QSYD_BENCH_EVERY_S", "1.05")) * 1e9)
PROCESSES = 2
EXPECTED = ("HOLD", "PORT", "TANK", "FREE")


@pytest.mark.timeout(300 + 4 * TURNS * CHANGES)
def test_changes_of_band_beside_many_followers(benchmark: Benchmark, figures: Figures, tmp_path: Path) -> None:
    """Who reads loses nothing, and the change-over does not wait for them; the figures say what it costs."""
    loop = Loop()
    more = f"api: {{listen: '127.0.0.1:0', streams: {FOLLOWERS + 16}}}\n"
    alone, beside = [], []
    shares = []
    with live_station(tmp_path, loop, 10, more=more) as station:
        loop.run(lambda: station.rig.reports, 5, "the wish for reports")
        _, status = call(tmp_path / "state", "GET", "/v1/status")
        port = int(status["api"]["address"].rpartition(":")[2])
        bands = cycle(["40m", "20m"])

        def block(changes: Changes) -> None:
            loop.wait(1)
            for _ in range(CHANGES):
                begin_ns = monotonic_ns()
                changes.run(next(bands))
                loop.wait((begin_ns + CHANGE_EVERY_NS - monotonic_ns()) / 1e9)

        def turn() -> None:
            alone.append(Changes(station, WAITS_MS, EXPECTED, bears_disturbance=True))
            block(alone[-1])
            with followers(port, FOLLOWERS, SILENT, PROCESSES) as many:
                loop.run(many.ready, 120, "all followers")
                beside.append(Changes(station, WAITS_MS, EXPECTED, bears_disturbance=True))
                before = usage(station.pid)
                block(beside[-1])
                after = usage(station.pid)
                had = many.ask()
            shares.append((100 * (after.cpu_s - before.cpu_s) / (CHANGES * CHANGE_EVERY_NS / 1e9), after.resident_mb))
            _nothing_lost(had)
            print(had)

        benchmark.pedantic(turn, rounds=TURNS)
    loop.close()

    for name, blocks in (("beside", beside), ("alone", alone)):
        disturbed = [each for changes in blocks for each in changes.disturbed]
        print(f"disturbed, {name}: {len(disturbed)} {disturbed}")
        benchmark.extra_info[f"disturbed, {name}"] = len(disturbed)
    for what, kind in (("first command", "first_ms"), ("change-over beyond its waits", "over_ms")):
        spreads = [
            Spread(tuple(each for changes in blocks for each in getattr(changes, kind)), "ms")
            for blocks in (beside, alone)
        ]
        benchmark.extra_info[what] = figures.add(
            f"{FOLLOWERS} followers: {what}", spreads[0], Bare("nobody follows", spreads[1])
        )
        for name, spread in zip(("beside", "alone"), spreads, strict=True):
            shown = ", ".join(f"{percent:g} % {spread.share(percent):.2f}" for percent in (50, 90, 99, 99.9, 100))
            print(f"{what}, {name}, {len(spread.samples)} changes, ms: {shown}")
            benchmark.extra_info[f"{what}, {name}, p99.9"] = spread.share(99.9)
    figures.add(f"{FOLLOWERS} followers: CPU of one core", Spread(tuple(cpu for cpu, _ in shares), "%"))
    figures.add(f"{FOLLOWERS} followers: resident memory", Spread(tuple(held for _, held in shares), "MB"))


def _nothing_lost(had: Had) -> None:
    assert had.readers == FOLLOWERS - SILENT
    assert had.silent == SILENT
    assert (had.lost, had.ended, len(had.last)) == (0, 0, 1)
    assert had.events > had.readers * CHANGES * 5
