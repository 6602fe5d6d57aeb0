"""At rest: what the daemon costs while the rig is polled 20 times a second and nothing changes."""

import os
import sys
from pathlib import Path

import pytest

from .figures import Bare, Benchmark, Figures, Goal, Spread
from .live_station import live_station
from .peers import Loop
from .processes import BARE, running, usage

IDLE_S = float(os.environ.get("QSYD_BENCH_IDLE_S", "20"))
RULE_COUNT = 1_000
CPU_GOAL_PERCENT = 2.0
RESIDENT_GOAL_MB = 60.0


@pytest.mark.skipif(sys.platform != "linux", reason="reads the proc file system")
@pytest.mark.timeout(120 + 2 * IDLE_S)
def test_idle(benchmark: Benchmark, figures: Figures, tmp_path: Path) -> None:
    """Beside a bare timer of the same rate, at the same time."""
    loop = Loop()
    with live_station(tmp_path, loop, RULE_COUNT) as station, running([*BARE, "timer"], tmp_path / "timer") as bare_pid:
        loop.wait(3)
        before, bare_before, polls_before = usage(station.pid), usage(bare_pid), station.rig.polls

        benchmark.pedantic(loop.wait, args=(IDLE_S,), rounds=1)

        after, bare_after, polls = usage(station.pid), usage(bare_pid), station.rig.polls - polls_before
    loop.close()

    def percent(cpu_s: float) -> Spread:
        return Spread((100 * cpu_s / IDLE_S,), "%")

    def megabytes(resident_mb: float) -> Spread:
        return Spread((resident_mb,), "MB")

    bare_cpu = Bare("20 Hz timer", percent(bare_after.cpu_s - bare_before.cpu_s))
    bare_memory = Bare("20 Hz timer", megabytes(bare_after.resident_mb))
    wake_ups = Spread(((after.wake_ups - before.wake_ups) / polls,), "a poll")
    benchmark.extra_info |= {
        "cpu": figures.add(
            "idle, CPU of one core", percent(after.cpu_s - before.cpu_s), bare_cpu, Goal(50, CPU_GOAL_PERCENT)
        ),
        "resident": figures.add(
            "idle, resident memory", megabytes(after.resident_mb), bare_memory, Goal(50, RESIDENT_GOAL_MB)
        ),
        "wake_ups": figures.add("idle, wake-ups", wake_ups),
    }
    assert polls >= IDLE_S * 15, "the rig was not polled 20 times a second"
