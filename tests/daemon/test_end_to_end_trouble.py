"""The station in trouble: devices that fail, a daemon that is killed, a second one, and what is left safe afterwards."""

import json
import resource
import signal
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from foreign_devices import Fault, ForeignDevice
from foreign_rigs import ForeignRig, TcpWire
from foreign_voices import ElevenDigits, Panel
from running_daemon import TWO_DEVICE_PRESETS, RunningDaemon, qsyd, two_device_station, write_station

HOME_HZ = 14_205_000
ELSEWHERE_HZ = 7_050_000
FAULTS = (Fault.SILENT, Fault.REFUSES, Fault.STALLED, Fault.CLOSES)


@dataclass
class Station:
    """A station whose daemon can be started again and again. `rig` is never to be keyed, whatever happens."""

    directory: Path
    rig: ForeignRig
    switch: ForeignDevice
    amp: ForeignDevice

    @property
    def file(self) -> Path:
        return self.directory / "station.yaml"

    @property
    def state(self) -> Path:
        return self.directory / "state"

    def daemon(self, *options: str) -> RunningDaemon:
        return RunningDaemon(self.file, self.state, *options)


@contextmanager
def _station(directory: Path) -> Iterator[Station]:
    with (
        ForeignRig(ElevenDigits(Panel(a_hz=HOME_HZ)), TcpWire()) as rig,
        ForeignDevice() as switch,
        ForeignDevice() as amp,
    ):
        write_station(directory / "station.yaml", two_device_station(rig.link, switch.link, amp.link, warm_up="300 ms"))
        (directory / "presets.csv").write_text(TWO_DEVICE_PRESETS)
        done = qsyd("presets", "import", str(directory / "presets.csv"), "--state", str(directory / "state"))
        assert done.returncode == 0, done.stderr
        yield Station(directory, rig, switch, amp)


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    with _station(tmp_path) as station:
        yield station


