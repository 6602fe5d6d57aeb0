"""Silence, lost links, half-open connections, replugged ports, a second daemon, a full disk and a wall clock that jumps.

All on real wires with devices of our own that keep the truth; see `live_devices`.
"""

import difflib
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest
from live_station import (
    ELSEWHERE_HZ,
    HOME_HZ,
    LONG,
    LOST_AFTER_S,
    METERS_EVERY_S,
    SAFE_WITHIN_S,
    SHORT_S,
    SLACK,
    STALE_AFTER_S,
    LiveStation,
    live_station,
    until,
)
from running_daemon import ENVIRONMENT, RunningDaemon, qsyd

ROUNDS = 10 if LONG else 1
USEFUL_S = 6.0
"""A link that has lived for less than five seconds counts as useless, and each further one is tried after a longer pause."""
REOPENED_S = 2.0
"""From a port's return to its being open again: the project's own budget."""
NEVER = ("PORT", "TANK", "LINE 1", "FREE")
"""Beginnings of what may not be told to anybody while the station is to be safe."""


def _assert_only_safe(lines: list[str]) -> None:
    assert not [line for line in lines if line.startswith(NEVER)], lines


def _rig_silent(station: LiveStation, daemon: RunningDaemon) -> None:
    """Silence is a lost link after `lost_after`: safe, antenna untouched; the wish to operate lives on."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    began_s = time.monotonic()
    station.rig.silent = True
    station.wait_safe(amped, began_s, LOST_AFTER_S + SAFE_WITHIN_S)
    daemon.wait_for("link-lost", SHORT_S, since)
    time.sleep(0.5)
    _assert_only_safe(station.amp.lines(amped))
    assert daemon.status()["transmit"]["released"] is False

    back = daemon.mark()
    station.rig.silent = False
    daemon.wait_for("link-up", SHORT_S, back)
    station.wait_operating(daemon, back)
    assert station.switch.lines(switched) == []


def _rig_link_closed(station: LiveStation, daemon: RunningDaemon) -> None:
    """An end of stream is told at once: the budget for it is 0.25 s, not that of silence."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    station.wait_safe(amped, station.rig.cut(), SAFE_WITHIN_S)
    daemon.wait_for("link-lost", SHORT_S, since)
    _assert_only_safe(station.amp.lines(amped))
    station.rig.tune(ELSEWHERE_HZ)  # while nobody can hear it

    station.rig.mend()
    daemon.wait_for("placed", 3 * SHORT_S, since, antenna="harbour-wire")
    station.wait_operating(daemon, since)
    assert station.switch.lines(switched) == ["PORT 2"]
    station.rig.tune(HOME_HZ)
    until(lambda: station.switch.lines(switched), lambda lines: lines == ["PORT 2", "PORT 1"])
    station.wait_on_the_air()


