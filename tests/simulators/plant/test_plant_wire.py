"""The plant's amplifier as it is spoken to, and the operator's console of the bench."""

import re

import pytest

from qsyd_simulators.amplifier_box import AmplifierBox
from qsyd_simulators.amplifier_wire import AmplifierWire
from qsyd_simulators.line_wire import LineWire
from qsyd_simulators.plant.bench import Bench
from qsyd_simulators.plant.plant_wire import METERS_MATCH, PlantWire
from qsyd_simulators.plant.stations import plover_sands
from qsyd_simulators.plant.weather import CALM
from qsyd_simulators.transceiver import Transceiver

SECOND_US = 1_000_000
HOT_US = 200 * SECOND_US
SHORT_MATCH = r"^F(?P<forward_w>\d+) R(?P<reflected_w>\d+) G(?P<grid_ma>\d+) T(?P<tune>\d+) L(?P<load>\d+)"
"""What README shows for the simple box."""


def said(wire: LineWire, line: str, at_us: int) -> str:
    return wire.received(line.encode() + b"\n", at_us).decode().rstrip("\n")


def test_it_obeys_the_lines_of_the_simple_box() -> None:
    plant, box = PlantWire(plover_sands().amplifier), AmplifierWire(AmplifierBox())
    for line in ("HOLD", "FREE", "HEAT 1", "LINE 1", "LINE 0", "TANK 512 344", "DRIVE 50", "HV 0", "HEAT 0"):
        assert said(plant, line, SECOND_US) == said(box, line, SECOND_US) == "OK"
    for answer in (said(plant, "METERS", 10 * SECOND_US), said(box, "METERS", 10 * SECOND_US)):
        found = re.search(SHORT_MATCH, answer)
        assert found is not None
        assert found.group("tune", "load") == ("512", "344")


def test_meters_tell_more_than_the_simple_boxs() -> None:
    station = plover_sands(weather=CALM)
    wire = PlantWire(station.amplifier)
    setting = station.solve(1, 14_205_000, 0)
    station.set_rig(0, frequency_hz=14_205_000, drive_w=50.0)
    said(wire, "HEAT 1", 0)
    said(wire, f"TANK {setting.tune} {setting.load}", 0)
    said(wire, "LINE 1", HOT_US)
    station.set_rig(HOT_US, keyed=True)

    found = re.search(METERS_MATCH, said(wire, "METERS", HOT_US + SECOND_US))

    assert found is not None
    assert found["state"] == "operate"
    assert found["fault"] == "-"
    assert float(found["drive_w"]) == pytest.approx(50, rel=0.06)
    assert float(found["plate_v"]) == pytest.approx(3_300, rel=0.06)
    assert float(found["plate_ma"]) == pytest.approx(740, rel=0.07)
    assert float(found["forward_w"]) == pytest.approx(1_500, rel=0.08)
    assert 25 <= float(found["temperature_c"]) <= 60


def test_automatic_tuning_has_a_line() -> None:
    station = plover_sands(weather=CALM)
    wire = PlantWire(station.amplifier)
    station.heater(True, 0)
    station.set_rig(0, frequency_hz=14_205_000, drive_w=50.0)
    said(wire, "LINE 1", HOT_US)
    station.set_rig(HOT_US, keyed=True)

    assert said(wire, "AUTO 1", HOT_US) == "OK"
    assert station.truth(HOT_US + 5 * SECOND_US).forward_w > 1_350
    assert said(wire, "AUTO 0", HOT_US + 6 * SECOND_US) == "OK"


def test_own_trip_is_told_and_reset() -> None:
    plant = plover_sands().amplifier
    wire = PlantWire(plant)
    plant.fault = "grid current 250 mA"

    assert said(wire, "METERS", SECOND_US).endswith("Sfault Xgrid current 250 mA")
    assert said(wire, "LINE 1", SECOND_US) == "ERR tripped on grid current 250 mA; RESET comes first"
    assert said(wire, "RESET", SECOND_US) == "OK"
    assert said(wire, "METERS", SECOND_US).endswith("Soff X-")


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("TANK 4000 0", "ERR tune 4000: positions are 0 to 3999"),
        ("TANK 1 x", "ERR x is not a whole number"),
        ("AUTO", "ERR lines are: HOLD"),
        ("BANG", "ERR lines are: HOLD"),
    ],
)
def test_bad_line_is_answered_with_what_would_be_right(line: str, answer: str) -> None:
    assert said(PlantWire(plover_sands().amplifier), line, 0).startswith(answer)


class Clock:
    """Time that a test moves."""

    def __init__(self) -> None:
        self.now_us = 0

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bench(clock: Clock) -> Bench:
    rig = Transceiver(14_205_000)
    rig.set_drive(50_000)
    return Bench(plover_sands(weather=CALM), rig, clock)


def test_console_keys_tunes_and_drives_the_rig_and_the_plant_follows(bench: Bench, clock: Clock) -> None:
    for line in ("tune 7.1 MHz", "drive 40 W", "antenna 2", "key"):
        clock.now_us += SECOND_US
        bench.obey(line)
    clock.now_us += SECOND_US

    truth = bench.station.truth(clock.now_us)

    assert (truth.frequency_hz, truth.port, truth.drive_w, truth.forward_w) == (7_100_000, 2, 40.0, 40.0)
    assert "keyed" in bench.obey("show")
    assert "off; 7.100000 MHz on port 2; drive 40.0 W; forward 40 W" in bench.obey("truth")
    bench.obey("unkey")
    assert bench.station.truth(clock.now_us).forward_w == 0


def test_split_transmits_on_the_other_vfo(bench: Bench, clock: Clock) -> None:
    bench.obey("other 14.300 MHz")
    bench.obey("split on")

    assert bench.station.truth(clock.now_us).frequency_hz == 14_300_000


def test_console_changes_the_weather_and_the_blower(bench: Bench, clock: Clock) -> None:
    clock.now_us = HOT_US
    bench.obey("weather rain")
    bench.obey("blower off")

    assert bench.station.weather.name == "rain"
    assert bench.station.weather.since_us == HOT_US
    assert not bench.station.amplifier.blower_works


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("drive", "write it like drive 50 W"),
        ("drive 500 W", "from 0 to 100000 mW"),
        ("antenna mast", "write the number of a port"),
        ("antenna 9", "no port 9"),
        ("auto", "write 'auto on' or 'auto off'"),
        ("weather hail", "'hail' is no weather; there are calm, changeable, rain"),
        ("explode", "'explode' is not understood"),
    ],
)
def test_bad_line_is_answered_in_plain_words(bench: Bench, line: str, answer: str) -> None:
    assert answer in bench.obey(line)


def test_help_names_what_both_understand(bench: Bench) -> None:
    text = bench.obey("help")

    assert all(word in text for word in ("drive", "antenna", "auto", "weather", "truth", "tune", "key, unkey", "split"))
