"""A change-over as two devices hear it: its order, its waits, and everything that must not happen."""

import statistics
import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from foreign_devices import ForeignDevice
from foreign_rigs import ForeignRig, TcpWire
from foreign_voices import ElevenDigits, Panel
from running_daemon import TWO_DEVICE_PRESETS, RunningDaemon, qsyd, two_device_station, write_station

GUARD_S = 0.050
RELAY_SETTLE_S = 0.030
PRESET_SETTLE_S = 0.300
"""The defaults of a station file."""
WARM_UP_S = 2.0
COOL_DOWN_S = 1.0
LATE_S = 0.020
"""How much longer than asked a wait may typically be on a loaded machine."""
EDGE_20M = 14_175_000
"""Between 20m/1 and 20m/2: two equal parts of 14.000 to 14.350 MHz (47 CFR 97.301)."""


@dataclass
class Station:
    rig: ForeignRig
    switch: ForeignDevice
    amp: ForeignDevice
    daemon: RunningDaemon

    def mark(self) -> tuple[int, int]:
        return self.switch.mark(), self.amp.mark()

    def heard(self, since: tuple[int, int]) -> list[str]:
        """What both devices have heard since, in the order of time."""
        heard = [*self.switch.heard[since[0] :], *self.amp.heard[since[1] :]]
        return [each.line for each in sorted(heard, key=lambda each: each.at_s)]

    def go(self, hertz: int) -> tuple[int, int]:
        """Turn the dial and wait until transmit is released there; the marks from before."""
        since, events = self.mark(), self.daemon.mark()
        self.rig.tune(hertz)
        self.daemon.wait_for("change-over-finished", 8, events)
        self.daemon.wait_for("transmit-released", 8, events)
        return since