def _switch_silent(station: LiveStation, daemon: RunningDaemon) -> None:
    """An antenna that was not confirmed is unknown: it is selected again even when the dial goes back."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    station.switch.silent = True
    station.rig.tune(ELSEWHERE_HZ)
    daemon.wait_for("output-failed", SHORT_S, since, output="switch")
    until(lambda: daemon.status()["outputs"]["antenna"]["known"], "unknown".__eq__)
    _assert_only_safe(station.amp.lines(amped))
    assert not station.amp.in_path
    tried = station.switch.mark()
    station.rig.tune(HOME_HZ)
    station.switch.wait_for("PORT 1", SHORT_S, tried)
    _assert_only_safe(station.amp.lines(amped))

    station.switch.silent = False
    daemon.wait_for("output-recovered", 2 * SHORT_S, since, output="switch")
    station.wait_on_the_air(2 * SHORT_S)
    assert station.switch.lines(switched)[-1] == "PORT 1"


def _keyed_between_two_tries(station: LiveStation, daemon: RunningDaemon) -> None:
    """A second try is another command to move contacts: none while somebody is known to key."""
    since, switched = daemon.mark(), station.switch.mark()
    station.switch.silent = True
    station.rig.tune(ELSEWHERE_HZ)
    station.switch.wait_for("PORT 2", SHORT_S, switched)
    station.key.press()
    time.sleep(1.3)  # three tries of 500 ms
    assert station.switch.lines(switched) == ["PORT 2"]
    station.key.let_go()

    station.switch.silent = False
    daemon.wait_for("output-recovered", 2 * SHORT_S, since, output="switch")
    station.rig.tune(HOME_HZ)
    station.switch.wait_for("PORT 1", SHORT_S, switched)
    station.wait_on_the_air(2 * SHORT_S)


def _amplifier_silent(station: LiveStation, daemon: RunningDaemon) -> None:
    """Readings that have become stale take operate away, and it is refused with the reason; both come back by themselves."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    began_s = time.monotonic()
    station.amp.silent = True
    at_s = station.amp.wait_for("LINE 0", SHORT_S, amped).at_s
    budget_s = METERS_EVERY_S + STALE_AFTER_S + SAFE_WITHIN_S
    assert at_s - began_s <= budget_s * SLACK
    failed = daemon.wait_for("output-failed", SHORT_S, since, output="amp")
    assert failed["error"]
    asked = daemon.qsyd("amplifier", "operate")
    # Once the link is being opened anew the tank is unknown too, and the answer is that the wish stands already.
    assert (asked.stdout + asked.stderr).startswith(
        ("operate is wished for; it stays in standby here: ", "operate is already wished")
    )
    shown = daemon.status()["amplifier"]
    assert shown["state"] != "operate"
    assert shown["because"], "the reason is told"
    time.sleep(0.5)
    assert "LINE 1" not in station.amp.lines(amped)

    station.amp.silent = False
    daemon.wait_for("output-recovered", 2 * SHORT_S, since, output="amp")
    station.wait_on_the_air(2 * SHORT_S)
    assert station.switch.lines(switched) == []


def _half_open(station: LiveStation, daemon: RunningDaemon) -> None:
    """The amplifier stops reading and never closes: operate is gone from the books, and the link is opened anew."""
    since, amped = daemon.mark(), station.amp.mark()
    began_s = time.monotonic()
    station.amp.stalled = True
    inhibited = daemon.wait_for("transmit-inhibited", SHORT_S, since)
    assert inhibited["arrived_s"] - began_s <= (METERS_EVERY_S + STALE_AFTER_S + SAFE_WITHIN_S) * SLACK
    daemon.wait_for("output-failed", SHORT_S, since, output="amp")
    time.sleep(1.0)
    assert not daemon.named("transmit-released", since)

    station.amp.stalled = False
    until(lambda: station.amp.lines(amped), lambda lines: {"HOLD", "LINE 0"} <= set(lines), 2 * SHORT_S)
    first_bold = next((line for line in station.amp.lines(amped) if line.startswith(NEVER)), None)
    assert first_bold is None or station.amp.lines(amped).index("LINE 0") < station.amp.lines(amped).index(first_bold)
    daemon.wait_for("output-recovered", 2 * SHORT_S, since, output="amp")
    station.wait_on_the_air(2 * SHORT_S)


