"""The anode's temperature: a first-order step, and the limit just reached at the rated heat for ever."""

import pytest

from qsyd_rules.thermal import AMBIENT_C, LIMIT_C, TAU_US, Anode, limit_at_us, warmed

RATED_W = 1500.0


@pytest.mark.parametrize(("taus", "percent"), [(1, 63.2), (2, 86.5), (3, 95.0), (4, 98.2), (5, 99.3)])
def test_a_step_rises_as_every_first_order_system_does(taus: int, percent: float) -> None:
    """T(t) = Tinf + (T0 - Tinf) e^(-t/tau): any textbook."""
    hot = warmed(Anode(AMBIENT_C, 0), RATED_W, RATED_W, taus * TAU_US)
    assert (hot.temperature_c - AMBIENT_C) / (LIMIT_C - AMBIENT_C) == pytest.approx(percent / 100, abs=5e-4)


def test_many_small_steps_are_one_large_one() -> None:
    fine = Anode(AMBIENT_C, 0)
    for step in range(1, 101):
        fine = warmed(fine, 1200, RATED_W, step * TAU_US // 20)
    coarse = warmed(Anode(AMBIENT_C, 0), 1200, RATED_W, 5 * TAU_US)
    assert fine.temperature_c == pytest.approx(coarse.temperature_c, abs=1e-6)


def test_the_rated_heat_never_passes_the_limit_and_more_does_when_it_is_said_to() -> None:
    assert limit_at_us(Anode(AMBIENT_C, 0), RATED_W, RATED_W) is None
    due_us = limit_at_us(Anode(AMBIENT_C, 0), 2 * RATED_W, RATED_W)
    assert due_us is not None
    assert warmed(Anode(AMBIENT_C, 0), 2 * RATED_W, RATED_W, due_us).temperature_c == pytest.approx(LIMIT_C, abs=1e-3)
    assert limit_at_us(Anode(LIMIT_C + 1, 7), 0, RATED_W) == 7


def test_it_cools_towards_the_air_around_it_and_time_that_runs_backwards_changes_nothing() -> None:
    hot = Anode(180, 10 * TAU_US)
    assert AMBIENT_C < warmed(hot, 0, RATED_W, 12 * TAU_US).temperature_c < 180
    assert warmed(hot, 5000, RATED_W, 9 * TAU_US) is hot