@pytest.fixture(scope="module")
def cold(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    """One station for the module, placed on 20 m with the amplifier off."""
    directory = tmp_path_factory.mktemp("change-over")
    with (
        ForeignRig(ElevenDigits(Panel(a_hz=14_205_000)), TcpWire()) as rig,
        ForeignDevice() as switch,
        ForeignDevice() as amp,
    ):
        file = write_station(directory / "station.yaml", two_device_station(rig.link, switch.link, amp.link))
        (directory / "presets.csv").write_text(TWO_DEVICE_PRESETS)
        state = directory / "state"
        done = qsyd("presets", "import", str(directory / "presets.csv"), "--state", str(state))
        assert (done.returncode, done.stdout) == (0, "imported: 6 presets\n")
        with RunningDaemon(file, state) as daemon:
            daemon.wait_settled(14_205_000)
            yield Station(rig, switch, amp, daemon)


@pytest.fixture(scope="module")
def station(cold: Station) -> Station:
    """The same, in operate; how it got there is a test's own question."""
    if cold.daemon.status()["amplifier"]["state"] != "operate":
        assert cold.daemon.qsyd("amplifier", "on").returncode == 0
        assert cold.daemon.qsyd("amplifier", "operate", "--when-ready").returncode == 0
    cold.daemon.wait_for("amplifier", 5, state="operate")
    cold.daemon.wait_status(lambda shown: shown["transmit"]["released"])
    return cold


def test_safe_state_goes_out_first_then_the_station_is_placed_barefoot(cold: Station) -> None:
    assert cold.amp.lines[:2] == ["HOLD", "LINE 0"]
    assert cold.switch.lines == ["PORT 1"]
    assert cold.amp.lines[2:] == ["TANK 220 221", "FREE"]
    assert cold.daemon.named("station-started")[0]["station"] == "Sandbar End"
    assert cold.daemon.events[0]["event"] == "station-started"


def test_warm_up_is_whole(cold: Station) -> None:
    """Refused with the seconds left, then armed; it ends in operate no sooner than the time from heater-on."""
    since = cold.amp.mark()
    done = cold.daemon.qsyd("amplifier", "operate")
    assert done.returncode == 1
    assert cold.daemon.qsyd("amplifier", "on").returncode == 0
    refused = cold.daemon.qsyd("amplifier", "operate")
    assert refused.returncode == 1
    assert refused.stdout == ""
    assert " s" in refused.stderr
    assert any(character.isdigit() for character in refused.stderr)
    warming = cold.daemon.wait_for("amplifier", state="warm-up")
    assert warming["was"] == "off"
    assert WARM_UP_S - 0.1 <= warming["ready_in_s"] <= WARM_UP_S
    assert "LINE 1" not in cold.amp.lines

    armed = cold.daemon.qsyd("amplifier", "operate", "--when-ready")

    assert armed.returncode == 0
    operating = cold.amp.wait_for("LINE 1", WARM_UP_S + 2, since)
    assert "HEAT 1" in cold.amp.lines[since:]
    assert WARM_UP_S <= operating.at_s - warming["at"] < WARM_UP_S + 1
    cold.daemon.wait_for("amplifier", state="operate")


def test_change_over_keeps_its_order_and_its_waits(station: Station) -> None:
    """No wait is ever short of what the file says; typically none is much longer."""
    places = (
        (7_050_000, 2, "410 411"),
        (21_200_000, 1, "150 151"),
        (3_700_000, 2, "800 801"),
        (14_250_000, 1, "220 221"),
        (7_200_000, 2, "420 421"),
    )
    gaps: dict[str, list[float]] = {"guard": [], "relay": [], "tank": [], "transfer relay": [], "standby": []}

    for hertz, port, tank in places:
        switched, amped = since = station.go(hertz)

        expected = ["HOLD", "LINE 0", f"PORT {port}", f"TANK {tank}", "LINE 1", "FREE"]
        assert station.heard(since) == expected
        held, line_0, tanked, line_1, freed = station.amp.heard[amped:]
        selected = station.switch.heard[switched]
        assert held.answered_s is not None
        assert selected.answered_s is not None
        assert tanked.answered_s is not None
        assert line_1.answered_s is not None
        gaps["standby"].append(line_0.at_s - held.at_s)
        gaps["guard"].append(selected.at_s - held.answered_s)
        gaps["relay"].append(tanked.at_s - selected.answered_s)
        gaps["tank"].append(line_1.at_s - tanked.answered_s)
        gaps["transfer relay"].append(freed.at_s - line_1.answered_s)

    for name, least_s in (
        ("guard", GUARD_S),
        ("relay", RELAY_SETTLE_S),
        ("tank", PRESET_SETTLE_S),
        ("transfer relay", RELAY_SETTLE_S),
    ):
        assert min(gaps[name]) >= least_s, (name, gaps[name])
        assert statistics.median(gaps[name]) <= least_s + LATE_S, (name, gaps[name])
    assert statistics.median(gaps["standby"]) <= LATE_S, "standby goes out at once"


def test_change_over_is_told_as_it_happens(station: Station) -> None:
    since = station.daemon.mark()
    station.go(14_250_000)
    told = station.daemon.events[since:]
    names = [event["event"] for event in told]

    assert names[:4] == ["frequency", "placed", "change-over-started", "transmit-inhibited"]
    assert names.index("transmit-released") < names.index("change-over-finished")
    placed, started = told[1], told[2]
    assert placed["rig"] == "main"
    assert (placed["band"], placed["segment"], placed["antenna"], placed["port"]) == ("20m", "20m/2", "hilltop-beam", 1)
    assert {"tune": 220, "load": 221}.items() <= placed["preset"].items()
    assert placed["rules"] == []
    assert started["to"] == {"antenna": "hilltop-beam", "segment": "20m/2"}
    assert started["from"]["antenna"] == "harbour-wire"
    assert station.daemon.named("change-over-finished", since)[0]["took_ms"] >= 1000 * (
        GUARD_S + RELAY_SETTLE_S + PRESET_SETTLE_S
    )
    commands = [(each["command"], each["output"], each["result"]) for each in told if each["event"] == "command"]
    assert ("select-antenna", "switch", "acknowledged") in commands
    assert {result for _, _, result in commands} == {"acknowledged"}
    # The device's own clock: a command took at least as long as the device did, and less than the whole change-over.
    selected = station.switch.heard[-1]
    assert selected.answered_s is not None
    took_ms = {each["command"]: each["took_ms"] for each in told if each["event"] == "command"}
    assert 1000 * (selected.answered_s - selected.at_s) <= took_ms["select-antenna"] + 1
    assert all(
        0 < each < station.daemon.named("change-over-finished", since)[0]["took_ms"] for each in took_ms.values()
    )
    assert all(isinstance(each["at"], float) and each["time"].endswith("Z") for each in told)


def test_status_tells_it_to_people_and_to_programs(station: Station) -> None:
    station.rig.tune(14_250_000)
    station.daemon.wait_for("frequency", transmit_hz=14_250_000)
    shown = station.daemon.wait_status(lambda status: bool(status["transmit"]["released"]))
    assert (shown["station"], shown["simulated"], shown["dry_run"]) == ("Sandbar End", False, False)
    rig = shown["rigs"]["main"]
    assert (rig["link"], rig["frequency_hz"], rig["transmit_hz"]) == ("up", 14_250_000, 14_250_000)
    assert (rig["split"], rig["mode"], rig["keyed"]) == (False, "usb", False)
    assert (shown["amplifier"]["state"], shown["amplifier"]["wish"]) == ("operate", "operate")
    assert shown["outputs"]["antenna"] == {"value": "hilltop-beam", "known": "acknowledged"}
    assert all(device["answers"] for device in shown["devices"].values())

    text = station.daemon.qsyd("status").stdout

    for said in ("Sandbar End", "released", "14.250 MHz", "hilltop-beam (port 1)", "tune 220, load 221", "OPERATE"):
        assert said in text


def test_inside_a_segment_nothing_at_all_happens(station: Station) -> None:
    since = station.mark()
    for hertz in range(14_200_000, 14_340_000, 10_000):
        station.rig.tune(hertz)
        time.sleep(0.02)
    station.daemon.wait_for("frequency", transmit_hz=14_330_000)
    time.sleep(0.3)

    assert station.heard(since) == []


def test_other_segment_of_the_same_antenna_moves_no_relay(station: Station) -> None:
    since = station.go(14_050_000)
    assert station.heard(since) == ["HOLD", "LINE 0", "TANK 210 211", "LINE 1", "FREE"]


def test_chatter_at_a_segment_edge_moves_nothing(station: Station) -> None:
    """Within the hysteresis of 1 kHz and without a rest of 150 ms: the setting in force counts as valid."""
    station.rig.tune(EDGE_20M - 300)
    station.daemon.wait_for("frequency", transmit_hz=EDGE_20M - 300)
    time.sleep(0.4)
    since = station.mark()

    for turn in range(40):
        station.rig.tune(EDGE_20M + (300 if turn % 2 == 0 else -300))
        time.sleep(0.03)
    time.sleep(0.3)

    assert station.heard(since) == []


def test_keyed_within_the_band_only_inhibits(station: Station) -> None:
    """The tank waits for unkey, and so does standby, for two seconds at most."""
    since, events = station.mark(), station.daemon.mark()
    station.rig.panel.keyed = True
    station.daemon.wait_for("keyed", since=events)
    station.rig.tune(14_300_000)
    station.amp.wait_for("HOLD", 2, since[1])
    time.sleep(0.6)
    assert station.heard(since) == ["HOLD"]

    station.rig.panel.keyed = False

    station.daemon.wait_for("unkeyed", since=events)
    station.daemon.wait_for("transmit-released", 5, events)
    assert station.heard(since) == ["HOLD", "LINE 0", "TANK 220 221", "LINE 1", "FREE"]


def test_keyed_to_another_band_stands_by_and_waits_with_the_rest(station: Station) -> None:
    """Full power into the wrong tank is the greater harm: standby goes out keyed; the antenna never does."""
    since, events = station.mark(), station.daemon.mark()
    station.rig.panel.keyed = True
    station.daemon.wait_for("keyed", since=events)
    station.rig.tune(7_200_000)
    station.amp.wait_for("LINE 0", 2, since[1])
    time.sleep(0.8)
    assert station.heard(since) == ["HOLD", "LINE 0"]
    reasons = station.daemon.status()["transmit"]["reasons"]
    assert any("unkey" in reason for reason in reasons)

    unkeyed_s = time.monotonic()
    station.rig.panel.keyed = False

    selected = station.switch.wait_for("PORT 2", 5, since[0])
    assert selected.at_s - unkeyed_s >= GUARD_S
    station.daemon.wait_for("transmit-released", 5, events)
    assert station.heard(since) == ["HOLD", "LINE 0", "PORT 2", "TANK 420 421", "LINE 1", "FREE"]


def test_newest_target_wins_and_an_antenna_left_half_way_is_selected_again(station: Station) -> None:
    """Three places within one change-over: it ends where the dial is, released only there."""
    since, events = station.mark(), station.daemon.mark()
    for hertz in (14_100_000, 3_600_000, 14_300_000):
        station.rig.tune(hertz)
        time.sleep(0.09)

    station.daemon.wait_until(
        lambda told: told["event"] == "change-over-finished" and told["segment"] == "20m/2", "end on 20m/2", 8, events
    )

    heard = station.heard(since)
    assert heard[0] == "HOLD"
    assert heard.count("FREE") == 1
    assert heard[-3:] == ["TANK 220 221", "LINE 1", "FREE"]
    assert [line for line in heard if line.startswith("PORT")][-1] == "PORT 1"


def test_nothing_serves_the_frequency_so_transmit_is_inhibited_and_nothing_moves(station: Station) -> None:
    since, events = station.mark(), station.daemon.mark()

    station.rig.tune(10_120_000)

    placed = station.daemon.wait_for("placed", since=events)
    assert (placed["band"], placed["antenna"], placed["port"], placed["preset"]) == ("30m", None, None, None)
    station.amp.wait_for("LINE 0", 2, since[1])
    time.sleep(0.3)
    assert station.heard(since) == ["HOLD", "LINE 0"]
    station.rig.tune(14_300_000)
    station.amp.wait_for("LINE 1", 5, since[1])
    operating = station.daemon.wait_for("amplifier", 5, events, state="operate")
    station.daemon.wait_until(
        lambda told: told["event"] == "transmit-released" and told["at"] >= operating["at"], "release", 5, events
    )
    heard = station.heard(since)
    assert heard[-2:] == ["LINE 1", "FREE"]
    assert set(heard) == {"HOLD", "LINE 0", "LINE 1", "FREE"}, "the setting in force is the right one still"


def test_off_goes_through_standby_and_cool_down(station: Station) -> None:
    since = station.mark()

    assert station.daemon.qsyd("amplifier", "off").returncode == 0

    station.amp.wait_for("HEAT 0", 5, since[1])
    cooling = station.daemon.wait_for("amplifier", state="cool-down", was="operate")
    off = station.daemon.wait_for("amplifier", state="off", was="cool-down")
    assert off["at"] - cooling["at"] >= COOL_DOWN_S
    heard = station.heard(since)
    assert heard.index("LINE 0") < heard.index("HEAT 0")
    station.daemon.wait_status(lambda shown: shown["transmit"]["released"])


def test_rig_was_never_keyed(station: Station) -> None:
    station.rig.assert_never_keyed()
    assert station.rig.heard
