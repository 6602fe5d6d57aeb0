"""The command line as scripts see it: exit codes, shapes of JSON, errors in lines, and never a traceback."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from running_daemon import ENVIRONMENT, assert_no_traceback, qsyd

STATION = """\
station: Breakwater Point
region: 2
rigs:
  main: {link: simulated, protocol: ascii-cat, frequency_digits: 11}
antennas:
  hilltop-beam: {port: 1, bands: [20m, 17m, 15m, 12m, 10m], max_power: 1.5 kW}
  harbour-wire: {port: 2, bands: [80m, 40m]}
  low-loop: {port: 3, bands: [40m], max_power: 500 W}
amplifier:
  follows: main
  bands: [80m, 40m, 20m, 17m, 15m, 12m, 10m]
  warm_up: 180 s
  output: 1450 W
  limits: {drive: 75 W}
segments:
  20m: 2
  40m: [7.000 MHz, 7.125 MHz, 7.300 MHz]
rules:
  - name: loop at night
    when: {band: 40m, between: 22:00..06:00}
    then: {antenna: low-loop}
  - name: data runs cool
    when: {mode: data}
    then: {drive: 25 W}
  - name: stay off the edge
    when: {frequency: 14.347..14.351 MHz, mode: usb}
    then: {inhibit: an upper sideband would reach past the band}
outputs:
  journal: {kind: jsonl, path: events.jsonl}
tests:
  - {frequency: 14.205 MHz, expect: {antenna: hilltop-beam, segment: 20m/2}}
