"""The tube's account, live: a real key, real meters, and what is left of it after a stop and after a kill."""

import json
import time
from math import log10
from pathlib import Path
from typing import Any

import pytest
from live_station import LONG, LiveStation, live_station, until
from running_daemon import RunningDaemon

KEYED_S = 1.2
LOST_AT_MOST_S = 60


def account(daemon: RunningDaemon) -> dict[str, Any]:
    done = daemon.qsyd("tube", "--json")
    assert done.returncode == 0, done.stderr
    shown: dict[str, Any] = json.loads(done.stdout)
    return shown


def over(station: LiveStation) -> None:
    station.key.press()
    time.sleep(KEYED_S)
    station.key.let_go()


def of_a_kilowatt(station: LiveStation) -> None:
    """The amplifier of these tests gives 800 W for 50 W: about full output for one of 1 kW."""
    text = station.file.read_text()
    station.file.write_text(text.replace("  warm_up: 300 ms", "  warm_up: 300 ms\n  output: 1000 W"))


def test_overs_are_counted_with_their_gain_and_are_there_after_a_restart(tmp_path: Path) -> None:
    with live_station(tmp_path) as station:
        of_a_kilowatt(station)
        with station.daemon() as daemon:
            station.operate(daemon)
            over(station)
            until(lambda: account(daemon)["overs"], (1).__eq__)
            over(station)
            before = until(lambda: account(daemon), lambda shown: shown["overs"] == 2)
            status = daemon.status()["tube"]
            text = daemon.qsyd("tube").stdout
            assert daemon.stop() == 0
        with station.daemon() as daemon:
            daemon.wait_for("placed")
            after = account(daemon)

    assert before["heater_s"] >= before["operate_s"] >= before["key_down_s"] >= 1
    (day,) = before["days"]
    assert (day["overs"], day["gain_overs"]) == (2, 2)
    assert day["gain_db"] == pytest.approx(10 * log10(800 / 50), abs=0.01)
    assert status["days"] == [day]
    assert f"{day['date']}      2  12.0 dB, from 2 overs" in text
    assert (after["overs"], after["days"]) == (2, [day])
    assert after["heater_s"] >= before["heater_s"]


@pytest.mark.skipif(not LONG, reason="QSYD_LONG=1 runs it: two minutes")
@pytest.mark.timeout(240)
def test_a_kill_loses_less_than_a_minute(tmp_path: Path) -> None:
    with live_station(tmp_path) as station:
        with station.daemon() as daemon:
            station.operate(daemon)
            time.sleep(100)
            before = account(daemon)
            daemon.kill()
        with station.daemon() as daemon:
            daemon.wait_for("placed")
            after = account(daemon)

    assert before["operate_s"] >= 98
    assert before["operate_s"] - LOST_AT_MOST_S <= after["operate_s"] <= before["operate_s"]


def test_a_new_tube_begins_with_nothing_and_the_old_ones_account_is_kept(tmp_path: Path) -> None:
    with live_station(tmp_path) as station:
        of_a_kilowatt(station)
        with station.daemon() as daemon:
            station.operate(daemon)
            over(station)
            old = until(lambda: account(daemon), lambda shown: shown["overs"] == 1)
            for wrong in (("new",), ("--reason", "x"), ("new", "--reason", "x", "--json")):
                assert daemon.qsyd("tube", *wrong).returncode == 2
            assert daemon.qsyd("tube", "new", "--reason", " ").returncode == 2
            done = daemon.qsyd("tube", "new", "--reason", "the old one was soft")
            assert (done.returncode, done.stderr) == (0, "")
            told = daemon.wait_for("tube-replaced")
            assert (told["reason"], told["overs"]) == ("the old one was soft", 1)
            over(station)
            until(lambda: account(daemon)["overs"], (1).__eq__)
            assert "began the account of a new tube: the old one was soft" in daemon.qsyd("history").stdout
            assert daemon.stop() == 0
        with station.daemon() as daemon:
            daemon.wait_for("placed")
            shown, text = account(daemon), daemon.qsyd("tube").stdout

    (kept,) = shown["earlier"]
    assert (kept["overs"], kept["days"], kept["reason"]) == (1, old["days"], "the old one was soft")
    assert kept["heater_s"] >= old["heater_s"] >= 1
    assert (shown["overs"], shown["days"][0]["overs"]) == (1, 1)
    assert shown["heater_s"] < kept["heater_s"] + 30
    assert text.rstrip().endswith("      1  the old one was soft")
