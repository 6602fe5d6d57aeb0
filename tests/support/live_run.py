"""A command of qsyd that runs in a process of its own, and what it has printed so far."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
PATIENCE_S = 40.0
SOURCES = os.pathsep.join(str(Path(__file__).parents[2] / room) for room in ("daemon", "rules", "simulators"))


class Run:
    """A command that runs, and what it has printed so far."""

    def __init__(self, *words: str, log: Path) -> None:
        self._log = log
        with log.open("w") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "qsyd_daemon", *words],
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=subprocess.STDOUT,
                text=True,
                env={**os.environ, "PYTHONPATH": SOURCES},
            )

    def said(self) -> str:
        return self._log.read_text()

    def until(self, pattern: str) -> re.Match[str]:
        return until(lambda: re.search(pattern, self.said()), lambda: f"{pattern!r} in {self.said()}")

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()


def until(ask: Callable[[], T | None], what: Callable[[], str]) -> T:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        answer = ask()
        if answer:
            return answer
        time.sleep(0.02)
    raise AssertionError(f"never came: {what()}")


@contextmanager
def running(*words: str, log: Path) -> Iterator[Run]:
    run = Run(*words, log=log)
    try:
        yield run
    finally:
        run.process.send_signal(signal.SIGTERM)
        assert run.process.wait(PATIENCE_S) == 0, run.said()
        assert run.process.stdin is not None
        run.process.stdin.close()


def ask(words: list[str]) -> int:
    """The exit code of one command."""
    command = [sys.executable, "-m", "qsyd_daemon", *words]
    return subprocess.run(
        command, capture_output=True, env={**os.environ, "PYTHONPATH": SOURCES}, check=False
    ).returncode