def _replugged(station: LiveStation, daemon: RunningDaemon) -> None:
    """Rig and amplifier vanish and come back as other ports behind the same paths; reopened within 2 s each."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    before = Path(station.rig.link.removeprefix("serial:")).resolve()
    station.wait_safe(amped, station.rig.cut(), SAFE_WITHIN_S)
    lost = daemon.wait_for("link-lost", SHORT_S, since)
    assert lost["reason"]
    master, port = os.openpty()  # another device, which mostly takes over the name that was freed
    os.set_blocking(master, False)
    taken = before.exists()
    time.sleep(1.0)
    mended_s = time.monotonic()
    station.rig.mend()
    up = daemon.wait_for("link-up", REOPENED_S * SLACK, since)
    assert up["arrived_s"] - mended_s <= REOPENED_S * SLACK
    assert not taken or Path(station.rig.link.removeprefix("serial:")).resolve() != before
    station.wait_operating(daemon, since)
    with pytest.raises(BlockingIOError):
        os.read(master, 1)  # not one byte of the rig's protocol went there
    os.close(port)
    os.close(master)

    since, amped = daemon.mark(), station.amp.mark()
    station.amp.cut()
    daemon.wait_for("transmit-inhibited", SAFE_WITHIN_S * SLACK + 1, since)
    time.sleep(1.0)
    station.amp.mend()
    station.amp.wait_for("LINE 0", REOPENED_S * SLACK, amped)
    assert station.amp.lines(amped)[:2] == ["HOLD", "LINE 0"]
    station.wait_operating(daemon, since)
    assert station.switch.lines(switched) == []


Scenario = Callable[[LiveStation, RunningDaemon], None]


def _operating(scenarios: tuple[Scenario, ...], directory: Path, *, ptys: bool = False) -> None:
    """A station in operate, which goes through these one after the other and is in operate again after each."""
    with live_station(directory, ptys=ptys) as station, station.daemon() as daemon:
        station.operate(daemon)
        for turn in range(ROUNDS):
            for scenario in scenarios:
                time.sleep(USEFUL_S if turn else 0.0)
                scenario(station, daemon)
                station.assert_safe()
                assert not daemon.named("fault"), scenario.__name__
        assert daemon.stop() == 0


def _two_daemons(directory: Path) -> None:
    """A second one on the same directory ends with 75; one on the same port, with a directory of its own, waits for it."""
    with live_station(directory, ptys=True) as station, station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ)
        switched, amped = station.switch.mark(), station.amp.mark()

        refused = qsyd("run", str(station.file), "--state", str(station.state))
        assert refused.returncode == 75
        assert f"process {daemon.process.pid}" in refused.stderr

        with RunningDaemon(station.file, directory / "other-state") as second:
            second.wait_for("station-started", SHORT_S)
            main = until(lambda: second.status()["rigs"]["main"], lambda shown: "in use" in shown["because"])
            assert f"(process {daemon.process.pid})" in main["because"]
            assert f"(process {daemon.process.pid})" in second.status()["devices"]["amp"]["trouble"]
            assert not second.named("link-up")
            assert (station.switch.lines(switched), station.amp.lines(amped)) == ([], [])
            assert daemon.status()["transmit"]["released"] is True

            daemon.kill()  # the kernel lets go of its ports, and no lock file is left to be believed
            second.wait_for("link-up", 40)
            second.wait_settled(HOME_HZ, 40)
            assert station.amp.lines(amped)[:2] == ["HOLD", "LINE 0"]


CLOCK = """\
import datetime
import difflib, pathlib, time
_jump = pathlib.Path({path!r})
def _offset_s():
    try:
        return float(_jump.read_text())
    except (OSError, ValueError):
        return 0.0
_time, _datetime = time.time, datetime.datetime
class Jumping(_datetime):
    @classmethod
    def now(cls, tz=None):
        return _datetime.now(tz) + datetime.timedelta(seconds=_offset_s())
