"""`qsyd reload` and SIGHUP on a live station: taken whole or not at all, at rest, and only what changed is begun anew."""

import contextlib
import os
import pty
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_station import running_station
from foreign_rigs import TcpWire
from live_station import ELSEWHERE_HZ, HOME_HZ, SHORT_S, LiveStation, live_station, until
from raw_http import Answer
from running_daemon import ENVIRONMENT, RunningDaemon, qsyd


class Life:
    """A live station and its daemon."""

    def __init__(self, station: LiveStation, daemon: RunningDaemon) -> None:
        self.station = station
        self.daemon = daemon
        self.text = station.file.read_text()

    def edit(self, *changes: tuple[str, str], add: str = "") -> None:
        """Write the file as it was at first, with these changes."""
        text = self.text
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        self.station.file.write_text(text + add)

    def reload(self, *options: str) -> str:
        """What a reload that is not refused prints."""
        done = self.daemon.qsyd("reload", *options)
        assert done.returncode == 0, done.stderr
        return done.stdout

    @property
    def connections(self) -> list[int]:
        """How often somebody has connected to rig, switch and amplifier."""
        wires = [self.station.rig.wire, self.station.switch.wire, self.station.amp.wire]
        return [wire.connections for wire in wires if isinstance(wire, TcpWire)]


@pytest.fixture
def life(tmp_path: Path) -> Iterator[Life]:
    """On the air on 20 m, barefoot."""
    with live_station(tmp_path) as station, station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ, 12)
        yield Life(station, daemon)
        assert daemon.stop() == 0


INHIBIT = "rules: [{name: beacon, when: {band: 20m}, then: {inhibit: a beacon is on}}]\n"


def test_a_rule_comes_into_force_while_the_station_is_in_operate(life: Life) -> None:
    """And goes again; no link is opened anew, and the devices hear nothing but what the rule means."""
    life.station.operate(life.daemon)
    assert life.connections == [1, 1, 1]
    life.edit(add="rules: [{name: by the wire, when: {band: 20m}, then: {drive: 30 W}}]\n")
    before, since = life.station.amp.mark(), life.daemon.mark()
    assert life.reload().splitlines() == [
        "the station file is in force:",
        "  rule “by the wire”: added",
        "left alone: amp, rig main, switch",
    ]
    told = life.daemon.wait_for("reloaded", since=since)
    assert (told["changed"], told["restarted"]) == (["rule “by the wire”: added"], [])
    assert life.daemon.wait_status(lambda shown: shown["placed"]["drive_w"] == 30)["transmit"]["released"]
    assert life.station.amp.lines(before) == []

    life.edit(add=INHIBIT)
    life.reload()
    life.station.amp.wait_for("HOLD", SHORT_S, before)
    assert life.daemon.wait_for("transmit-inhibited", since=since)["reasons"] == ["a beacon is on"]
    life.edit()
    life.reload()
    life.station.wait_on_the_air()
    assert life.connections == [1, 1, 1]
    assert life.station.switch.lines() == ["PORT 1"]


def test_an_antenna_is_added_and_used(life: Life) -> None:
    life.edit(("antennas:\n", "antennas:\n  new-loop: {port: 3, bands: [40m]}\n"))
    assert "antenna new-loop: added" in life.reload()
    since = life.daemon.mark()
    life.station.rig.tune(ELSEWHERE_HZ)
    assert life.daemon.wait_settled(ELSEWHERE_HZ, since=since)["antenna"] == "new-loop"
    assert life.station.switch.lines()[-1] == "PORT 3"


def test_an_antenna_on_another_port_is_selected_anew(life: Life) -> None:
    life.station.operate(life.daemon)
    life.edit(("{port: 1,", "{port: 4,"))
    before = life.station.switch.mark()
    assert "antenna hilltop-beam: port 4, was 1" in life.reload()
    life.station.switch.wait_for("PORT 4", SHORT_S, before)
    life.station.wait_on_the_air()


