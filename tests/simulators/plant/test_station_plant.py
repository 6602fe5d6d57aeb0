"""A whole station: what a right preset gives, what a wrong one costs, and that it is the same every time.

Figures of a legal-limit triode amplifier: plate 3.3 to 3.5 kV, gain about 30, grid about 50 mA; low plate current with
high grid current is loading too light, high plate current with low output is off resonance (common practice, no source).
"""

from collections.abc import Callable
from functools import partial
from itertools import pairwise

import pytest

from qsyd_rules.words import AmplifierState
from qsyd_simulators.plant.meters import PERFECT
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import ORCHARD_BANK, PLOVER_SANDS, STATIONS, bands_of, orchard_bank, plover_sands
from qsyd_simulators.plant.tank import TankSetting
from qsyd_simulators.plant.trips import Trips
from qsyd_simulators.plant.truth import Truth
from qsyd_simulators.plant.weather import CALM, HOUR_US, Spell, Weather

SECOND_US = 1_000_000
HOT_US = 200 * SECOND_US
DIPOLE, BEAM = 2, 1
DIAL_HZ = 7_100_000
PLAY = 2
"""By so many steps the shaft stays behind when a position is come to from below."""


def ready(port: int = DIPOLE, frequency_hz: int = DIAL_HZ, trips: Trips | None = None) -> StationPlant:
    """Plover Sands in calm weather with perfect meters: hot, in operate, the switch at rest, at `HOT_US`."""
    station = plover_sands(weather=CALM, meters=PERFECT, trips=trips)
    station.set_rig(0, frequency_hz=frequency_hz, drive_w=50.0)
    station.heater(True, 0)
    station.select_antenna(port, SECOND_US)
    station.operate(True, HOT_US)
    return station


