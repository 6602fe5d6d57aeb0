"""Heat against first-order steps: 63.2, 86.5, 95.0, 98.2, 99.3 % after one to five tau (computed).

Exhaust against the energy balance dT = P/(1.2 kg/m3 * 1005 J/(kg K) * flow), any textbook on heat (from memory).
"""

import pytest

from qsyd_simulators.plant.heat import Cooling, Heat, approached, emission

COOLING = Cooling()


def after(heat: Heat, watts: float, at_us: int, *, blows: bool = True) -> Heat:
    return heat.later(COOLING, watts, 1500.0, heater_on=False, blows=blows, at_us=at_us)


@pytest.mark.parametrize(("taus", "share"), [(1, 0.632), (2, 0.865), (3, 0.950), (4, 0.982), (5, 0.993)])
def test_step_of_first_order(taus: int, share: float) -> None:
    assert approached(0.0, 1.0, taus * 60_000_000, 60_000_000) == pytest.approx(share, abs=0.0005)
    anode = after(Heat(25.0, 25.0, 0), 1500.0, taus * COOLING.anode_tau_us)
    assert (anode.anode_c - 25) / (200 - 25) == pytest.approx(share, abs=0.0005)


def test_rated_dissipation_for_ever_just_reaches_the_limit() -> None:
    anode = after(Heat(25.0, 25.0, 0), 1500.0, 3_600_000_000)

    assert anode.anode_c == pytest.approx(COOLING.anode_limit_c)
    assert Heat(25.0, 25.0, 0).limit_in_s(COOLING, 1500.0, 1500.0) is None


def test_time_left_at_too_much_heat_is_when_the_limit_is_reached() -> None:
    cold = Heat(25.0, 25.0, 0)
    left_s = cold.limit_in_s(COOLING, 3000.0, 1500.0)

    assert left_s == pytest.approx(10.4, abs=0.1)  # tau ln 2
    assert left_s is not None
    assert after(cold, 3000.0, round(left_s * 1e6)).anode_c == pytest.approx(COOLING.anode_limit_c, abs=0.01)


def test_steps_do_not_hang_on_where_they_are_cut() -> None:
    whole = after(Heat(25.0, 25.0, 0), 900.0, 40_000_000)
    cut = after(after(Heat(25.0, 25.0, 0), 900.0, 13_000_000), 900.0, 40_000_000)

    assert (cut.anode_c, cut.exhaust_c) == pytest.approx((whole.anode_c, whole.exhaust_c))


def test_exhaust_is_warmer_by_the_heat_it_carries() -> None:
    """1500 W in 0.024 m3/s of air: 51.8 K."""
    assert after(Heat(25.0, 25.0, 0), 1500.0, 3_600_000_000).exhaust_c - 25 == pytest.approx(51.8, abs=0.1)


def test_without_its_blower_the_anode_overheats_at_idle() -> None:
    assert after(Heat(25.0, 25.0, 0), 700.0, 60_000_000, blows=False).anode_c > COOLING.anode_limit_c


def test_time_that_runs_backwards_changes_nothing() -> None:
    heat = Heat(80.0, 40.0, 5_000_000)

    assert after(heat, 1500.0, 4_000_000) is heat


def test_cathode_emits_fully_after_three_time_constants_and_hardly_half_way() -> None:
    assert emission(approached(0.0, 1.0, 180_000_000, 60_000_000)) == pytest.approx(1.0)
    assert emission(0.5) < 0.01
    assert emission(0.0) == 0.0