def test_a_wrong_file_changes_nothing_and_is_told_everywhere(life: Life) -> None:
    life.edit(("region: 2", "region: 7"), add="rule: []\n")
    since = life.daemon.mark()
    done = life.daemon.qsyd("reload")
    assert done.returncode == 78
    *problems, last = done.stderr.splitlines()
    assert problems[0].startswith(f"{life.station.file}:2:9: error: ")
    assert any("did you mean `rules`?" in problem for problem in problems), "every fault at once"
    assert last == "refused: the station file is wrong; the one that was in force stays"
    warning = life.daemon.wait_for("warning", since=since, code="reload-refused")
    assert f"{life.station.file}:2:9" in warning["text"]
    shown = life.daemon.status()
    assert shown["station_file"]["last_reload"]["ok"] is False
    assert shown["transmit"]["released"] is True
    assert "RELOAD REFUSED" in life.daemon.qsyd("status").stdout

    life.edit()
    assert life.reload() == "nothing has changed\n"
    assert life.daemon.status()["station_file"]["last_reload"]["ok"] is True


def test_a_test_of_the_file_that_fails_refuses_it(life: Life) -> None:
    life.edit(add="tests: [{frequency: 14.205 MHz, expect: {antenna: harbour-wire}}]\n")
    done = life.daemon.qsyd("reload")
    assert done.returncode == 78
    assert "should have antenna harbour-wire, has hilltop-beam" in done.stderr


def test_what_takes_a_restart_refuses_the_whole_file_with_its_line(life: Life) -> None:
    life.edit(("station: Sandbar End", "station: Sandbar Top"), add=INHIBIT)
    since = life.daemon.mark()
    done = life.daemon.qsyd("reload")
    assert done.returncode == 1
    first, last = done.stderr.splitlines()
    assert first.startswith(f"{life.station.file}:1:1: the station's name, Sandbar End, stays")
    assert last == "refused: nothing was changed, for some of it takes a restart of the daemon"
    time.sleep(0.3)
    assert life.daemon.named("transmit-inhibited", since) == []


def test_check_only_shows(life: Life) -> None:
    life.edit(("harbour-wire: {port: 2", "harbour-wire: {port: 5"), ("timeout: 300 ms", "timeout: 400 ms"))
    since = life.daemon.mark()
    shown = life.reload("--check").splitlines()
    assert shown[0] == "this would change:"
    assert "  antenna harbour-wire: port 5, was 2" in shown
    assert "  output amp: timeout 400 ms, was 300 ms" in shown
    assert shown[-2:] == ["would be begun anew: amp, switch", "left alone: rig main"]
    time.sleep(0.2)
    assert life.daemon.events[since:] == []
    assert life.daemon.status()["station_file"]["last_reload"] is None
    assert life.connections == [1, 1, 1]


def test_a_change_over_under_way_is_waited_for(life: Life) -> None:
    """A switch that takes its time: the file comes into force only once it has answered and transmit is released."""
    life.station.switch.on_line = lambda line: time.sleep(0.25)  # a little less than its time-out
    life.edit(add="rules: [{name: later, when: {band: 40m}, then: {drive: 10 W}}]\n")
    since = life.daemon.mark()
    life.station.rig.tune(ELSEWHERE_HZ)
    life.daemon.wait_for("change-over-started", since=since)
    life.reload()
    life.daemon.wait_for("reloaded", since=since)
    names = [told["event"] for told in life.daemon.events[since:]]
    assert names.index("change-over-finished") < names.index("reloaded")
    assert names.index("transmit-released") < names.index("reloaded")