def _processor_s() -> float:
    """Processor time of all processes that have ended under this one, in seconds."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _operate(daemon: RunningDaemon) -> None:
    daemon.wait_settled(HOME_HZ)
    assert daemon.qsyd("amplifier", "on").returncode == 0
    assert daemon.qsyd("amplifier", "operate", "--when-ready").returncode == 0
    operating = daemon.wait_for("amplifier", 6, state="operate")
    daemon.wait_until(lambda told: told["event"] == "transmit-released" and told["at"] >= operating["at"], "release")


@pytest.fixture(scope="module")
def troubles(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[Fault, Future[None]]]:
    """A station for each way in which a switch can fail, some at a time: they mostly wait."""
    with ThreadPoolExecutor(4) as pool:
        yield {fault: pool.submit(_trouble, fault, tmp_path_factory.mktemp("trouble")) for fault in FAULTS}


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_switch_that_does_not_answer_leaves_the_station_safe_and_recovers_by_itself(
    fault: Fault, troubles: dict[Fault, Future[None]]
) -> None:
    """Inhibited, in standby, with the reason; tried again by itself, and released once it answers."""
    troubles[fault].result()


def _trouble(fault: Fault, directory: Path) -> None:
    with _station(directory) as station, station.daemon() as daemon:
        _operate(daemon)
        since, amped = daemon.mark(), station.amp.mark()
        station.switch.fault = fault

        station.rig.tune(ELSEWHERE_HZ)

        failed = daemon.wait_for("output-failed", 5, since, output="switch", command="select-antenna")
        assert failed["error"]
        assert daemon.wait_for("command", 5, since, output="switch")["result"] == "failed"
        status = daemon.wait_status(lambda shown: not shown["devices"]["switch"]["answers"])
        assert status["transmit"]["released"] is False
        assert any("antenna" in reason for reason in status["transmit"]["reasons"])
        assert status["amplifier"]["state"] == "standby"
        assert status["outputs"]["antenna"]["known"] == "unknown"
        assert station.amp.lines[amped:][:2] == ["HOLD", "LINE 0"]
        assert not {"FREE", "LINE 1"} & set(station.amp.lines[amped:])
        assert not any(line.startswith("TANK") for line in station.amp.lines[amped:])

        switched = station.switch.mark()
        station.switch.fault = Fault.NONE

        daemon.wait_for("output-recovered", 12, since, output="switch")
        daemon.wait_for("transmit-released", 8, since)
        assert station.switch.lines[switched:][-1] == "PORT 2"
        # A disk that takes half a second for the note puts barefoot in between; operate follows within seconds.
        daemon.wait_status(lambda shown: shown["amplifier"]["state"] == "operate" and shown["transmit"]["released"], 15)
        assert [line for line in station.amp.lines[amped:] if line.startswith("TANK")] == ["TANK 410 411"]
        assert station.amp.lines[amped:][-2:] == ["LINE 1", "FREE"]


def test_an_amplifier_that_ignores_operate_alone_keeps_its_warm_up_and_leaves_the_station_on_the_air(
    station: Station,
) -> None:
    """Its link is opened anew over each try; barefoot goes on between them, and a person who asks again is heard."""
    with station.daemon() as daemon:
        _operate(daemon)
        assert daemon.qsyd("amplifier", "standby").returncode == 0
        station.amp.deaf_to = frozenset({"LINE 1"})
        since, amped = daemon.mark(), station.amp.mark()
        assert daemon.qsyd("amplifier", "operate").returncode == 0
        time.sleep(20)
        tried_s = [heard.at_s for heard in station.amp.heard[amped:] if heard.line == "LINE 1"]
        pauses_s = [later - earlier for earlier, later in pairwise(tried_s) if later - earlier > 0.5]
        told = daemon.events[since:]

        assert len(pauses_s) <= 5, pauses_s
        assert pauses_s[-1] > 3, pauses_s
        assert sum(each["event"] == "transmit-released" for each in told) >= 2
        assert [each for each in told if each["event"] == "amplifier" and each["state"] in {"off", "warm-up"}] == []
        station.amp.deaf_to = frozenset()
        time.sleep(1)
        assert daemon.qsyd("amplifier", "operate").returncode == 0
        daemon.wait_for("amplifier", 5, since, state="operate")


def test_late_acknowledgement_of_a_first_try_confirms_nothing_else(station: Station) -> None:
    """Each `OK` comes after the time-out: whatever is released was selected, and the antenna ends where the dial is."""
    with station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ)
        since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
        station.switch.late_s = 0.4

        station.rig.tune(ELSEWHERE_HZ)
        time.sleep(0.5)
        station.rig.tune(HOME_HZ)
        time.sleep(0.5)
        station.rig.tune(ELSEWHERE_HZ)

        daemon.wait_until(
            lambda told: told["event"] == "change-over-finished" and told["antenna"] == "harbour-wire", "end", 12, since
        )
        daemon.wait_for("transmit-released", 5, since)
        assert station.switch.lines[-1] == "PORT 2"
        freed_s = [heard.at_s for heard in station.amp.heard[amped:] if heard.line == "FREE"]
        selected = [heard for heard in station.switch.heard[switched:] if heard.answered_s is not None]
        assert freed_s
        for at_s in freed_s:
            before = [heard for heard in selected if heard.answered_s is not None and heard.answered_s <= at_s]
            assert before, "released before the switch answered anything"


def test_amplifier_box_that_hangs_up_is_told_the_safe_state_again(station: Station) -> None:
    with station.daemon() as daemon:
        _operate(daemon)
        since, amped, connections = daemon.mark(), station.amp.mark(), station.amp.connections

        station.amp.hang_up()

        daemon.wait_for("transmit-inhibited", 2, since)
        station.amp.wait_for("LINE 0", 5, amped)
        assert station.amp.connections > connections
        assert "HOLD" in station.amp.lines[amped:]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_end_it_leaves_the_station_safe(station: Station, number: signal.Signals) -> None:
    with station.daemon() as daemon:
        _operate(daemon)
        amped = station.amp.mark()

        code = daemon.stop(number)

        assert code == 0
        assert station.amp.lines[amped:] == ["HOLD", "LINE 0"]
        assert daemon.events[-1]["event"] == "station-stopped"
        assert qsyd("status", "--state", str(station.state)).returncode == 69


def test_killed_in_mid_change_over_it_starts_safe_and_does_not_operate_by_itself(station: Station) -> None:
    with station.daemon() as daemon:
        _operate(daemon)
        switched = station.switch.mark()
        station.rig.tune(ELSEWHERE_HZ)
        station.switch.wait_for("PORT 2", 5, switched)
        daemon.kill()
    amped = station.amp.mark()

    with station.daemon() as daemon:
        station.amp.wait_for("LINE 0", 5, amped)
        assert station.amp.lines[amped:][:2] == ["HOLD", "LINE 0"]
        daemon.wait_settled(ELSEWHERE_HZ)
        status = daemon.status()
        assert status["amplifier"]["state"] == "off"
        assert status["amplifier"]["wish"] == "standby"
        time.sleep(1.5)
        assert not {"LINE 1", "HEAT 1"} & set(station.amp.lines[amped:])


def test_second_daemon_is_refused_at_once_and_told_who_holds(station: Station) -> None:
    with station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ)
        switched, amped = station.switch.mark(), station.amp.mark()
        connections = station.amp.connections
        began_s = _processor_s()

        second = qsyd("run", str(station.file), "--state", str(station.state))

        assert second.returncode == 75
        assert _processor_s() - began_s < 3.0, "at once: what starting takes on a slow machine, and no more"
        *warnings, error = second.stderr.splitlines()
        assert error.startswith("error: ")
        assert f"process {daemon.process.pid}" in error
        assert all(": warning: " in line for line in warnings), "the file's own, such as a short warm-up"
        assert station.amp.connections == connections
        assert (station.switch.lines[switched:], station.amp.lines[amped:]) == ([], [])


def test_dry_run_decides_and_sends_nothing(station: Station) -> None:
    with station.daemon("--dry-run", "--events", "-") as daemon:
        daemon.wait_for("placed", band="20m", antenna="hilltop-beam")
        station.rig.tune(ELSEWHERE_HZ)
        daemon.wait_for("placed", band="40m", antenna="harbour-wire")
        assert daemon.status()["dry_run"] is True
        assert daemon.stop() == 0

    assert station.switch.lines == []
    assert station.amp.lines == []
    assert station.switch.connections == station.amp.connections == 0


def test_events_file_is_appended_to_and_flushed_line_by_line(station: Station) -> None:
    path = station.directory / "events.jsonl"
    path.write_text('{"event":"of-before"}\n')
    for starts in (1, 2):
        with station.daemon("--events", str(path)) as daemon:
            end_s = time.monotonic() + 8
            while path.read_text().count('"link-up"') < starts:
                assert time.monotonic() < end_s, path.read_text()
                time.sleep(0.02)
            daemon.kill()  # what was flushed is there whatever happens next
    told = [json.loads(line) for line in path.read_text().splitlines()]

    assert told[0] == {"event": "of-before"}
    assert [event["event"] for event in told].count("station-started") == 2
    assert all({"at", "time", "event"} <= event.keys() for event in told[1:])


def test_without_any_device_and_with_a_rig_that_is_not_there_it_keeps_trying(tmp_path: Path) -> None:
    """Nobody listens anywhere: inhibited, said once, and an end on demand."""
    file = write_station(
        tmp_path / "station.yaml", two_device_station("tcp:127.0.0.1:1", "tcp:127.0.0.1:1", "tcp:127.0.0.1:1")
    )
    with RunningDaemon(file, tmp_path / "state") as daemon:
        daemon.wait_for("output-failed", 6, output="amp")
        time.sleep(0.5)
        status = daemon.status()
        assert status["transmit"]["released"] is False
        assert status["rigs"]["main"]["link"] == "lost"
        assert status["rigs"]["main"]["because"]
        assert not daemon.named("link-up")
        assert daemon.stop() == 0


def test_presets_through_the_running_daemon_take_effect_at_once(station: Station) -> None:
    with station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ)
        since, amped = daemon.mark(), station.amp.mark()

        saved = daemon.qsyd(
            "presets", "save", "hilltop-beam", "20m/2", "--tune", "222", "--load", "333", "--drive", "40"
        )

        assert (saved.returncode, saved.stdout) == (0, "saved: hilltop-beam on 20m/2\n")
        daemon.wait_for("preset-saved", since=since, antenna="hilltop-beam", segment="20m/2")
        station.amp.wait_for("TANK 222 333", 5, amped)
        shown = json.loads(daemon.qsyd("presets", "show", "hilltop-beam", "20m/2", "--json").stdout)
        assert {"tune": 222, "load": 333, "drive_w": 40, "low_hz": 14_175_000, "high_hz": 14_350_000}.items() <= (
            shown.items()
        )

        bad = station.directory / "bad.csv"
        bad.write_text("antenna,segment,tune,load\nharbour-wire,80m/1,1,2\nharbour-wire,40m/1,many,2\n")
        refused = daemon.qsyd("presets", "import", str(bad))
        assert refused.returncode == 1
        assert refused.stderr.startswith(f"{bad}:3: error: ")
        listed = json.loads(daemon.qsyd("presets", "list", "--json").stdout)
        assert {(each["segment"], each["tune"]) for each in listed} >= {("80m/1", 800), ("40m/1", 410)}
        assert len(listed) == 6

        since = daemon.mark()
        removed = daemon.qsyd("presets", "remove", "hilltop-beam", "20m/2")
        assert removed.returncode == 0
        missing = daemon.wait_for("preset-missing", since=since)
        assert (missing["antenna"], missing["segment"]) == ("hilltop-beam", "20m/2")
        assert daemon.qsyd("presets", "show", "hilltop-beam", "20m/2").returncode == 1
        assert daemon.qsyd("presets", "remove", "hilltop-beam", "20m/2").returncode == 1
        exported = daemon.qsyd("presets", "export").stdout
        assert daemon.stop() == 0

    assert qsyd("presets", "export", "--state", str(station.state)).stdout == exported
