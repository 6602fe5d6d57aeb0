"""`watch`, `history` and `hold`, as people and programs read them."""

import contextlib
import datetime
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import pytest
from api_station import ApiStation, running_station
from running_daemon import ENVIRONMENT, qsyd

from qsyd_daemon.event_words import in_words
from qsyd_daemon.history_words import HistoryWords

WITHIN_S = 15.0


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStation]:
    with running_station(tmp_path_factory.mktemp("watched"), tokens=False) as running:
        yield running


def command(station: ApiStation, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "qsyd_daemon", *arguments, "--state", str(station.state)]


class Piped:
    """A command that goes on, its lines read as they come."""

    def __init__(self, station: ApiStation, *arguments: str) -> None:
        self.process = subprocess.Popen(
            command(station, *arguments), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def wait_for(self, pattern: str) -> str:
        end_s = time.monotonic() + WITHIN_S
        while True:
            found = [line for line in self.lines if re.search(pattern, line)]
            if found:
                return found[-1]
            assert time.monotonic() < end_s, self.lines
            time.sleep(0.05)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.send_signal(signal.SIGINT)
        assert self.process.wait(WITHIN_S) == 130
        self._reader.join(5)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        assert "Traceback" not in self.process.stderr.read()
        self.process.stdout.close()
        self.process.stderr.close()


def test_history_says_what_happened_and_why_each_decision_fell(station: ApiStation) -> None:
    lines = station.daemon.qsyd("history").stdout.splitlines()
    assert re.fullmatch(r"\d{4}-\d\d-\d\d, UTC", lines[0])
    assert re.fullmatch(r"\d\d:\d\d:\d\d\.\d{3}       1  station Heron Quay started; .*", lines[1])
    placed = next(line for line in lines if "placed" in line)
    assert placed.endswith("placed 20m/1: hill-beam port 1, no preset; the first in the file that covers 20m")


def test_history_says_what_each_decision_followed_from(station: ApiStation) -> None:
    lines = station.daemon.qsyd("history", "--why", "--event", "placed,fault", "--until", "0 s").stdout.splitlines()
    assert "placed" in lines[1]
    assert re.fullmatch(r" {24}after event \d+: rig main answers", lines[2])
    assert not [line for line in lines if "station Heron Quay" in line]


def test_history_knows_times_of_day(station: ApiStation) -> None:
    """What happened within this test has happened since the minute that was a minute ago, by the clock."""
    now = datetime.datetime.now(datetime.UTC)
    a_little_ago = f"{now - datetime.timedelta(minutes=10):%H:%M}"
    soon = f"{now + datetime.timedelta(minutes=2):%H:%M}"
    asked = ("history", "--json", "--event", "station-started", "--since", a_little_ago)
    assert len(json.loads(station.daemon.qsyd(*asked).stdout)) == 1
    assert len(json.loads(station.daemon.qsyd(*asked, "--until", soon).stdout)) == 1
    assert json.loads(station.daemon.qsyd("history", "--json", "--since", soon, "--until", a_little_ago).stdout) == []


def test_without_a_daemon_the_journal_is_read_and_left_as_it_is(tmp_path: Path) -> None:
    assert qsyd("simulate", "loop-at-night", "--state", str(tmp_path / "s")).returncode == 0
    before = {path: path.read_bytes() for path in (tmp_path / "s").rglob("*") if path.is_file()}
    done = qsyd("history", "--event", "placed", "--since", "21:59", "--state", str(tmp_path / "s"))
    assert (done.returncode, done.stderr) == (0, "note: no daemon runs there; this is its journal\n")
    day, *lines = done.stdout.splitlines()
    assert day == "2031-05-04, UTC"
    assert len(lines) == 1
    assert lines[0].endswith("placed 40m/1: loop port 3, no preset; rule “loop at night”")
    assert {path: path.read_bytes() for path in (tmp_path / "s").rglob("*") if path.is_file()} == before
    first = qsyd("history", "--limit", "1000", "--state", str(tmp_path / "s")).stdout.splitlines()[1]
    assert "SIMULATED: The hour turns, and a rule asks for another antenna (seed 16)" in first
    for wrong in (("--limit", "0"), ("--since", "noon")):
        done = qsyd("history", *wrong, "--state", str(tmp_path / "s"))
        assert (done.returncode, done.stdout, done.stderr[:7]) == (2, "", "error: ")


def test_history_as_json_is_one_document_of_the_journals_own_events(station: ApiStation) -> None:
    rows = json.loads(station.daemon.qsyd("history", "--json", "--event", "placed", "--event", "link-up").stdout)
    assert [row["event"] for row in rows[:2]] == ["link-up", "placed"]
    placed = next(event for event in station.daemon.events if event["event"] == "placed")
    assert {**rows[1], "sequence": 0, "arrived_s": 0} == {**placed, "sequence": 0, "arrived_s": 0}
    assert json.loads(station.daemon.qsyd("history", "--json", "--since", "2999-01-01").stdout) == []
    assert json.loads(station.daemon.qsyd("history", "--json", "--until", "1h").stdout) == []


@pytest.mark.parametrize("option", [("--since", "yesterday"), ("--until", "noon"), ("--limit", "0")])
def test_history_says_what_is_wrong_with_a_question(station: ApiStation, option: tuple[str, str]) -> None:
    done = station.daemon.qsyd("history", *option)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: ")


def test_history_says_which_events_there_are(station: ApiStation, tmp_path: Path) -> None:
    """What is mistyped must not look like a quiet night: an empty list is an answer too."""
    for state in (station.state, tmp_path / "none"):
        done = qsyd("history", "--event", "placed,Faults", "--why", "--state", str(state))
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr.startswith("error: there is no event `Faults`; did you mean `fault`? known: ")
        assert done.stderr.count("\n") == 1
    told = {event["event"] for event in station.daemon.events}
    assert told
    listed = done.stderr.strip().partition("known: ")[2].split(", ")
    assert told <= set(listed)
    for name in listed:
        assert station.daemon.qsyd("history", "--event", name, "--limit", "1").returncode == 0


def test_history_says_that_there_is_nothing_of_the_kind(station: ApiStation) -> None:
    done = station.daemon.qsyd("history", "--event", "tube-replaced")
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == "note: nothing of that kind was journalled in that time\n"


def test_history_follows(station: ApiStation) -> None:
    with Piped(station, "history", "--follow", "--json", "--event", "hold-started") as follower:
        station.daemon.qsyd("hold", "hill-beam", "--for", "2min")
        first = json.loads(follower.wait_for("hold-started"))
        assert first["antenna"] == "hill-beam"
        station.daemon.qsyd("hold", "low-loop", "--for", "2min", "--reason", "again")
        assert json.loads(follower.wait_for("again"))["sequence"] > first["sequence"]
    station.daemon.qsyd("hold", "off")


def test_hold_is_begun_listed_and_ended(station: ApiStation) -> None:
    done = station.daemon.qsyd("hold", "low-loop", "--for", "30min", "--reason", "compare")
    assert (done.returncode, done.stdout[:31]) == (0, "low-loop is held on 40m, 20m un")
    shown = station.daemon.qsyd("status").stdout
    assert re.search(r"^hold       low-loop, by \S+ until 20\S+Z: compare$", shown, re.MULTILINE)
    assert "20m/1 on low-loop (port 3)" in shown
    assert station.daemon.qsyd("hold", "off").stdout == "the hold has ended\n"
    assert "hold  " not in station.daemon.qsyd("status").stdout
    for arguments, code, said in (
        (("low-loop",), 2, "--for 30min"),
        (("low-loop", "--for", "30"), 2, "`30` has no unit"),
        (("low-loop", "--for", "0 s"), 2, "a hold lasts"),
        (("low-loop", "--for", "25 h"), 2, "up to 24 h"),
        (("nothing", "--for", "1min"), 1, "hill-beam"),
    ):
        done = station.daemon.qsyd("hold", *arguments)
        assert (done.returncode, done.stdout) == (code, "")
        assert done.stderr.count("\n") == 1
        assert said in done.stderr


def test_a_time_without_its_unit_is_wrong_use_whether_a_daemon_runs_or_not(tmp_path: Path) -> None:
    done = qsyd("hold", "low-loop", "--for", "30", "--state", str(tmp_path / "none"))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: --for: `30` has no unit")


def test_watch_writes_plain_lines_into_a_pipe(station: ApiStation) -> None:
    with Piped(station, "watch") as watcher:
        watcher.wait_for("^Heron Quay")
        watcher.wait_for("^guard ")
        time.sleep(0.5)
        station.daemon.qsyd("hold", "hill-beam", "--for", "3min", "--reason", "seen in a pipe")
        line = watcher.wait_for("seen in a pipe")
        assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{3}Z  \S+ holds hill-beam until ", line)
    assert not [line for line in watcher.lines if "\x1b" in line]
    station.daemon.qsyd("hold", "off")


def test_watch_as_json_is_the_events_themselves(station: ApiStation) -> None:
    with Piped(station, "watch", "--json") as watcher:
        end_s = time.monotonic() + WITHIN_S
        while not watcher.lines and time.monotonic() < end_s:
            station.daemon.qsyd("hold", "hill-beam", "--for", "3min")
        assert json.loads(watcher.lines[0])["event"] in {"hold-started", "hold-ended"}
    station.daemon.qsyd("hold", "off")


def test_watch_redraws_in_place_on_a_terminal_and_says_when_the_daemon_is_gone(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            command(station, "watch"),
            stdin=theirs,
            stdout=theirs,
            stderr=subprocess.PIPE,
            env={**ENVIRONMENT, "COLUMNS": "80", "LINES": "24", "TERM": "vt100"},
        )
        os.close(theirs)
        screen = b""

        def read_until(text: bytes) -> bytes:
            nonlocal screen
            end_s = time.monotonic() + WITHIN_S
            while text not in screen:
                assert time.monotonic() < end_s, screen[-2000:]
                if select.select([ours], [], [], 0.2)[0]:
                    screen += os.read(ours, 65536)
            return screen

        read_until(b"Heron Quay")
        read_until(b"not keyed")
        station.daemon.qsyd("hold", "low-loop", "--for", "3min", "--reason", "on a screen")
        read_until(b"holds low-loop until")
        drawings = screen.split(b"\x1b[H")
        assert len(drawings) > 2
        assert all(len(line) < 90 for line in re.sub(rb"\x1b\[[0-9]*[A-Z]", b"", drawings[-2]).split(b"\r\n"))
        station.daemon.stop()
        read_until(b"CONNECTION LOST")
        process.send_signal(signal.SIGINT)
        while process.poll() is None:
            with contextlib.suppress(OSError):  # the other end has closed
                if select.select([ours], [], [], 0.1)[0]:
                    os.read(ours, 65536)
        assert process.returncode == 130
        assert process.stderr is not None
        assert process.stderr.read() == b""
        process.stderr.close()
        os.close(ours)


@pytest.mark.parametrize("closed", [">&-", ">&- 2>&- <&-"])
@pytest.mark.parametrize("call", ["status", "history", "watch", "history --follow", "tap rig main"])
def test_with_its_ends_closed_a_command_goes_on_and_says_nothing(station: ApiStation, call: str, closed: str) -> None:
    words = " ".join(f"'{word}'" for word in command(station, *call.split()))
    process = subprocess.Popen(
        ["sh", "-c", f"exec {words} {closed}"], stderr=subprocess.PIPE, text=True, env=ENVIRONMENT
    )
    assert process.stderr is not None
    try:
        assert process.wait(WITHIN_S if call in {"status", "history"} else 2) == 0
    except subprocess.TimeoutExpired:
        assert call not in {"status", "history"}
        process.send_signal(signal.SIGINT)
        assert process.wait(WITHIN_S) == 130
    assert "Traceback" not in process.stderr.read()
    process.stderr.close()


@pytest.mark.parametrize("name", ["status", "watch"])
def test_on_a_narrow_terminal_lines_are_wrapped_and_nothing_is_cut_off(station: ApiStation, name: str) -> None:
    """What a phone shows, 45 columns wide: the end of a line is what an operator needs, a reason or a limit."""
    station.daemon.qsyd("hold", "hill-beam", "--for", "2min", "--reason", "the other one has water in its feed line")
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        command(station, name),
        stdin=theirs,
        stdout=theirs,
        env={**ENVIRONMENT, "COLUMNS": "45", "LINES": "40", "TERM": "vt100"},
    )
    os.close(theirs)
    screen, end_s = b"", time.monotonic() + WITHIN_S
    while b"guard" not in screen:
        assert time.monotonic() < end_s, screen
        if select.select([ours], [], [], 0.2)[0]:
            screen += os.read(ours, 65536)
    process.send_signal(signal.SIGINT)
    process.wait(WITHIN_S)
    os.close(ours)
    station.daemon.qsyd("hold", "off")
    lines = re.sub(r"\x1b\[[0-9]*[A-Z]", "", screen.decode()).replace("\r", "").split("\n")
    assert max(len(line) for line in lines) <= 45
    assert "the other one has water in its feed line" in " ".join(" ".join(lines).split())


