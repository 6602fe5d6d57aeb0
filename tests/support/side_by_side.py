"""Live cases at once, each in a directory of its own: they mostly wait."""

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

Case = Callable[[Path], None]


def named(*cases: Case) -> dict[str, Case]:
    """By their names, as sentences."""
    return {case.__name__.strip("_").replace("_", " "): case for case in cases}


@contextmanager
def side_by_side(
    cases: Mapping[str, Case], places: pytest.TempPathFactory, workers: int
) -> Iterator[dict[str, Future[None]]]:
    """Start them all; whoever wants to know how one went asks its future."""
    with ThreadPoolExecutor(workers) as pool:
        yield {name: pool.submit(case, places.mktemp("case")) for name, case in cases.items()}