datetime.datetime = Jumping
time.time = lambda: _time() + _offset_s()
time.time_ns = lambda: int(time.time() * 1e9)
"""
"""Read by the interpreter at its start: the wall clock of this process, and nothing else, is off by what a file says."""
DAY_S = 86_400


def _clock_run(directory: Path, jumps_s: tuple[int, ...]) -> tuple[list[str], list[str], list[str], list[str]]:
    """A round of change-overs with a jump in the middle of each: lines of switch and amplifier, events, days."""
    (directory / "sitecustomize.py").write_text(CLOCK.format(path=str(directory / "jump")))
    path = os.pathsep.join((str(directory), ENVIRONMENT["PYTHONPATH"]))
    with live_station(directory) as station, station.daemon(PYTHONPATH=path) as daemon:
        station.operate(daemon)
        for index, jump_s in enumerate(jumps_s):
            since, switched = daemon.mark(), station.switch.mark()
            station.rig.tune((ELSEWHERE_HZ, HOME_HZ)[index % 2])
            station.switch.wait_for(("PORT 2", "PORT 1")[index % 2], SHORT_S, switched)
            (directory / "jump").write_text(str(jump_s))
            station.wait_operating(daemon, since)
            daemon.wait_for("change-over-finished", SHORT_S, since)
        assert daemon.stop() == 0
        # Just when the operator asks, before or after the warm-up has run, is not the daemon's doing.
        told = [event["event"] for event in daemon.events if event["event"] not in {"command", "asked"}]
        at_s = [event["at"] for event in daemon.events]
        assert at_s == sorted(at_s)
        return station.switch.lines(), station.amp.lines(), told, [event["time"][:10] for event in daemon.events]


def _wall_clock_jumps(directory: Path) -> None:
    """No decision reads the wall clock: the same lines and events in the same order, only their dates differ."""
    (directory / "even").mkdir()
    (directory / "jumping").mkdir()
    *even, even_days = _clock_run(directory / "even", (0, 0, 0, 0))
    *jumping, days = _clock_run(directory / "jumping", (DAY_S, -DAY_S, 3_650 * DAY_S, -int(time.time())))
    for jumped, kept in zip(jumping, even, strict=True):
        assert jumped == kept, "\n".join(difflib.unified_diff(kept, jumped, lineterm="", n=2))
    assert len(set(even_days)) <= 2
    assert "1970-01-01" in days
    assert len(set(days)) >= 5


@contextmanager
def _small_disk(directory: Path) -> Iterator[Path]:
    """A file system of 2 MiB; only the superuser can mount one."""
    mount = shutil.which("mount")
    options = ["-t", "tmpfs", "-o", "size=2m", "tmpfs", str(directory)]
    if mount is None or subprocess.run([mount, *options], capture_output=True, check=False).returncode:
        pytest.skip("a small file system cannot be mounted here")
    try:
        yield directory
    finally:
        subprocess.run(["umount", "-l", str(directory)], check=True)


def _disk_full(directory: Path) -> None:
    """Barefoot antenna changes go on, operate waits with its reason; it resumes after space has returned, by itself."""
    with _small_disk(directory), live_station(directory) as station, station.daemon() as daemon:
        station.operate(daemon)
        ballast = station.state / "ballast"
        since = daemon.mark()
        _fill(ballast)
        targets = [ELSEWHERE_HZ, HOME_HZ]
        for turn in range(40):  # what the database had room for is used up after some
            station.rig.tune(targets[turn % 2])
            started = daemon.mark()
            daemon.wait_for("change-over-finished", SHORT_S, started)
            _fill(ballast)
            if any(told["code"] == "intent-not-recorded" for told in daemon.named("warning", since)):
                break
        else:
            pytest.fail("forty change-overs were recorded on a full disk")
        daemon.wait_for("warning", SHORT_S, since, code="state-directory")
        amped, switched, started = station.amp.mark(), station.switch.mark(), daemon.mark()
        station.rig.tune(targets[(turn + 1) % 2])
        daemon.wait_for("change-over-finished", SHORT_S, started)
        until(lambda: station.amp.held, lambda held: not held)
        assert station.switch.lines(switched) != []
        assert "LINE 1" not in station.amp.lines(amped)
        shown = daemon.status()
        assert shown["state_directory"]["healthy"] is False
        assert (shown["amplifier"]["state"], shown["amplifier"]["wish"]) == ("standby", "operate")

        ballast.unlink()
        back = daemon.mark()
        daemon.wait_for("amplifier", 10 * SLACK, back, state="operate")
        assert daemon.stop() == 0


def _fill(ballast: Path) -> None:
    with ballast.open("ab", buffering=0) as file:
        for size in (65_536, 4_096, 512, 1):
            try:
                while True:
                    file.write(b"\0" * size)
            except OSError:
                continue


CASES: dict[str, Callable[[Path], None]] = {
    "silent": lambda directory: _operating((_rig_silent, _rig_link_closed, _switch_silent), directory),
    "amplifier": lambda directory: _operating((_amplifier_silent, _half_open), directory),
    "keyed": lambda directory: _operating((_keyed_between_two_tries,), directory),
    "replugged": lambda directory: _operating((_replugged,), directory, ptys=True),
    "two-daemons": _two_daemons,
    "wall-clock": _wall_clock_jumps,
    "disk-full": _disk_full,
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[None]]]:
    """Some cases at a time, each with a station of its own: they mostly wait."""
    with ThreadPoolExecutor(4) as pool:
        yield {name: pool.submit(case, tmp_path_factory.mktemp(name)) for name, case in CASES.items()}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.timeout(600)
def test_trouble_leaves_the_station_safe_and_ends_by_itself(name: str, runs: dict[str, Future[None]]) -> None:
    runs[name].result()
