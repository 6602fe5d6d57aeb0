"""Benchmarks: `python -m pytest tests/bench --benchmark-only`. Other runs of the tests skip them.

Every figure stands beside a bare program that does the least that could do the same, measured in the same run on the
same machine; only the ratio travels from machine to machine. A goal that is missed is shown, and fails nothing.
"""

import pytest

from .figures import Figures

_FIGURES = pytest.StashKey[Figures]()


def pytest_configure(config: pytest.Config) -> None:
    """Make the one table of the run."""
    config.stash[_FIGURES] = Figures()


@pytest.fixture(scope="session")
def figures(pytestconfig: pytest.Config) -> Figures:
    """Where what is measured goes, to be shown at the end of the run."""
    return pytestconfig.stash[_FIGURES]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print what was measured."""
    lines = config.stash[_FIGURES].table()
    if lines:
        terminalreporter.section("measured, each beside the bare thing in the same run")
        terminalreporter.write("\n".join(lines) + "\n")
