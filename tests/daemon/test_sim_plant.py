"""`qsyd sim amplifier` and `qsyd sim bench`: real processes, a real pty and real TCP, and a real daemon on the bench."""

import json
import re
import socket
import time
from pathlib import Path

import pytest
from live_run import PATIENCE_S, ask, running, until

from qsyd_daemon.__main__ import main
from qsyd_daemon.bench_station import station_text
from qsyd_daemon.station_file.load import station_from_text
from qsyd_simulators.plant.plant_wire import METERS_MATCH


def test_amplifier_is_served_on_tcp(tmp_path: Path) -> None:
    with running("sim", "amplifier", "--tcp", "0", "--warm-up", "1 s", log=tmp_path / "log") as amplifier:
        port = int(amplifier.until(r"SIMULATED amplifier: tcp:127\.0\.0\.1:(\d+)")[1])
        amplifier.type("drive 30 W")
        amplifier.type("key")
        amplifier.until("turned up to 30 W")
        amplifier.until(", keyed,")
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as line, line.makefile("rw") as lines:

            def ask(words: str) -> str:
                lines.write(words + "\n")
                lines.flush()
                return lines.readline().rstrip("\n")

            answers = [ask("HOLD"), ask("FREE"), ask("NONSENSE")]
            shown = until(lambda: re.search(r"^F(3\d|2\d) R\d+ .* Soff X-$", ask("METERS")), lambda: ask("METERS"))

    assert answers[:2] == ["OK", "OK"]
    assert answers[2].startswith("ERR lines are:")
    assert shown


def test_a_daemon_runs_on_the_bench_with_the_station_file_it_wrote(tmp_path: Path) -> None:
    """From the bench's own file to full power on the air: what a newcomer would do, in two terminals."""
    place, state = tmp_path / "b", ["--state", str(tmp_path / "s")]
    with running(
        "sim", "bench", "--directory", str(place), "--warm-up", "1 s", "--weather", "calm", log=tmp_path / "bench"
    ) as bench:
        bench.until("Type help")
        station = place / "station.yaml"
        presets = tmp_path / "presets.csv"
        presets.write_text("antenna,segment,tune,load,drive_w\nmast-beam,20m/1,222,297,50\n")
        with running("run", str(station), *state, "--events", str(tmp_path / "events"), log=tmp_path / "run"):
            until(lambda: ask(["status", *state]) == 0 or None, lambda: "a daemon that answers")
            assert ask(["presets", "import", str(presets), *state]) == 0
            assert ask(["amplifier", "on", *state]) == 0
            until(lambda: ask(["amplifier", "operate", *state]) == 0 or None, lambda: "operate")
            until(lambda: has_operated(tmp_path / "events") or None, lambda: (tmp_path / "events").read_text())
            bench.type("key")
            time.sleep(0.5)  # the truth is of a moment: let the meters and the daemon see the key first
            bench.type("truth")
            power = bench.until(r"operate; 14\.205000 MHz on port 1; .* forward (\d+) W, .* tune 222, load 297")
            bench.type("unkey")

    assert 1_300 <= int(power[1]) <= 1_600


