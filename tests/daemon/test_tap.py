"""`qsyd tap`: what really passes over a link, both ways; never in the way of it, and harmless on a terminal."""

import asyncio
import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import structlog
from api_station import running_station
from live_station import ELSEWHERE_HZ, HOME_HZ, LiveStation, live_station
from running_daemon import ENVIRONMENT, RunningDaemon, assert_no_traceback

from qsyd_daemon.api.tap import CHUNKS_MAX, Tap
from qsyd_daemon.commands.tap import escaped, rows
from qsyd_daemon.links.keeper import KeptLink
from qsyd_daemon.links.link import Link, TcpAddress


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[LiveStation, RunningDaemon]]:
    """On the air on 20 m; real TCP between the daemon and its devices."""
    with live_station(tmp_path_factory.mktemp("tap")) as station, station.daemon() as daemon:
        daemon.wait_settled(HOME_HZ, 12)
        yield station, daemon


class Tapping:
    """`qsyd tap` in a process of its own, and the lines it has printed."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.process = process
        self.lines: list[str] = []
        self._changed = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def wait_for(self, part: str, within_s: float = 8.0) -> str:
        """The first line with this in it."""
        end_s = time.monotonic() + within_s
        with self._changed:
            while True:
                for line in self.lines:
                    if part in line:
                        return line
                left_s = end_s - time.monotonic()
                assert left_s > 0, f"no {part!r} in {self.lines}"
                self._changed.wait(left_s)

    def end(self) -> tuple[int, str]:
        """Interrupt it, as Ctrl-C does: exit code and what it said on standard error."""
        self.process.send_signal(signal.SIGINT)
        code = self.process.wait(8)
        self._reader.join(5)
        assert self.process.stderr is not None
        return code, self.process.stderr.read()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._changed:
                self.lines.append(line.rstrip("\n"))
                self._changed.notify_all()


@contextmanager
def tapping(state: Path, *words: str) -> Iterator[Tapping]:
    process = subprocess.Popen(
        [sys.executable, "-m", "qsyd_daemon", "tap", *words, "--state", str(state)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=dict(ENVIRONMENT),
    )
    try:
        yield Tapping(process)
    finally:
        process.kill()
        process.wait(5)
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def test_commands_and_answers_of_a_device_pass_by_with_time_direction_hex_and_text(
    life: tuple[LiveStation, RunningDaemon],
) -> None:
    station, daemon = life
    with tapping(station.state, "switch") as tap:
        time.sleep(0.6)
        station.rig.tune(ELSEWHERE_HZ)
        sent = tap.wait_for("PORT 2")
        answered = tap.wait_for("OK")
        code, said = tap.end()
    assert sent[12:] == "  -> sent      50 4f 52 54 20 32 0a" + " " * 29 + "PORT 2\\n"
    assert answered[12:].split("  ")[1] == "<- received"
    assert answered.endswith("OK\\n")
    hours, minutes, seconds = sent[:12].split(":")
    assert (0 <= int(hours) < 24, 0 <= int(minutes) < 60, 0 <= float(seconds) < 60) == (True, True, True)
    assert (code, said) == (130, "tap: switch is open\n")
    station.rig.tune(HOME_HZ)
    daemon.wait_settled(HOME_HZ)


def test_a_rig_is_named_as_in_status_and_json_has_a_line_for_each_piece(
    life: tuple[LiveStation, RunningDaemon],
) -> None:
    station, _ = life
    with tapping(station.state, "rig", "main", "--json") as tap:
        sent = json.loads(tap.wait_for('"sent"'))
        received = json.loads(tap.wait_for('"received"'))
        first = json.loads(tap.lines[0])
        tap.end()
    assert first == {"event": "link", "link": "rig main", "open": True, "because": None}
    assert bytes.fromhex(sent["hex"]).endswith(b";")
    assert bytes.fromhex(received["hex"]).endswith(b";")
    assert sent.keys() == {"event", "at", "time", "direction", "hex"}


def test_a_wrong_name_offers_those_near_it(life: tuple[LiveStation, RunningDaemon]) -> None:
    _, daemon = life
    near = daemon.qsyd("tap", "swich")
    assert (near.returncode, near.stderr) == (1, "refused: there is no link 'swich'; did you mean switch?\n")
    part = daemon.qsyd("tap", "main")
    assert part.stderr == "refused: there is no link 'main'; did you mean rig main?\n"
    none = daemon.qsyd("tap", "\x1b[2J")
    assert none.stderr == "refused: there is no link '?[2J'; there are: switch, amp, rig main\n"


def test_without_a_daemon_it_says_so(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "qsyd_daemon", "tap", "amp", "--state", str(tmp_path)],
        capture_output=True, text=True, env=dict(ENVIRONMENT), check=False,
    )  # fmt: skip
    assert done.returncode == 69
    assert_no_traceback(done.stderr, "tap")


def test_a_reader_that_has_had_enough_ends_it_quietly(life: tuple[LiveStation, RunningDaemon]) -> None:
    station, _ = life
    command = f"{sys.executable} -m qsyd_daemon tap rig main --text --state {station.state} | head -n 2"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, env=dict(ENVIRONMENT), timeout=20, check=False
    )
    assert done.returncode == 0
    assert len(done.stdout.splitlines()) == 2
    assert done.stderr == "tap: rig main is open\n"


def test_it_stays_with_a_link_that_a_reload_opens_anew(life: tuple[LiveStation, RunningDaemon]) -> None:
    station, daemon = life
    text = station.file.read_text()
    with tapping(station.state, "amp", "--text") as tap:
        tap.wait_for("METERS")
        station.file.write_text(text.replace("retries: 1", "retries: 2"))
        assert daemon.qsyd("reload").returncode == 0
        tap.wait_for("TANK 220 221")
        tapped = [line.split("  ")[-1] for line in tap.lines if "sent" in line and "METERS" not in line]
        code, said = tap.end()
    assert code == 130
    assert said.splitlines()[0] == "tap: amp is open"
    expected = ["HOLD", "HOLD", "LINE 0", "TANK 220 221"]  # it was in standby already
    assert tapped == [f"{line}\\n" for line in expected], (
        "before the old link closed, and from the new one's first byte"
    )
    station.file.write_text(text)
    assert daemon.qsyd("reload").returncode == 0


def test_what_a_terminal_would_obey_is_shown_as_an_escape() -> None:
    assert escaped(b"\x1b[2J\x07a\\b\r\n\t\x00\x7f\x9b\xff~") == "\\x1b[2J\\x07a\\\\b\\r\\n\\t\\x00\\x7f\\x9b\\xff~"
    assert all(character.isprintable() for character in escaped(bytes(range(256))))


def test_long_pieces_take_several_lines() -> None:
    told = {"time": "2026-01-01T12:34:56.789012Z", "direction": "received", "hex": bytes(range(65, 85)).hex()}
    head = "12:34:56.789  <- received"
    assert list(rows(told, with_hex=True, with_text=True)) == [
        f"{head}  41 42 43 44 45 46 47 48 49 4a 4b 4c 4d 4e 4f 50  ABCDEFGHIJKLMNOP",
        f"{head}  51 52 53 54{' ' * 36}  QRST",
    ]
    assert list(rows(told, with_hex=True, with_text=False))[1] == f"{head}  51 52 53 54"
    assert list(rows(told, with_hex=False, with_text=True)) == [f"{head}  ABCDEFGHIJKLMNOPQRST"]


def test_what_a_slow_reader_misses_is_counted_and_bounded() -> None:
    woken: list[None] = []
    tap = Tap(lambda: woken.append(None))
    for _ in range(CHUNKS_MAX + 10):
        tap.passed(True, b"1234567")
    told = tap.take()
    assert len(told) == CHUNKS_MAX + 1
    assert told[-1] == ("dropped", {"bytes": 70})
    assert len(woken) == 1, "a reader that has been woken is not woken for every piece"
    tap.passed(False, bytes(300_000))
    assert tap.take() == [("dropped", {"bytes": 300_000})]
    assert tap.take() == []


class Silent:
    """Speaks over a link and says nothing by itself."""

    def __init__(self) -> None:
        self.link: Link | None = None

    def link_opened(self, link: Link) -> None:
        self.link = link

    def bytes_received(self, data: bytes) -> None:
        pass

    def link_closed(self, reason: str) -> None:
        self.link = None


async def until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(5):
        while not is_so():  # noqa: ASYNC110 - what a link does is no event
            await asyncio.sleep(0.01)


async def test_a_link_is_tapped_over_its_lives_and_left_alone_afterwards() -> None:
    async def echo(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(100):
            writer.write(data)
        writer.close()

    server = await asyncio.start_server(echo, "127.0.0.1", 0)
    speaker, passed = Silent(), list[tuple[bool, bytes]]()
    kept = KeptLink(TcpAddress(*server.sockets[0].getsockname()[:2]), speaker, structlog.get_logger(), "echo")

    def tapping(sent: bool, data: bytes) -> None:
        passed.append((sent, data))

    async def opened() -> Link:
        await until(lambda: speaker.link is not None)
        assert speaker.link is not None
        return speaker.link

    kept.start()
    link = await opened()
    link.write(b"before ")
    kept.begin_tap(tapping)
    link.write(b"one")
    await until(lambda: any(not sent for sent, _ in passed))
    kept.reopen("a test")
    await until(lambda: speaker.link is None)
    link = await opened()
    link.write(b"two")
    kept.end_tap(tapping)
    link.write(b"three")
    assert [data for sent, data in passed if sent] == [b"one", b"two"]
    assert b"three" not in b"".join(data for _, data in passed)
    await kept.close()
    server.close()


def test_from_afar_only_an_administrator_may_look_at_raw_bytes(tmp_path: Path) -> None:
    with running_station(tmp_path) as station:
        assert station.peer.ask("GET", "/v1/tap?link=rig%20main").status == 401
        for role in ("watch", "operate"):
            refused = station.peer.ask("GET", "/v1/tap?link=rig%20main", token=station.tokens[role])
            assert refused.status == 403
        answer = station.peer.ask("GET", "/v1/tap?link=rig", token=station.tokens["administer"])
        assert (answer.status, answer.json["detail"]) == (404, "there is no link 'rig'; did you mean rig main?")
        assert station.peer.ask("GET", "/v1/tap", token=station.tokens["administer"]).status == 400
