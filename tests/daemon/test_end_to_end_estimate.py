"""A segment without a preset, as the devices hear it: an estimate with a quarter of the drive, said everywhere."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from foreign_devices import ForeignDevice
from foreign_rigs import ForeignRig, TcpWire
from foreign_voices import ElevenDigits, Panel
from running_daemon import AMP_COMMANDS, RunningDaemon, line_output, qsyd, write_station
from true_tank import TrueTank

from qsyd_daemon.preset_table import write_table
from qsyd_daemon.station_file.load import load_station
from qsyd_rules.segment import Segment

HZ = 3_750_000
"""In 80m/3 of five."""
DRIVE_W, REDUCED_W = 60, 15


def a_file(path: Path, rig: str, amp: str, switch: str, policy: str = "estimate") -> Path:
    return write_station(
        path,
        [
            "station: Sandbar End",
            "region: 2",
            f"rigs: {{main: {{link: '{rig}', protocol: ascii-cat, frequency_digits: 11, poll: 20 ms, push: true}}}}",
            "antennas:",
            "  harbour-wire:",
            "    port: 1",
            "    bands: [80m]",
            "    resonances: [{frequency: 3.68 MHz, bandwidth: 180 kHz}]",
            "amplifier:",
            "  follows: main",
            "  bands: [80m]",
            "  warm_up: 300 ms",
            f"  without_preset: {policy}",
            "  limits: {drive: 80 W}",
            "outputs:",
            line_output("switch", switch, {"select-antenna": "PORT {port}"}),
            line_output("amp", amp, AMP_COMMANDS | {"limit-drive": "DRIVE {drive_w}"}),
        ],
    )


@dataclass
class Station:
    rig: ForeignRig
    amp: ForeignDevice
    daemon: RunningDaemon
    file: Path
    tune: int
    load: int


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    """In operate on 80m/1, with presets for all of 80 m but its third segment."""
    directory = tmp_path_factory.mktemp("estimate")
    with (
        ForeignRig(ElevenDigits(Panel(a_hz=3_550_000)), TcpWire()) as rig,
        ForeignDevice() as switch,
        ForeignDevice() as amp,
    ):
        file = a_file(directory / "station.yaml", rig.link, amp.link, switch.link)
        presets = TrueTank().presets("harbour-wire", _segments(file), drive_w=DRIVE_W)
        truth = presets.pop(("harbour-wire", "80m/3"))
        (directory / "presets.csv").write_text(write_table(presets.values()))
        state = directory / "state"
        assert qsyd("presets", "import", str(directory / "presets.csv"), "--state", str(state)).returncode == 0
        with RunningDaemon(file, state) as daemon:
            daemon.wait_settled(3_550_000)
            assert daemon.qsyd("amplifier", "on").returncode == 0
            assert daemon.qsyd("amplifier", "operate", "--when-ready").returncode == 0
            daemon.wait_for("amplifier", 5, state="operate")
            daemon.wait_status(lambda shown: shown["transmit"]["released"])
            yield Station(rig, amp, daemon, file, truth.tune, truth.load)


def _segments(file: Path) -> list[Segment]:
    return [segment for segment in load_station(file).station.segments if segment.band == "80m"]


def test_the_estimate_goes_out_with_reduced_drive_and_every_view_says_what_it_is(station: Station) -> None:
    since, events = station.amp.mark(), station.daemon.mark()
    station.rig.tune(HZ)
    placed = station.daemon.wait_settled(HZ, since=events)

    preset = placed["preset"]
    assert preset["estimate"] is True
    assert abs(preset["tune"] - station.tune) <= preset["tune_error"] <= 10
    assert abs(preset["load"] - station.load) <= preset["load_error"] <= 10
    lines = station.amp.lines[since:]
    assert lines == [
        "HOLD",
        "LINE 0",
        f"TANK {preset['tune']} {preset['load']}",
        f"DRIVE {REDUCED_W}",
        "LINE 1",
        "FREE",
    ]
    recall = station.daemon.wait_for("command", 5, events, command="recall-preset")
    assert recall["estimate"] is True
    status = station.daemon.wait_status(lambda shown: shown["amplifier"]["state"] == "operate")
    assert status["placed"]["preset"] == preset
    assert status["placed"]["drive_w"] == REDUCED_W
    assert status["outputs"]["tank"]["value"]["estimate"] is True
    text = station.daemon.qsyd("status").stdout
    assert f"ESTIMATE, not a preset: tune {preset['tune']} ±{preset['tune_error']}" in text


def test_back_on_a_preset_nothing_is_estimated(station: Station) -> None:
    since, events = station.amp.mark(), station.daemon.mark()
    station.rig.tune(3_650_000)
    placed = station.daemon.wait_settled(3_650_000, since=events)

    assert set(placed["preset"]) == {"tune", "load"}
    assert f"DRIVE {DRIVE_W}" in station.amp.lines[since:]


def test_explain_and_plan_show_it_for_what_it_is(station: Station) -> None:
    explained = json.loads(station.daemon.qsyd("explain", str(station.file), "3.75 MHz", "--json").stdout)
    told = station.daemon.qsyd("explain", str(station.file), "3.75 MHz").stdout
    rows = json.loads(station.daemon.qsyd("plan", str(station.file), "--json").stdout)
    sheet = station.daemon.qsyd("plan", str(station.file)).stdout
    checked = station.daemon.qsyd("check", str(station.file)).stdout

    assert explained["preset"]["estimate"] is True
    assert explained["preset"]["made_from"] == ["80m/1", "80m/2", "80m/4", "80m/5"]
    assert explained["drive_w"] == REDUCED_W
    assert explained["amplifier"]["state"] == "operate"
    assert "on an estimate, with at most 15 W of drive" in told
    (row,) = [row for row in rows if row["segment"] == "80m/3"]
    assert row["preset"] == "missing"
    assert row["estimate"]["tune"] == explained["preset"]["tune"]
    assert all("estimate" not in other for other in rows if other is not row)
    assert "missing; estimate tune" in sheet
    assert "Each of 4 presets left out in turn is missed by" in sheet
    assert "harbour-wire: 80m/3 (estimate)" in checked


def test_the_advice_is_a_list_of_its_own(station: Station) -> None:
    (row,) = json.loads(station.daemon.qsyd("plan", str(station.file), "--advice", "--json").stdout)
    text = station.daemon.qsyd("plan", str(station.file), "--advice").stdout

    assert (row["antenna"], row["band"], row["segments"], row["source"]) == ("harbour-wire", "80m", 5, "station file")
    assert row["needed"] > 5, "the antenna is as sharp as the tank"
    assert row["edge_swr"] > row["wanted_swr"] == 1.4
    assert row["needed_edge_swr"] <= 1.41
    assert (row["resonance_hz"], row["bandwidth_hz"]) == (3_680_000, 180_000)
    assert "resonant at 3.680 MHz" in text


def test_with_the_default_the_same_place_is_barefoot(station: Station, tmp_path: Path) -> None:
    file = tmp_path / "station.yaml"
    file.write_text(station.file.read_text().replace("without_preset: estimate", "without_preset: standby"))
    explained = json.loads(station.daemon.qsyd("explain", str(file), "3.75 MHz", "--json").stdout)

    assert explained["preset"] is None
    assert explained["amplifier"]["state"] == "standby"