def has_operated(events: Path) -> bool:
    told = [json.loads(line) for line in events.read_text().splitlines() if line.endswith("}")]
    operated = [number for number, event in enumerate(told) if event.get("state") == "operate"]
    return bool(operated) and any(event["event"] == "transmit-released" for event in told[operated[-1] :])


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["amplifier", "--tcp", "70000"], "is not a port"),
        (["amplifier", "--tcp", "0", "--warm-up", "soon"], "soon"),
        (["bench", "--warm-up", "1 ms"], "at least 1 s"),
        (["bench", "--frequency", "14.2"], "14.2"),
        (["bench", "--frequency", "144 MHz"], "outside what this set tunes"),
    ],
)
def test_wrong_options_are_told_in_a_line(options: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sim", *options]) == 2

    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1


def test_directory_that_cannot_be_made_is_told_in_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")

    for directory, said in ((tmp_path / "file" / "b", "Not a directory"), (tmp_path / "file", "File exists")):
        assert main(["sim", "bench", "--directory", str(directory)]) == 1
        told = capsys.readouterr().err
        assert told == f"error: {directory}: {said}; name another --directory\n"


@pytest.mark.parametrize(
    "device",
    [["rig", "--protocol", "ascii-cat"], ["rig", "--protocol", "ci-v"], ["amplifier"]],
    ids=lambda device: " ".join(device[::2]),
)
def test_what_is_taken_or_missing_is_told_in_words(
    device: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        assert main(["sim", *device, "--tcp", str(port)]) == 1
    told = capsys.readouterr().err
    assert told == (
        f"error: port {port} of 127.0.0.1 is taken: another program serves there; choose another, or 0 for a free one\n"
    )

    assert main(["sim", *device, "--pty", str(tmp_path / "none" / "rig")]) == 1
    told = capsys.readouterr().err
    assert told == (
        f"error: {tmp_path / 'none' / 'rig'}: there is no such directory to put the link in; make it, or choose another path\n"
    )

    (tmp_path / "notes").write_text("mine")
    assert main(["sim", *device, "--pty", str(tmp_path / "notes")]) == 1
    assert "notes exists and is no symbolic link" in capsys.readouterr().err
    assert (tmp_path / "notes").read_text() == "mine"


@pytest.mark.parametrize("device", [["rig", "--protocol", "ci-v"], ["amplifier"]], ids=lambda device: device[0])
def test_a_pseudo_terminal_is_told_as_a_station_file_can_name_it(
    device: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There a relative path would be one from the state directory."""
    monkeypatch.chdir(tmp_path)
    with running("sim", *device, "--pty", "port", log=tmp_path / "log") as served:
        served.until(f"serial:{tmp_path / 'port'}\n")


def test_a_bench_that_is_begun_again_leaves_a_changed_file_alone_and_is_found_by_it(tmp_path: Path) -> None:
    """Who has added rules to the bench's file wants to run them against the next bench too."""
    place, first = ["sim", "bench", "--warm-up", "1 s", "--directory", str(tmp_path / "b")], tmp_path / "first"
    file = tmp_path / "b" / "station.yaml"
    with running(*place, log=first) as bench:
        bench.until("Type help")
        ports = re.findall(r"tcp:127\.0\.0\.1:(\d+)$", bench.said(), re.MULTILINE)
        assert f"qsyd run {file} --state" in bench.said()
        untouched = file.read_text()
        assert main([*place]) == 1  # while that one runs; its file and its rig stay as they are
        assert file.read_text() == untouched
        assert (tmp_path / "b" / "rig").exists()

    changed = untouched.replace("station: Plover Sands", "station: Mine")
    file.write_text(changed)
    with running(*place, log=tmp_path / "second") as bench:
        bench.until("Type help")
        assert f"{file} has been changed since a bench wrote it, and is left as it is" in bench.said()
        assert ports[:3] == re.findall(r"^SIMULATED .*tcp:127\.0\.0\.1:(\d+)$", bench.said(), re.MULTILINE)
        for port in ports[:3]:
            socket.create_connection(("127.0.0.1", int(port)), timeout=PATIENCE_S).close()
    assert file.read_text() == changed

    file.write_text(untouched)
    with running(*place[:2], "--warm-up", "7 s", *place[4:], log=tmp_path / "third") as bench:
        bench.until("Type help")
    assert file.read_text().splitlines()[1:] == [
        line.replace("warm_up: 1 s", "warm_up: 7 s") for line in untouched.splitlines()[1:]
    ]


def test_a_file_that_is_no_text_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "station.yaml").write_bytes(b"\xff\xfe")
    assert main(["sim", "bench", "--directory", str(tmp_path)]) == 1
    assert capsys.readouterr().err.startswith(f"error: {tmp_path / 'station.yaml'}: is not text; ")
    assert (tmp_path / "station.yaml").read_bytes() == b"\xff\xfe"


def test_station_file_of_the_bench_is_right() -> None:
    antennas = [("mast-beam", 1, ["20m", "15m"]), ("shore-dipole", 2, ["80m"])]
    text = station_text("Plover Sands", '/tmp/a "b"/rig', 1, 2, antennas, warm_up_s=180, drive_w=80, match=METERS_MATCH)

    station = station_from_text(text, Path("bench")).station

    assert [antenna.name for antenna in station.antennas] == ["mast-beam", "shore-dipole"]