def test_a_key_is_waited_for(life: Life) -> None:
    life.edit(add=INHIBIT)
    since = life.daemon.mark()
    life.station.key.press()
    life.daemon.wait_for("keyed", since=since)
    life.daemon.process.send_signal(signal.SIGHUP)
    time.sleep(0.6)
    busy = life.daemon.qsyd("reload")
    assert (busy.returncode, busy.stderr) == (1, "refused: a reload is under way already\n")
    assert life.daemon.named("reloaded", since) == []
    life.station.key.let_go()
    life.daemon.wait_for("reloaded", since=since)
    life.daemon.wait_for("transmit-inhibited", since=since)
    names = [told["event"] for told in life.daemon.events[since:]]
    assert names.index("unkeyed") < names.index("reloaded") < names.index("transmit-inhibited")


def test_tighter_limits_count_at_once(life: Life) -> None:
    life.station.operate(life.daemon)
    life.station.key.press()
    life.daemon.wait_for("keyed")
    time.sleep(0.3)
    life.station.key.let_go()
    assert life.daemon.named("fault") == []
    life.edit(("drive: 75 W", "drive: 40 W"))  # its meter shows 50 W
    assert "amplifier: limits: drive 40 W, was 75 W" in life.reload()
    life.station.key.press()
    assert life.daemon.wait_for("fault")["code"] == "drive"
    life.station.key.let_go()


def test_a_changed_device_alone_is_begun_anew_and_told_to_be_safe_before(life: Life) -> None:
    life.station.operate(life.daemon)
    life.edit(("retries: 1\n    acknowledge: '^OK'\n    commands:\n      inhibit", "retries: 2\n    acknowledge: '^OK'\n    commands:\n      inhibit"))  # fmt: skip
    before, since = life.station.amp.mark(), life.daemon.mark()
    told = life.reload()
    assert "output amp: retries 2, was 1" in told
    assert "begun anew: amp" in told
    life.station.wait_operating(life.daemon, since)
    lines = life.station.amp.lines(before)
    assert lines[:2] == ["HOLD", "LINE 0"]
    assert "TANK 220 221" in lines, "nobody knows where its motors stand"
    assert "HEAT 1" not in lines, "its heater was out of sight for a moment only"
    assert life.connections == [1, 1, 2]
    index = next(i for i in range(since, len(life.daemon.events)) if life.daemon.events[i]["event"] == "reloaded")
    answered = [told["command"] for told in life.daemon.events[since:index] if told["event"] == "command"]
    assert answered == ["inhibit-transmit", "amplifier-standby"]


def test_a_rig_link_that_changed_is_read_anew_before_anything_is_released(life: Life) -> None:
    life.edit(("poll: 50 ms", "poll: 60 ms"))
    since = life.daemon.mark()
    assert "rig main: poll 60 ms, was 50 ms" in life.reload()
    life.daemon.wait_for("link-up", since=since)
    life.daemon.wait_for("transmit-released", since=since)
    assert life.connections == [2, 1, 1]


def test_an_amplifier_that_is_on_is_not_taken_away(life: Life) -> None:
    life.station.operate(life.daemon)
    start, end = life.text.index("amplifier:\n"), life.text.index("change_over:")
    life.edit((life.text[start:end], ""))
    done = life.daemon.qsyd("reload")
    assert done.returncode == 1
    assert "`qsyd amplifier off` first" in done.stderr
    assert life.daemon.qsyd("amplifier", "off", "--now").returncode == 0
    until(lambda: life.station.amp.heater_on_s, lambda on: on is None)
    life.reload()
    assert life.daemon.status()["amplifier"] is None


def test_an_output_of_notices_comes_and_goes(life: Life) -> None:
    life.edit(("outputs:\n", "outputs:\n  extra: {kind: jsonl, path: extra.jsonl}\n"))
    assert "begun anew: extra" in life.reload()
    until(lambda: (life.station.state / "extra.jsonl").exists(), bool)
    assert life.daemon.qsyd("send", "extra", "hello").returncode == 0
    life.edit()
    life.reload()
    assert life.daemon.qsyd("send", "extra", "hello").returncode == 1
    assert life.connections == [1, 1, 1]


