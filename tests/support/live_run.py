"""A command of qsyd that runs in a process of its own, and what it has printed so far."""

import os
import re
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import forked_program
from forked_program import SOURCES, Forked

T = TypeVar("T")
PATIENCE_S = 40.0


class Run:
    """A command that runs, and what it has printed so far."""

    def __init__(self, *words: str, log: Path) -> None:
        self._log = log
        with log.open("w") as out:
            self.process = Forked(
                words,
                {**os.environ, "PYTHONPATH": SOURCES},
                stdin=subprocess.PIPE,
                stdout=out.fileno(),
                stderr=subprocess.STDOUT,
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
    return forked_program.run(words, {**os.environ, "PYTHONPATH": SOURCES}, PATIENCE_S).returncode
