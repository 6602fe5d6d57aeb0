"""`qsyd demo` from outside: it ends by itself, tells the evening within 80 columns, and means what it claims."""

import os
import pty
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from qsyd_daemon.demo_station import presets, station_text
from qsyd_daemon.station_file.load import station_from_text

COMMAND = [sys.executable, "-m", "qsyd_daemon", "demo"]
LINES_OF_A_SCREEN = 24


def environment(temporary: Path, **more: str) -> dict[str, str]:
    """This process's environment, with our packages, a temporary directory of the test's own, and no word on colour."""
    kept = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "TERM"}}
    return kept | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path), "TMPDIR": str(temporary)} | more


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], float, Path]:
    """One whole evening, piped: how it ended, how long it took in seconds, and where it had its temporary files."""
    temporary = tmp_path_factory.mktemp("t")
    began_s = time.monotonic()
    done = subprocess.run(
        COMMAND, capture_output=True, text=True, timeout=45, check=False, env=environment(temporary, TERM="xterm")
    )
    return done, time.monotonic() - began_s, temporary


@pytest.fixture(scope="module")
def text(played: tuple[subprocess.CompletedProcess[str], float, Path]) -> str:
    return played[0].stdout


def test_it_ends_by_itself_within_30_s_and_well(
    played: tuple[subprocess.CompletedProcess[str], float, Path],
) -> None:
    done, took_s, _ = played
    assert (done.returncode, done.stderr) == (0, ""), done.stdout[-2_000:]
    assert took_s < 30


def test_it_leaves_nothing_behind(played: tuple[subprocess.CompletedProcess[str], float, Path]) -> None:
    assert list(played[2].iterdir()) == []


def test_it_fits_80_columns_and_is_plain_text_where_it_is_piped(text: str) -> None:
    assert max(len(line) for line in text.splitlines()) <= 80
    assert all(character.isprintable() or character == "\n" for character in text)


def test_every_block_and_every_screen_is_marked(text: str) -> None:
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if number == 0 or not lines[number - 1]:
            assert line.startswith("SIMULATED"), f"the block at line {number + 1} is not marked"
    for first in range(len(lines) - LINES_OF_A_SCREEN + 1):
        screen = lines[first : first + LINES_OF_A_SCREEN]
        assert any("SIMULATED" in line for line in screen), f"no mark on the screen from line {first + 1}"


def test_the_cautions_come_first(text: str) -> None:
    head = " ".join(text.split("\n\n")[0].split())
    for caution in ("plate voltage and RF kill", "no interlock", "local code"):
        assert caution in head


KEY_MOMENTS = (
    r"4 s, shortened from 180 s for this demo",
    r"refused; warming up: \d s left",
    r"forward 40 W, grid 0 mA",
    r"warm-up: 2 s to go",
    r"warm-up -> standby \(warm-up has run in full\)",
    r"amplifier into the signal path, acknowledged",
    r"forward 1200 W",
    r"dial on 21\.0920 MHz",
    r"\+0\.0 ms +transmit inhibited: changing over to north-yagi on 15m/1",
    r"transmit held off, acknowledged",
    r"amplifier out of the signal path, acknowledged",
    r"tank to tune 121, load 391, acknowledged",
    r"transmit released, acknowledged",
    r"change-over finished in \d+ ms: north-yagi on 15m/1",
    r"creek-wire on port 2, acknowledged",
    r"change-over finished in \d+ ms: creek-wire on 40m/1",
    r"change-over finished in \d+ ms: creek-wire on 80m/1",
    r"drift over the edge",
    r"dial on 3\.6010 MHz",
    r"\+2\d\d\.\d ms +80m/2",
    r"change-over finished in \d+ ms: creek-wire on 80m/2",
    r"split: listens on 3\.6010 MHz, transmits on 3\.5920 MHz",
    r"change-over finished in \d+ ms: creek-wire on 80m/1",
    r"would still transmit on 80m/1: nothing moves",
    r"knocks the dial down by 9 kHz, still keyed",
    r"it waits for unkey",
    r"forward 0 W",
    r"rig +unkeyed",
    r"change-over finished in \d+ ms: creek-wire on 80m/1",
    r"stops answering",
    r"switch failed on select-antenna: no acknowledgement",
    r"transmit inhibited: antenna unknown",
    r"failed safe",
    r"forward 0 W",
    r"switch answers again",
    r"change-over finished in \d+ ms: north-yagi on 20m/1",
    r"forward 1200 W",
    r"heater off, acknowledged",
    r"station stopped",
    r"\d+ change-overs, median \d+ ms",
    r"no antenna contact moved under power",
)