def test_a_hang_up_signal_reloads(life: Life) -> None:
    life.edit(add=INHIBIT)
    since = life.daemon.mark()
    life.daemon.process.send_signal(signal.SIGHUP)
    life.daemon.wait_for("reloaded", since=since)
    life.daemon.wait_for("transmit-inhibited", since=since)
    assert life.daemon.process.poll() is None


def test_a_hang_up_signal_with_a_wrong_file_keeps_the_daemon_running(life: Life) -> None:
    life.station.file.unlink()
    since = life.daemon.mark()
    life.daemon.process.send_signal(signal.SIGHUP)
    assert "cannot be read" in life.daemon.wait_for("warning", since=since, code="reload-refused")["text"]
    assert life.daemon.status()["transmit"]["released"] is True


def test_from_afar_it_takes_an_administrator_and_answers_as_problems_do(tmp_path: Path) -> None:
    """RFC 9457 problems with 422 for a wrong file and 409 for one that cannot be taken live; and the metric."""
    with running_station(tmp_path) as station:
        text = station.daemon.station.read_text()

        def reload(role: str = "administer") -> Answer:
            return station.post("/v1/reload", {}, role=role)

        def metric() -> str:
            lines = station.peer.ask("GET", "/metrics").body.decode().splitlines()
            return next(line for line in lines if line.startswith("qsyd_config_reload_ok "))

        assert [reload(role).status for role in ("watch", "operate")] == [403, 403]
        assert reload().json["ending"] == "unchanged"
        assert metric() == "qsyd_config_reload_ok 1"
        station.daemon.station.write_text(text.replace("lease: 3 s", "lease: 4 s"))
        assert reload().json["changed"] == ["api: lease 4 s, was 3 s"]
        assert station.post("/v1/lease", {}).json["renew_within_s"] == 4
        station.daemon.station.write_text(text.replace("region: 2", "region: two"))
        wrong = reload()
        assert (wrong.status, wrong.headers["content-type"]) == (422, "application/problem+json")
        assert wrong.json["problems"][0].startswith(f"{station.daemon.station}:2:9: error: ")
        assert metric() == "qsyd_config_reload_ok 0"
        station.daemon.station.write_text(text.replace("Heron Quay", "Heron Key"))
        live = reload()
        assert (live.status, live.json["ending"]) == (409, "refused")
        assert station.daemon.status()["station"] == "Heron Quay"


def test_a_daemon_whose_terminal_is_gone_leaves_the_station_safe(tmp_path: Path) -> None:
    """Started by hand on a terminal, the hang-up signal means that nobody looks at it any more (termios(3))."""
    file = tmp_path / "station.yaml"
    file.write_text(
        "station: Heron Quay\nregion: 2\nrigs: {main: {link: simulated}}\nantennas: {wire: {port: 1, bands: [40m]}}\n"
    )
    state = tmp_path / "state"
    child, terminal = pty.fork()
    if child == 0:
        command = [sys.executable, "-m", "qsyd_daemon", "run", str(file), "--state", str(state)]
        with contextlib.suppress(OSError):
            os.execve(sys.executable, command, dict(ENVIRONMENT))
        os._exit(1)
    try:
        until(lambda: (state / "control.sock").exists(), bool)
        file.write_text(file.read_text().replace("[40m]", "[80m]"))
        os.kill(child, signal.SIGHUP)
        until(
            lambda: qsyd("status", "--json", "--state", str(state)).stdout,
            lambda shown: '"ending": "reloaded"' in shown,
        )
        os.close(terminal)  # the kernel sends the signal, and the terminal is gone
        ended: list[int] = []

        def wait() -> bool:
            ended[:] = os.waitpid(child, os.WNOHANG)
            return ended[0] == child

        until(wait, bool)
        assert os.waitstatus_to_exitcode(ended[1]) == 0
    finally:
        with contextlib.suppress(ProcessLookupError, ChildProcessError):
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
