"""Processes of a benchmark: `qsyd` itself and the bare programs, run by this very interpreter, and ended again."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
QSYD = (sys.executable, "-m", "qsyd_daemon")
BARE = (sys.executable, str(Path(__file__).with_name("bare.py")))
STOP_WITHIN_S = 10.0


def environment() -> dict[str, str]:
    """Ours, with this checkout's packages before installed ones."""
    packages = os.pathsep.join(str(ROOT / folder) for folder in ("daemon", "rules", "simulators"))
    return {**os.environ, "PYTHONPATH": packages}


@contextmanager
def running(command: Sequence[str], log: Path) -> Iterator[int]:
    """Run a command beside us; its process number. What it says goes to `log`, and at the end it is asked to stop."""
    with log.open("wb") as said:
        process = subprocess.Popen(command, env=environment(), stdout=said, stderr=said, stdin=subprocess.DEVNULL)
        try:
            yield process.pid
            assert process.poll() is None, f"it ended by itself:\n{log.read_text()}"
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def qsyd(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one command of `qsyd` to its end."""
    command = [*QSYD, *arguments]
    return subprocess.run(command, check=False, env=environment(), capture_output=True, text=True, timeout=60)


@dataclass(frozen=True, slots=True)
class Usage:
    """What a process has used since it began, and what it holds."""

    cpu_s: float
    wake_ups: int
    """Voluntary context switches of all its threads."""
    resident_mb: float


def usage(pid: int) -> Usage:
    """Read the proc file system (Linux, proc(5))."""
    place = Path("/proc", str(pid))
    after_name = (place / "stat").read_text().rpartition(")")[2].split()
    ticks = int(after_name[11]) + int(after_name[12])  # utime and stime, fields 14 and 15
    resident_pages = int((place / "statm").read_text().split()[1])
    wake_ups = 0
    for thread in (place / "task").iterdir():
        lines = (thread / "status").read_text().splitlines()
        wake_ups += int(next(line for line in lines if line.startswith("voluntary_ctxt_switches")).split()[1])
    return Usage(ticks / os.sysconf("SC_CLK_TCK"), wake_ups, resident_pages * os.sysconf("SC_PAGE_SIZE") / 1e6)
