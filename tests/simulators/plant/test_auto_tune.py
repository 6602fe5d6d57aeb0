"""Automatic tuning: some hundred milliseconds to seconds, by how far off it was (common practice, no source)."""

from itertools import pairwise

import pytest

from qsyd_simulators.plant.meters import PERFECT
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import plover_sands
from qsyd_simulators.plant.weather import CALM

SECOND_US = 1_000_000
HOT_US = 200 * SECOND_US
BANDS = [(2, 3_720_000), (2, 7_100_000), (1, 14_150_000), (1, 18_120_000), (1, 21_200_000), (1, 28_500_000)]


def tuned(port: int, frequency_hz: int, off: tuple[int, int], drive_w: float = 50.0) -> tuple[StationPlant, int, float]:
    """Begin `off` steps beside the right positions, key, and wait; the station, when, and how long it took in ms."""
    station = plover_sands(weather=CALM, meters=PERFECT)
    station.heater(True, 0)
    station.select_antenna(port, 0)
    setting = station.solve(port, frequency_hz, SECOND_US)
    motor = station.amplifier.make.motor
    station.move_tank(motor.stopped(setting.tune + off[0]), motor.stopped(setting.load + off[1]), SECOND_US)
    station.operate(True, HOT_US)
    station.auto_tune(True, HOT_US)
    station.set_rig(HOT_US, frequency_hz=frequency_hz, keyed=True, drive_w=drive_w)
    at_us = HOT_US + 20_000
    while station.truth(at_us).auto_tuning and at_us < HOT_US + 20 * SECOND_US:
        at_us += 20_000
    return station, at_us, (at_us - HOT_US) / 1000


@pytest.mark.parametrize(("port", "frequency_hz"), BANDS)
@pytest.mark.parametrize("off", [(25, 0), (-60, 80), (0, -120), (900, 300)])
def test_it_finds_the_load_and_rests(port: int, frequency_hz: int, off: tuple[int, int]) -> None:
    station, at_us, took_ms = tuned(port, frequency_hz, off)
    truth = station.truth(at_us)

    assert truth.mismatch_swr is not None
    assert truth.mismatch_swr < 1.15
    assert truth.forward_w > 1_350
    assert took_ms < 6_000
    later = station.truth(at_us + SECOND_US)
    assert (later.tune, later.load, later.auto_tuning) == (truth.tune, truth.load, False)


@pytest.mark.parametrize(("port", "frequency_hz"), BANDS[:4])
def test_it_takes_longer_from_farther_off(port: int, frequency_hz: int) -> None:
    took_ms = [tuned(port, frequency_hz, (steps, 0))[2] for steps in (0, 60, 500, 1_200)]

    assert all(later > earlier for earlier, later in pairwise(took_ms))
    assert took_ms[0] <= 100
    assert 100 <= took_ms[1] <= 1_000
    assert took_ms[3] >= 800


def test_without_drive_nothing_moves() -> None:
    station, at_us, _ = tuned(2, 7_100_000, (100, 0), drive_w=0.0)
    before = station.truth(HOT_US)

    after = station.truth(at_us + 5 * SECOND_US)

    assert (after.tune, after.load) == (before.tune, before.load)


def test_unkeyed_it_stops_where_it_is() -> None:
    station, _, _ = tuned(2, 7_100_000, (100, 0), drive_w=0.0)
    station.set_rig(HOT_US + SECOND_US, drive_w=50.0)
    station.set_rig(HOT_US + SECOND_US + 100_000, keyed=False)
    stopped = station.truth(HOT_US + SECOND_US + 200_000)

    later = station.truth(HOT_US + 60 * SECOND_US)

    assert (later.tune, later.load, later.auto_tuning) == (stopped.tune, stopped.load, False)


def test_end_stop_ends_the_way() -> None:
    """Far beyond its band the antenna is something the tank cannot match: the motors rest at a stop, and do not chatter."""
    station, at_us, _ = tuned(2, 1_800_000, (0, 0))
    first = station.truth(at_us + 20 * SECOND_US)

    later = station.truth(at_us + 40 * SECOND_US)

    assert (first.tune, first.load) == (later.tune, later.load)
    assert {first.tune, first.load} & {0, 3_999}