@pytest.mark.parametrize("call", [("watch",), ("history",), ("hold", "x", "--for", "1min"), ("history", "--follow")])
def test_without_a_daemon_they_end_with_69(tmp_path: Path, call: tuple[str, ...]) -> None:
    done = qsyd(*call, "--state", str(tmp_path / "none"))
    assert (done.returncode, done.stdout) == (69, "")
    assert done.stderr.startswith("error: no daemon answers")


def test_the_client_commands_import_the_standard_library_alone() -> None:
    """`aiohttp` or `pydantic` would cost a quarter of a second each time."""
    modules = ("watch", "history", "hold", "token", "status")
    names = ", ".join(f"qsyd_daemon.commands.{name}" for name in modules)
    code = f"import sys, {names}; print([m for m in ('aiohttp','pydantic','yaml','serial','structlog','asyncio') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=ENVIRONMENT, check=True)
    assert done.stdout == "[]\n"


def test_an_event_of_another_version_is_shown_as_it_is_and_commands_no_terminal() -> None:
    assert in_words({"event": "new-thing", "at": 1, "x": "a\x1b[2Jb"}) == "new-thing: x a?[2Jb"
    assert in_words({"event": "placed", "x": None}) == "placed: x None"
    assert in_words({"event": "hold-started"}) == "hold-started"


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (
            {"event": "placed", "segment": "40m/1", "antenna": "loop", "port": 3, "preset": None}
            | {"rules": ["night", "cool"], "because": "rule “night”"},
            "placed 40m/1: loop port 3, no preset; rule “night”; also rule “cool”",
        ),
        ({"event": "keyed", "rig": "main", "sequence": 4}, "keyed"),
        ({"event": "link-up", "rig": "main", "sequence": 4}, "rig main answers"),
        (
            {
                "event": "fault-acknowledged",
                "number": 3,
                "code": "swr",
                "operator": "jo",
                "reason": None,
                "sequence": 4,
            },
            "jo acknowledged fault swr",
        ),
        (
            {"event": "asked", "request": "operate", "operator": "jo", "accepted": False, "text": "40 s left"},
            "jo asked for amplifier operate: refused: 40 s left",
        ),
        ({"event": "transmit-released"}, "transmit released: nothing forbids it any more"),
        ({"event": "notice", "rule": "tell", "text": "hello"}, "notice of rule “tell”: hello"),
    ],
)
def test_each_event_has_words_of_its_own(event: dict[str, object], words: str) -> None:
    assert in_words(event) == words


def test_what_time_alone_brings_is_said_as_that_and_a_long_cause_is_cut() -> None:
    rows = [
        {"sequence": 1, "at": 1.0, "time": "2031-05-04T00:00:01.000Z", "event": "fault", "code": "swr"}
        | {"detail": "x" * 80, "advice": "look", "number": 1},
        {"sequence": 2, "at": 1.0, "time": "2031-05-04T00:00:01.000Z", "event": "transmit-inhibited", "reasons": ["a"]},
        {"sequence": 3, "at": 2.0, "time": "2031-05-05T00:00:02.000Z", "event": "transmit-inhibited", "reasons": ["b"]},
    ]
    assert list(HistoryWords(["transmit-inhibited"], why=True).lines(rows)) == [
        "2031-05-04, UTC",
        "00:00:01.000       2  transmit inhibited: a",
        f"{'':24}after event 1: FAULT swr: {'x' * 45} ...",
        "2031-05-05, UTC",
        "00:00:02.000       3  transmit inhibited: b",
        f"{'':24}nothing else in that instant: a time has run out",
    ]