def keyed_with(station: StationPlant, tune: int, load: int, at_us: int = HOT_US) -> tuple[Truth, int]:
    """What is so half a second after the key, with the tank arrived; and when that is."""
    station.move_tank(tune, load, at_us)
    at_us += 4 * SECOND_US
    station.set_rig(at_us, keyed=True)
    return station.truth(at_us + SECOND_US // 2), at_us + SECOND_US // 2


def right(station: StationPlant) -> TankSetting:
    return station.solve(DIPOLE, DIAL_HZ, HOT_US)


def test_right_preset_gives_the_figures_of_the_trade() -> None:
    station = ready()

    truth, _ = keyed_with(station, *right(station)[:2])

    assert truth.state is AmplifierState.OPERATE
    assert 1_400 <= truth.delivered_w <= 1_560
    assert truth.gain == pytest.approx(30, rel=0.06)
    assert 3_200 <= truth.plate_v <= 3_500
    assert 700 <= truth.plate_ma <= 1_000
    assert 30 <= truth.grid_ma <= 60
    assert truth.efficiency is not None
    assert 0.55 <= truth.efficiency <= 0.66
    assert truth.mismatch_swr is not None
    assert truth.mismatch_swr < 1.1
    assert truth.radiated_w is not None
    assert 0.8 < truth.radiated_w / truth.delivered_w < 1.0


def test_light_loading_raises_grid_current_and_lowers_plate_current() -> None:
    """More of C2 is lighter loading: the tube sees more ohms; C1 is at resonance each time."""
    station = ready()
    tune, load, _ = right(station)
    tank, antenna_ohm = station.amplifier.make.tank, station.antenna_ohm(DIPOLE, DIAL_HZ, HOT_US)
    seen = []
    for lighter in (0, 80, 160, 320):

        def reactance_ohm(position: int, lighter: int = lighter) -> float:
            return abs(tank.plate_load_ohm(DIAL_HZ, position, load + lighter, antenna_ohm).imag)

        resonant = min(range(tune - 100, tune + 100), key=reactance_ohm)
        seen.append(keyed_with(ready(), resonant + PLAY, load + lighter + PLAY)[0])

    assert all(later.grid_ma > 1.4 * earlier.grid_ma for earlier, later in pairwise(seen))
    assert all(later.plate_ma < earlier.plate_ma for earlier, later in pairwise(seen))
    assert seen[-1].grid_ma > 120


@pytest.mark.parametrize("off", [-200, -60, 60, 200])
def test_off_resonance_raises_plate_current_and_lowers_output(off: int) -> None:
    station = ready()
    tune, load, _ = right(station)
    tuned, _ = keyed_with(station, tune, load)

    truth, _ = keyed_with(ready(), tune + off, load)

    assert truth.plate_ma > 1.03 * tuned.plate_ma
    assert truth.forward_w < 0.8 * tuned.forward_w
    assert truth.dissipation_w > 1.3 * tuned.dissipation_w


def test_preset_of_another_band_gives_nothing_and_overheats_the_anode() -> None:
    station = ready()
    tune, load, _ = station.solve(BEAM, 14_200_000, HOT_US)

    truth, at_us = keyed_with(station, tune, load)

    assert truth.forward_w < 0.1 * 1_500
    assert truth.dissipation_w > 2_000
    assert station.truth(at_us + 30 * SECOND_US).anode_c > 200


def test_own_trips_take_it_out_until_reset() -> None:
    station = ready(trips=Trips())
    tune, load, _ = right(station)
    truth, at_us = keyed_with(station, tune, load + 500)
    station.set_rig(at_us, drive_w=100.0)

    truth = station.truth(at_us + 10 * SECOND_US)

    assert truth.state is AmplifierState.FAULT
    assert truth.fault is not None
    assert truth.fault.startswith(("grid current", "anode at"))
    assert (truth.plate_ma, truth.forward_w) == (0, 100)  # barefoot
    station.operate(True, at_us + 11 * SECOND_US)
    assert station.truth(at_us + 11 * SECOND_US).state is AmplifierState.FAULT
    station.amplifier.reset(at_us + 12 * SECOND_US)
    assert station.truth(at_us + 12 * SECOND_US).state is AmplifierState.STANDBY


def test_own_trips_leave_a_right_preset_alone() -> None:
    station = ready(trips=Trips())
    _, at_us = keyed_with(station, *right(station)[:2])

    assert station.truth(at_us + 60 * SECOND_US).fault is None


def test_barefoot_the_rigs_power_goes_into_the_antenna() -> None:
    station = ready()
    station.operate(False, HOT_US)
    truth, _ = keyed_with(station, 0, 0)

    assert truth.forward_w == truth.drive_w == 50.0
    assert truth.plate_ma == 0.0
    assert truth.reflected_w == pytest.approx(50 * ((truth.swr - 1) / (truth.swr + 1)) ** 2)


def test_drive_is_the_lower_of_the_rigs_and_the_limit_and_nothing_while_held() -> None:
    station = ready()
    _, at_us = keyed_with(station, *right(station)[:2])
    station.limit_drive(20)
    assert station.truth(at_us).drive_w == 20
    station.limit_drive(70)
    assert station.truth(at_us).drive_w == 50
    station.hold(True)
    held = station.truth(at_us)
    assert (held.drive_w, held.forward_w, held.plate_ma, held.held) == (0, 0, 0, True)


def test_open_contacts_and_open_ports_reflect_everything() -> None:
    station = ready()
    _, at_us = keyed_with(station, *right(station)[:2])
    station.select_antenna(BEAM, at_us)

    moving = station.truth(at_us + 5_000)
    assert (moving.port, moving.radiated_w, moving.swr > 100) == (None, 0.0, True)
    assert station.truth(at_us + 20_000).port == BEAM
    assert station.switch.moved_under_power
    station.select_antenna(7, at_us + SECOND_US)
    assert station.truth(at_us + 2 * SECOND_US).swr > 100


def test_tank_moved_under_power_is_noted() -> None:
    station = ready()
    station.move_tank(500, 500, HOT_US)
    before = station.amplifier.moved_under_power

    station.set_rig(HOT_US + 1000, keyed=True)

    assert (before, station.amplifier.moved_under_power) == (False, True)
    assert not station.amplifier.operated_cold


def test_operated_cold_and_switched_in_under_power_are_noted() -> None:
    station = plover_sands()
    station.heater(True, 0)
    station.set_rig(0, keyed=True, drive_w=20.0)

    station.operate(True, 100 * SECOND_US)

    assert station.amplifier.operated_cold
    assert station.amplifier.switched_in_under_power


def test_cold_tube_gives_nothing() -> None:
    station = plover_sands(weather=CALM)
    station.heater(True, 0)
    station.operate(True, 1_000)
    station.set_rig(2_000, keyed=True, drive_w=50.0)

    truth = station.truth(5 * SECOND_US)

    assert truth.state is AmplifierState.WARM_UP
    assert truth.plate_ma < 1
    assert truth.forward_w < 1


def test_warm_up_and_cool_down_take_their_time() -> None:
    station = plover_sands()
    states = [station.truth(0).state]
    station.heater(True, 0)
    states += [station.truth(second * SECOND_US).state for second in (1, 179, 180)]
    station.operate(True, HOT_US)
    station.set_rig(HOT_US, keyed=True, drive_w=50.0)  # tank at its end stops: all heat
    station.heater(False, HOT_US + 20 * SECOND_US)
    states += [station.truth(HOT_US + second * SECOND_US).state for second in (21, 600)]

    off, warm, standby, cool = (
        AmplifierState.OFF,
        AmplifierState.WARM_UP,
        AmplifierState.STANDBY,
        AmplifierState.COOL_DOWN,
    )
    assert states == [off, warm, warm, standby, cool, off]


def test_without_its_blower_it_overheats_though_the_preset_is_right() -> None:
    station = ready()
    station.amplifier.blower_works = False
    _, at_us = keyed_with(station, *right(station)[:2])

    assert station.truth(at_us + 20 * SECOND_US).anode_c > 300


def test_rain_moves_the_antenna_and_the_preset_is_no_longer_right() -> None:
    station = ready(port=DIPOLE, frequency_hz=3_720_000)
    setting = station.solve(DIPOLE, 3_720_000, HOT_US)
    dry, at_us = keyed_with(station, setting.tune, setting.load)
    shower = Weather("rain", spells=(Spell("rain", 0, 1, HOUR_US, shift=-0.02),))
    station.set_weather(shower, at_us)
    wet = station.truth(at_us + 1)

    assert wet.swr > dry.swr + 0.2
    assert wet.mismatch_swr is not None
    assert dry.mismatch_swr is not None
    assert wet.mismatch_swr > dry.mismatch_swr + 0.1


def test_meters_have_error_noise_and_latency_and_show_the_same_when_asked_again() -> None:
    station = plover_sands(weather=CALM)
    station.set_rig(0, frequency_hz=DIAL_HZ, drive_w=40.0)
    station.set_rig(SECOND_US, keyed=True)

    early, later = station.readings(SECOND_US + 20_000), station.readings(SECOND_US + 100_000)

    assert (early.forward_w, station.truth(SECOND_US + 20_000).forward_w) == (0.0, 40.0)
    assert later == station.readings(SECOND_US + 100_000)
    shown = [station.readings(SECOND_US + 100_000 + number * 20_000).forward_w or 0.0 for number in range(200)]
    mean = sum(shown) / len(shown)
    assert mean != pytest.approx(40.0, abs=0.05)
    assert mean == pytest.approx(40.0, rel=0.05)
    assert len(set(shown)) > 3
    assert max(shown) - min(shown) < 0.04 * 40


def test_perfect_meters_show_the_truth() -> None:
    station = ready()
    truth, at_us = keyed_with(station, *right(station)[:2])
    readings = station.readings(at_us)

    assert readings.forward_w == pytest.approx(truth.forward_w, abs=0.05)
    assert readings.grid_ma == pytest.approx(truth.grid_ma, abs=0.05)
    assert readings.plate_v == pytest.approx(truth.plate_v, abs=0.05)
    assert (readings.tune, readings.load, readings.state) == (truth.tune, truth.load, AmplifierState.OPERATE)


def history(asked_every_us: int | None) -> Truth:
    """An evening with trips, tuning, rain and cool-down; asked about on the way, or not."""
    station = plover_sands(seed=5, trips=Trips())

    def key(at_us: int) -> None:
        station.set_rig(at_us, frequency_hz=14_150_000, keyed=True, drive_w=45.0)

    steps: list[tuple[int, Callable[[int], None]]] = [
        (0, partial(station.heater, True)),
        (HOT_US, partial(station.operate, True)),
        (HOT_US + 7, key),
        (HOT_US + 9, partial(station.auto_tune, True)),
        (HOT_US + 20 * SECOND_US, partial(station.set_rig, keyed=False)),
        (HOT_US + 25 * SECOND_US, partial(station.heater, False)),
    ]
    asked_us = 0
    for at_us, step in steps:
        while asked_every_us is not None and asked_us < at_us:
            station.truth(asked_us)
            station.readings(asked_us)
            asked_us += asked_every_us
        step(at_us)
    return station.truth(HOT_US + 60 * SECOND_US)


def test_the_same_history_gives_the_same_truth_however_often_one_asks() -> None:
    alone = history(None)

    assert history(None) == alone
    assert history(333_333) == alone


def test_positions_that_are_not_there_are_refused() -> None:
    station = ready()
    with pytest.raises(ValueError, match="load 4000: positions are 0 to 3999"):
        station.move_tank(10, 4_000, HOT_US)
    with pytest.raises(ValueError, match="no port 9"):
        station.select_antenna(9, HOT_US)
    with pytest.raises(ValueError, match="from 0 to 1000 W"):
        station.set_rig(HOT_US, drive_w=5_000.0)


@pytest.mark.parametrize("name", list(STATIONS))
def test_ready_made_stations_can_be_tuned_on_every_band_their_antennas_serve(name: str) -> None:
    station = STATIONS[name](weather=CALM)
    served = set()
    for port, run in station.aerials.items():
        for band in bands_of(run):
            served.add(band)
            tank_band = next(coil for coil in station.amplifier.make.tank.bands if coil.name == band)
            centre_hz = (tank_band.low_hz + tank_band.high_hz) // 2
            assert station.solve(port, centre_hz, 0).swr < 1.1, (port, band)

    assert served == {"80m", "40m", "20m", "17m", "15m", "12m", "10m"}
    assert len(station.aerials) == 3


def test_stations_differ_in_network_and_gain() -> None:
    assert PLOVER_SANDS.keys() == ORCHARD_BANK.keys()
    station = orchard_bank(meters=PERFECT)
    station.heater(True, 0)
    station.operate(True, HOT_US)
    station.set_rig(HOT_US, frequency_hz=7_150_000, drive_w=75.0)
    setting = station.solve(1, 7_150_000, HOT_US)

    truth, _ = keyed_with(station, setting.tune, setting.load)

    assert truth.gain == pytest.approx(20, rel=0.06)
    assert 1_400 <= truth.delivered_w <= 1_560
