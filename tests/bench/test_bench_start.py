"""Starting: the command line, and the daemon until the station is guarded."""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter

import pytest

from qsyd_daemon.exit_code import ExitCode

from .figures import Bare, Benchmark, Figures, Goal, Spread
from .live_station import live_station
from .peers import Loop
from .processes import QSYD, environment

TIMES = 15
DAEMONS = 5
HELP_GOAL_S = 0.25


def seconds(command: Sequence[str], code: int) -> float:
    """The wall time of a command, which has to end with this code."""
    began_s = perf_counter()
    done = subprocess.run(command, check=False, env=environment(), capture_output=True, timeout=60)
    took_s = perf_counter() - began_s
    assert done.returncode == code, done.stderr
    return took_s


def bare_seconds() -> float:
    return seconds([sys.executable, "-c", "pass"], 0)


@pytest.mark.parametrize(
    ("arguments", "code", "goal_s"),
    [(("--help",), ExitCode.DONE, HELP_GOAL_S), (("status",), ExitCode.NO_DAEMON, None)],
    ids=["help", "status"],
)
def test_command_line(
    arguments: tuple[str, ...],
    code: int,
    goal_s: float | None,
    benchmark: Benchmark,
    figures: Figures,
    tmp_path: Path,
) -> None:
    """Beside an interpreter that does nothing, in turns; no daemon runs."""
    command = [*QSYD, *arguments, *(["--state", str(tmp_path)] if arguments == ("status",) else [])]
    taken_s: list[float] = []
    bare_s: list[float] = []

    benchmark.pedantic(
        lambda: taken_s.append(seconds(command, code)), setup=lambda: bare_s.append(bare_seconds()), rounds=TIMES
    )

    benchmark.extra_info |= figures.add(
        f"qsyd {' '.join(arguments)}",
        Spread(tuple(taken_s), "s"),
        Bare("python -c pass", Spread(tuple(bare_s), "s")),
        None if goal_s is None else Goal(50, goal_s),
    )


@pytest.mark.timeout(120)
@pytest.mark.parametrize("rule_count", [10, 1_000])
def test_ready(rule_count: int, benchmark: Benchmark, figures: Figures, tmp_path: Path) -> None:
    """From the start of `qsyd run` to the first line at a device, which forbids transmitting."""
    ready_s: list[float] = []
    bare_s: list[float] = []

    def start() -> None:
        bare_s.append(bare_seconds())
        directory = tmp_path / str(len(ready_s))
        directory.mkdir()
        loop = Loop()
        with live_station(directory, loop, rule_count) as station:
            ready_s.append(station.ready_s)
            assert station.arrivals[0].line in {"HOLD", "LINE 0"}
        loop.close()

    benchmark.pedantic(start, rounds=DAEMONS)

    benchmark.extra_info |= figures.add(
        f"qsyd run until guarded, {rule_count} rules",
        Spread(tuple(ready_s), "s"),
        Bare("python -c pass", Spread(tuple(bare_s), "s")),
    )
