"""What `qsyd tune` prints and takes in, without a daemon."""

import pytest

from qsyd_daemon.client import RefusedError
from qsyd_daemon.commands.tune import _line, _numbers, _time_left


@pytest.mark.parametrize(
    ("left_s", "told"),
    [
        (1, "under a minute"),
        (59, "under a minute"),
        (60, "about 1 min"),
        (600, "about 10 min"),
        (5_399, "about 90 min"),
        (7_200, "about 2.0 h"),
    ],
)
def test_time_left_is_told_as_exactly_as_it_is_known(left_s: float, told: str) -> None:
    assert _time_left(left_s) == told


def test_progress_says_how_far_it_is_and_where() -> None:
    seen = {"done": 3, "of": 17, "left_s": 600, "antenna": "wire", "segment": "80m/4", "text": "unkey"}
    assert _line(seen) == "[3 of 17, about 10 min left] wire 80m/4: unkey"
    assert _line({**seen, "left_s": 0.0, "antenna": None, "text": "done"}) == "[3 of 17] done"
    assert _line(None) == "no tune-up is under way"


@pytest.mark.parametrize(
    ("typed", "numbers"),
    [
        ("forward_w=1400 grid_ma=45", {"forward_w": 1400, "grid_ma": 45}),
        ("forward_w=1400,grid_ma=45", {"forward_w": 1400, "grid_ma": 45}),
        ("forward_w = 1400", {"forward_w": 1400}),
        ("matching=12,40,1", {"matching": [12, 40, 1]}),
        ("matching=12 40 1 tune=300", {"matching": [12, 40, 1], "tune": 300}),
    ],
)
def test_numbers_are_taken_in_as_people_type_them(typed: str, numbers: dict[str, object]) -> None:
    assert _numbers(typed) == numbers


@pytest.mark.parametrize("typed", ["forward_w=much", "forward_w=", "=5", "1400=", "forward_w=1400 x", "matching=1;2"])
def test_what_is_no_number_is_refused_with_how_to_write_it(typed: str) -> None:
    with pytest.raises(RefusedError, match="="):
        _numbers(typed)