"""
EXPLAINED = {
    "frequency_hz",
    "band",
    "segment",
    "antenna",
    "preset",
    "drive_w",
    "amplifier",
    "inhibit",
    "warnings",
    "rules",
}
ROW = {"antenna", "band", "segment", "low_hz", "high_hz", "centre_hz", "preset"}


@pytest.fixture
def station(tmp_path: Path) -> Path:
    file = tmp_path / "station.yaml"
    file.write_text(STATION)
    return file


def _explain(station: Path, *arguments: str) -> dict[str, Any]:
    state = str(station.parent / "state")
    done = qsyd("explain", str(station), *arguments, "--json", "--state", state)
    assert (done.returncode, done.stderr) == (0, "")
    shown: dict[str, Any] = json.loads(done.stdout)
    return shown


def test_explain_has_the_promised_shape(station: Path) -> None:
    """Edges of 20 m: 47 CFR 97.301; the segment in two equal parts."""
    shown = _explain(station, "14.205", "MHz")

    assert shown.keys() == EXPLAINED
    assert (shown["frequency_hz"], shown["band"]) == (14_205_000, "20m")
    assert shown["segment"] == {
        "name": "20m/2",
        "low_hz": 14_175_000,
        "high_hz": 14_350_000,
        "centre_hz": 14_262_500,
    }
    assert shown["antenna"] == {"name": "hilltop-beam", "port": 1}
    assert shown["preset"] is None
    assert shown["drive_w"] == 75
    assert shown["amplifier"]["state"] == "standby"
    assert "preset" in shown["amplifier"]["because"]
    assert shown["inhibit"] == shown["warnings"] == []
    assert [rule["name"] for rule in shown["rules"]] == ["loop at night", "data runs cool", "stay off the edge"]
    assert all(rule.keys() == {"name", "matched", "decided", "because"} for rule in shown["rules"])
    assert not any(rule["matched"] for rule in shown["rules"])
    assert all(isinstance(rule["because"], str) and rule["because"] for rule in shown["rules"])


def test_explain_takes_the_frequency_as_one_word_or_two(station: Path) -> None:
    wanted = _explain(station, "7.1", "MHz")
    assert all(_explain(station, *words) == wanted for words in (["7.1 MHz"], ["7100kHz"]))


def test_explain_says_which_rule_decided_what(station: Path) -> None:
    by_day = _explain(station, "7.1 MHz", "--at", "12:00")
    by_night = _explain(station, "7.1 MHz", "--at", "23:30", "--mode", "data", "--rig", "main")
    edge = _explain(station, "14.348 MHz", "--mode", "usb")
    edge_unjudged = _explain(station, "14.348 MHz")

    assert by_day["antenna"]["name"] == "harbour-wire"
    assert by_night["antenna"] == {"name": "low-loop", "port": 3}
    assert [rule["matched"] for rule in by_night["rules"]] == [True, True, False]
    assert by_night["drive_w"] == 25
    assert edge["inhibit"] == ["an upper sideband would reach past the band"]
    assert edge_unjudged["inhibit"] == []


def test_explain_outside_every_band_is_an_answer_too(station: Path) -> None:
    shown = _explain(station, "9 MHz")
    assert (shown["band"], shown["segment"], shown["antenna"], shown["preset"]) == (None, None, None, None)
    assert shown["inhibit"]


def test_band_edges_belong_to_the_band(station: Path) -> None:
    """47 CFR 97.301, edges inclusive as in the ADIF band enumeration."""
    assert _explain(station, "14.350 MHz")["segment"]["name"] == "20m/2"
    assert _explain(station, "14.350001 MHz")["segment"] is None
    assert _explain(station, "14.175 MHz")["segment"]["name"] == "20m/2"
    assert _explain(station, "14.174999 MHz")["segment"]["name"] == "20m/1"


def test_plan_has_the_promised_shape_and_follows_the_presets(station: Path) -> None:
    state = str(station.parent / "state")
    table = station.parent / "presets.csv"
    table.write_text(
        "antenna,segment,tune,load,low_hz,high_hz\n"
        "harbour-wire,40m/1,1,2,,\n"
        "harbour-wire,40m/2,3,4,7150000,7300000\n"  # once its edge was elsewhere
    )
    assert qsyd("presets", "import", str(table), "--state", state).returncode == 0

    done = qsyd("plan", str(station), "--json", "--state", state)

    rows = json.loads(done.stdout)
    assert (done.returncode, done.stderr) == (0, "")
    assert all(row.keys() == ROW for row in rows)
    places = {(row["antenna"], row["segment"]): row for row in rows}
    assert places["harbour-wire", "40m/1"]["preset"] == "saved"
    assert places["harbour-wire", "40m/2"]["preset"] == "stale"
    assert places["hilltop-beam", "20m/1"] == {
        "antenna": "hilltop-beam",
        "band": "20m",
        "segment": "20m/1",
        "low_hz": 14_000_000,
        "high_hz": 14_175_000,
        "centre_hz": 14_087_500,
        "preset": "missing",
    }
    assert {row["band"] for row in rows if row["antenna"] == "low-loop"} == {"40m"}


def test_check_prints_coverage_and_every_default(station: Path) -> None:
    done = qsyd("check", str(station), "--state", str(station.parent / "state"))
    assert done.returncode == 0
    for said in ("160m", "hilltop-beam", "relay_settle", "30 ms", "cool_down"):
        assert said in done.stdout


def test_a_failing_test_of_the_file_itself_is_78(station: Path) -> None:
    station.write_text(STATION + "  - {frequency: 7.2 MHz, expect: {antenna: low-loop}}\n")
    done = qsyd("check", str(station), "--state", str(station.parent / "state"))
    line = len(STATION.splitlines()) + 1
    assert done.returncode == 78
    assert done.stderr.startswith(f"{station}:{line}:")
    assert "low-loop" in done.stderr
    assert "harbour-wire" in done.stderr


@pytest.mark.parametrize(
    ("was", "becomes", "line"),
    [
        ("region: 2", "region: 4", 2),
        ("warm_up: 180 s", "warm_up: 180", 12),
        ("then: {antenna: low-loop}", "then: {antenna: low-lop}", 21),
        ("station: Breakwater Point", "statoin: Breakwater Point", 1),
        ("{mode: data}", "{mode: digital}", 23),
        ("limits: {drive: 75 W}", "limits: {drive: 75 kHz}", 14),
    ],
)
def test_a_broken_station_file_is_78_with_its_place(station: Path, was: str, becomes: str, line: int) -> None:
    assert was in STATION
    station.write_text(STATION.replace(was, becomes))
    done = qsyd("check", str(station), "--state", str(station.parent / "state"))
    assert (done.returncode, done.stdout) == (78, "")
    assert any(text.startswith(f"{station}:{line}:") for text in done.stderr.splitlines())
    assert all(": error: " in text for text in done.stderr.splitlines())


def test_every_command_tells_the_same_of_a_broken_station_file(station: Path) -> None:
    station.write_text(STATION.replace("region: 2", "region: 4"))
    state = ("--state", str(station.parent / "state"))
    errors = set()
    for call in (["check"], ["run"], ["plan", "--json"], ["explain", "14.2MHz"]):
        done = qsyd(call[0], str(station), *call[1:], *state)
        assert (done.returncode, done.stdout) == (78, "")
        errors.add(done.stderr)
    assert len(errors) == 1


def test_all_errors_are_told_at_once(station: Path) -> None:
    station.write_text(STATION.replace("region: 2", "region: 4").replace("180 s", "180").replace("1450 W", "1450 V"))
    done = qsyd("check", str(station))
    assert done.returncode == 78
    assert [int(text.removeprefix(str(station)).split(":")[1]) for text in done.stderr.splitlines()] == [2, 12, 13]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"42",
        b"[]",
        b"station: [",
        b"\xff\xfe",
        b"a: &a [*a]",
        b"!!python/object/apply:os.system [ls]",
        b"\0",
        b"[" * 4000,
        b"{a: " * 3000,
        b"? {a: b}\n: c",
        b"rigs: 5\nregion: " + b"9" * 5000,
        b"station: 1e999",
    ],
    ids=lambda content: repr(content[:16]),
)
def test_no_file_makes_a_traceback(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "station.yaml"
    file.write_bytes(content)
    done = qsyd("check", str(file))
    assert done.returncode == 78
    assert done.stderr.startswith(f"{file}:")


WRONG_USE = [
    [],
    ["fly"],
    ["run"],
    ["explain", "STATION"],
    ["explain", "STATION", "14.205"],
    ["explain", "STATION", "14.205", "MW"],
    ["explain", "STATION", "9" * 400 + " MHz"],
    ["explain", "STATION", "٣ MHz"],
    ["explain", "STATION", "14.2 MHz", "--at", "25:00"],
    ["explain", "STATION", "14.2 MHz", "--mode", "shouting"],
    ["explain", "STATION", "14.2 MHz", "--rig", "second"],
    ["explain", "STATION", "14.2 MHz", "--rig", ""],
    ["presets"],
    ["presets", "save", "hilltop-beam", "20m/1", "--tune", "much", "--load", "1"],
    ["amplifier"],
    ["amplifier", "on", "--when-ready"],
    ["sim", "rig", "--protocol", "ci-v"],
    ["sim", "rig", "--protocol", "ascii-cat", "--tcp", "99999999"],
    ["sim", "rig", "--protocol", "ascii-cat", "--tcp", "0", "--fragment", "-3"],
    ["sim", "rig", "--protocol", "ci-v", "--tcp", "0", "--address", "zz"],
    ["sim", "rig", "--protocol", "ci-v", "--tcp", "0", "--address", "0x1FF"],
    ["sim", "rig", "--protocol", "ci-v", "--tcp", "0", "--frequency", "soon"],
]


@pytest.mark.parametrize("arguments", WRONG_USE, ids=lambda arguments: " ".join(arguments)[:60])
def test_wrong_use_is_2_with_a_word_on_stderr(station: Path, arguments: list[str]) -> None:
    done = qsyd(*(str(station) if word == "STATION" else word for word in arguments))
    assert (done.returncode, done.stdout) == (2, "")
    assert "error: " in done.stderr.splitlines()[-1]


SLIPS = [
    (["statsu"], "there is no 'statsu'; did you mean status?"),
    (["amplifier", "Standby"], "there is no 'Standby'; did you mean standby?"),
    (["--state", "/x", "status"], "--state comes after the COMMAND: qsyd COMMAND --state /x"),
    (["amplifier", "--state", "/x", "off"], "--state comes after the REQUEST: qsyd amplifier REQUEST --state /x"),
    (["--state=/x", "status"], "--state comes after the command, and not every command takes it"),
    (["demo", "--state", "/x"], "--state comes after the command, and not every command takes it"),
    (["status", "--sate", "/x"], "did you mean --state?"),
    (["explain", "STATION", "7 MHz", "--mode", "uzb"], "there is no 'uzb'; did you mean usb?"),
    (["fly"], "invalid choice: 'fly' (choose from 'demo',"),
    (["history", "--limit", "x"], "'x' is not a whole number"),
    (["presets", "save", "wire", "20m/1", "--tune", "1", "--load", "1", "--drive", "50 w"], "did you mean W?"),
    (["simulate", "--campaign", "10", "--workers", "0"], "--workers takes a number of processes, at least 1"),
]


@pytest.mark.parametrize(
    ("arguments", "said"), SLIPS, ids=lambda each: "" if isinstance(each, str) else " ".join(each)[:40]
)
def test_of_a_slip_it_is_said_what_was_probably_meant(station: Path, arguments: list[str], said: str) -> None:
    done = qsyd(*(str(station) if word == "STATION" else word for word in arguments))
    assert (done.returncode, done.stdout) == (2, "")
    assert "error: " in (last := done.stderr.splitlines()[-1])
    assert said in last


@pytest.mark.parametrize(("drive", "watts"), [("50", 50), ("50 W", 50), ("0.05 kW", 50)])
def test_a_drive_may_carry_its_unit_as_every_quantity_does(tmp_path: Path, drive: str, watts: int) -> None:
    state = ["--state", str(tmp_path / "state")]
    saved = qsyd("presets", "save", "wire", "80m/1", "--tune", "1", "--load", "2", "--drive", drive, *state)
    assert saved.returncode == 0, saved.stderr
    assert json.loads(qsyd("presets", "list", "--json", *state).stdout)[0]["drive_w"] == watts


def test_a_plan_without_an_amplifier_counts_no_presets(tmp_path: Path) -> None:
    file = tmp_path / "barefoot.yaml"
    file.write_text("station: X\nregion: 2\nrigs: {main: {link: simulated}}\nantennas: {a: {port: 1, bands: [20m]}}\n")
    done = qsyd("plan", str(file), "--state", str(tmp_path / "state"))
    assert done.stdout.splitlines()[-1] == "The amplifier serves none of these: all are barefoot, and need no preset."


def test_where_presets_are_looked_for_is_said(station: Path) -> None:
    """A mistyped --state must not look like a store that was lost."""
    other = station.parent / "stat"
    assert qsyd("presets", "list", "--state", str(other)).stdout == f"no presets are stored in {other}\n"
    assert f"have a preset in {other}.\n" in qsyd("plan", str(station), "--state", str(other)).stdout


def test_an_export_is_never_written_over_something_else(station: Path) -> None:
    """Other commands take the station file where this one takes what it writes."""
    state, before = ["--state", str(station.parent / "state")], station.read_bytes()
    assert qsyd("presets", "save", "wire", "80m/1", "--tune", "1", "--load", "2", *state).returncode == 0
    done = qsyd("presets", "export", str(station), *state)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == f"error: {station}: is no table of presets, and is left as it is; name another file\n"
    assert station.read_bytes() == before
    table, empty = station.parent / "p.csv", station.parent / "empty"
    empty.touch()
    for file in (table, table, empty):  # an export of before is what is written over
        assert qsyd("presets", "export", str(file), *state).returncode == 0
        assert file.read_text().splitlines()[1].startswith("wire,80m/1,1,2,")


@pytest.mark.parametrize(
    "arguments",
    [["status"], ["status", "--json"]] + [["amplifier", word] for word in ("on", "off", "standby", "operate")],
    ids=" ".join,
)
def test_without_a_daemon_it_is_69(tmp_path: Path, arguments: list[str]) -> None:
    for state in (tmp_path / "none", Path("/dev/null"), tmp_path / ("x" * 200)):
        done = qsyd(*arguments, "--state", str(state))
        assert (done.returncode, done.stdout) == (69, "")
        assert len(done.stderr.splitlines()) == 1
        assert done.stderr.startswith("error: ")


REFUSED = [
    ["run", "STATION", "--state", "/dev/null"],
    ["run", "STATION", "--state", "/proc"],
    ["run", "STATION", "--state", ""],
    ["run", "STATION", "--state", "/proc/none"],
    ["plan", "STATION", "--state", "STATION"],
    ["presets", "list", "--state", "STATION"],
    ["presets", "save", "wire", "20m", "--tune", "1", "--load", "1"],
    ["presets", "save", "=wire", "20m/1", "--tune", "1", "--load", "1"],
    ["presets", "save", "wire", "20m/1", "--tune", "9" * 4000, "--load", "1"],
    ["presets", "save", "wire", "20m/1", "--tune", "1", "--load", "1", "--state", "/proc"],
    ["presets", "show", "wire", "20m/1"],
    ["presets", "remove", "wire", "20m/1"],
    ["presets", "import", "/"],
    ["presets", "import", "/dev/null"],
    ["presets", "import", sys.executable],
    ["presets", "export", "/none/of/it"],
]


@pytest.mark.parametrize("arguments", REFUSED, ids=lambda arguments: " ".join(arguments)[:60])
def test_what_cannot_be_done_is_1_in_plain_lines(station: Path, arguments: list[str]) -> None:
    words = [str(station) if word == "STATION" else word for word in arguments]
    done = qsyd(*words, environ={"STATE_DIRECTORY": str(station.parent / "state")})
    assert (done.returncode, done.stdout) == (1, "")
    errors = [text for text in done.stderr.splitlines() if "level=" not in text]
    assert errors
    assert all("error: " in text for text in errors)


@pytest.mark.parametrize("path", ["/none.yaml", "/", "/dev/null", "", "\udcff"], ids=repr)
def test_a_station_file_that_cannot_be_read_is_78(path: str) -> None:
    for call in (["run", path], ["explain", path, "14.2MHz"]):
        done = qsyd(*call)
        assert (done.returncode, done.stdout) == (78, "")
        assert "error: " in done.stderr


def test_presets_without_a_daemon_go_out_and_come_back(tmp_path: Path) -> None:
    state, other = str(tmp_path / "state"), str(tmp_path / "other")
    saved = qsyd("presets", "save", "wire", "80m/1", "--tune", "12", "--load", "34", "--drive", "50", "--state", state)
    assert (saved.returncode, saved.stdout) == (0, "saved: wire on 80m/1\n")
    text = qsyd("presets", "export", "--state", state).stdout
    header, row = text.splitlines()
    assert header == "antenna,segment,tune,load,drive_w,forward_w,reflected_w,grid_ma,saved_at,low_hz,high_hz"
    assert row.startswith("wire,80m/1,12,34,50,,,,")

    table = tmp_path / "table.csv"
    assert qsyd("presets", "export", str(table), "--state", state).returncode == 0
    assert table.read_text() == text
    assert qsyd("presets", "import", str(table), "--state", other).returncode == 0
    assert qsyd("presets", "export", "--state", other).stdout == text
    shown = json.loads(qsyd("presets", "show", "wire", "80m/1", "--json", "--state", other).stdout)
    assert (shown["tune"], shown["load"], shown["drive_w"], shown["grid_ma"]) == (12, 34, 50, None)
    assert qsyd("presets", "remove", "wire", "80m/1", "--state", other).returncode == 0
    assert json.loads(qsyd("presets", "list", "--json", "--state", other).stdout) == []


def test_a_bad_row_names_its_line_and_imports_nothing(tmp_path: Path) -> None:
    table = tmp_path / "table.csv"
    table.write_text("antenna,segment,tune,load\nwire,80m/1,1,2\nwire,80m/2,,2\nwire,80m/3,3,4\nwire,80m,5,6\n")
    done = qsyd("presets", "import", str(table), "--state", str(tmp_path / "state"))
    assert (done.returncode, done.stdout) == (1, "")
    assert [text.split(": error: ")[0] for text in done.stderr.splitlines()] == [f"{table}:3", f"{table}:5"]
    assert json.loads(qsyd("presets", "list", "--json", "--state", str(tmp_path / "state")).stdout) == []


@pytest.mark.parametrize(
    "redirection",
    ["| head -1", ">/dev/full", ">&-", ">&- 2>&- <&-"],
)
@pytest.mark.parametrize("call", ["check STATION", "explain STATION 14.2MHz --json", "presets export", "--help"])
def test_output_that_nobody_takes_makes_no_traceback(station: Path, call: str, redirection: str) -> None:
    command = f'"{sys.executable}" -m qsyd_daemon {call.replace("STATION", str(station))} {redirection}'
    done = subprocess.run(
        ["sh", "-c", command],
        capture_output=True,
        text=True,
        env={**ENVIRONMENT, "STATE_DIRECTORY": str(station.parent / "state")},
        timeout=20,
        check=False,
    )
    assert_no_traceback(done.stderr, command)
    assert "Exception ignored" not in done.stderr
    assert done.returncode == (1 if redirection == ">/dev/full" else 0)
    assert "Errno" not in done.stderr


def test_version_and_help_are_there_for_every_command() -> None:
    assert qsyd("--version").stdout.startswith("qsyd ")
    listed = qsyd("--help").stdout
    for command in ("demo", "run", "check", "explain", "plan", "presets", "sim", "status", "amplifier"):
        assert command in listed
        assert qsyd(command, "--help").returncode == 0