def test_the_evening_is_told_in_order(text: str) -> None:
    position = 0
    for moment in KEY_MOMENTS:
        found = re.compile(moment).search(text, position)
        assert found, f"{moment} does not come after line {text[:position].count(chr(10)) + 1}"
        position = found.end()


def test_no_step_of_a_change_over_is_shorter_than_its_waits(text: str) -> None:
    """Guard 50 ms, tank 600 ms, transfer relay 30 ms, as the demo's station file has them."""
    took_ms = [int(found) for found in re.findall(r"change-over finished in (\d+) ms", text)]
    assert len(took_ms) == 9
    assert min(took_ms) >= 680


def test_the_claims_are_those_of_the_devices(text: str) -> None:
    ending = text.rpartition("SIMULATED")[2]
    assert "BROKEN" not in text
    assert ending.count("kept ") == 7
    found = re.search(r"put to the test: (\d+) overs up to (\d+) W, (\d+) antenna changes", " ".join(ending.split()))
    assert found
    assert (int(found[1]), int(found[2]), int(found[3])) == (4, 1200, 2)


def test_the_stations_presets_fit_its_segments() -> None:
    file = station_from_text(station_text('/dev/a rig\'s "port"', 5001, 5002), Path("demo"))

    segments = {segment.name: segment.band for segment in file.station.segments}
    antennas = {antenna.name: antenna.bands for antenna in file.station.antennas}
    assert [warning.text for warning in file.warnings] == ["warm-up is under 120 s"], "shortened, and said to be"
    assert all(segments[preset.segment] in antennas[preset.antenna] for preset in presets())


@pytest.fixture
def started(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A demo under way, its output piped."""
    process = subprocess.Popen(
        COMMAND, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(tmp_path)
    )
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 143)])
def test_a_demo_broken_off_leaves_nothing_behind(
    started: subprocess.Popen[str], tmp_path: Path, number: signal.Signals, code: int
) -> None:
    assert started.stdout is not None
    for line in started.stdout:
        if "change-over finished" in line:
            break
    assert [path.name[:10] for path in tmp_path.iterdir()] == ["qsyd-demo-"]

    started.send_signal(number)
    told, errors = started.communicate(timeout=10)

    assert (started.returncode, errors) == (code, "")
    assert "station stopped" in told
    assert "broken off; transmit held, amplifier out" in told
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_goes_away_is_no_error(started: subprocess.Popen[str], tmp_path: Path) -> None:
    assert started.stdout is not None
    assert started.stdout.readline().startswith("SIMULATED")

    started.stdout.close()
    code = started.wait(timeout=10)

    assert started.stderr is not None
    assert (code, started.stderr.read()) == (0, "")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("more", "coloured"),
    [({"TERM": "xterm"}, True), ({"TERM": "xterm", "NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)],
)
def test_colour_is_for_terminals_that_want_it(tmp_path: Path, more: dict[str, str], coloured: bool) -> None:
    """NO_COLOR: set and not empty means no colour (no-color.org, from memory)."""
    near, far = pty.openpty()
    process = subprocess.Popen(COMMAND, stdout=far, stderr=far, env=environment(tmp_path, **more))
    os.close(far)
    told = b""
    while b"change-over finished" not in told:
        told += os.read(near, 4096)
    process.send_signal(signal.SIGINT)
    while True:
        try:
            told += os.read(near, 4096)
        except OSError:  # Linux says so once the far side is closed
            break
    os.close(near)

    assert process.wait(timeout=10) == 130
    assert (b"\x1b[" in told) == coloured
    plain = re.sub(r"\x1b\[[0-9;]*m", "", told.decode())
    assert "\x1b" not in plain
    assert max(len(line) for line in plain.splitlines()) <= 80
