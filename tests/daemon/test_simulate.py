"""`qsyd simulate`: shipped scenarios pass, a failed expectation is told with its line, a wrong file with every place."""

import argparse
import json
from pathlib import Path

import pytest
from running_daemon import qsyd

from qsyd_daemon.commands.simulate import run, shipped
from qsyd_daemon.scenario_file import load_scenario, scenario_from_text
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_simulators.world.faults import FaultKind

FAULTS = [str(kind) for kind in FaultKind]
STATION = shipped()["switch-falls-silent"].parent / "stations" / "marsh-end.yaml"


def simulate(scenario: str | Path | None, *, as_json: bool = False, campaign: int | None = None, seed: int = 1) -> int:
    chosen = None if scenario is None else str(scenario)
    return run(
        argparse.Namespace(
            scenario=chosen,
            json=as_json,
            campaign=campaign,
            seed=seed,
            workers=1,
            svg=None,
            state=None,
            recall_trial=None,
        )
    )


def scenario(tmp_path: Path, *steps: str) -> Path:
    """A scenario at the usual station."""
    lines = ["scenario: A trial", f"station: {STATION}", "presets: every", "steps:", *(f"  - {step}" for step in steps)]
    path = tmp_path / "trial.yaml"
    path.write_text("\n".join(lines) + "\n")
    return path


def problems(written: str) -> list[str]:
    with pytest.raises(StationFileError) as caught:
        scenario_from_text(written, Path("trial.yaml"), FAULTS)
    return str(caught.value).splitlines()


def test_there_are_a_dozen_scenarios() -> None:
    assert len(shipped()) >= 12


@pytest.mark.parametrize("name", sorted(shipped()))
def test_shipped_scenario_comes_as_expected(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert simulate(name) == 0

    output = capsys.readouterr()
    assert output.err == ""
    assert output.out.startswith("SIMULATED")
    assert max(len(line) for line in output.out.splitlines()) <= 80
    assert load_scenario(shipped()[name], FAULTS).steps != ()


def test_the_same_seed_prints_the_same_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    simulate("two-faults-at-once", seed=5)
    first = capsys.readouterr().out
    simulate("two-faults-at-once", seed=5)
    again = capsys.readouterr().out
    simulate("two-faults-at-once", seed=6)

    assert first == again
    assert capsys.readouterr().out != first


def test_json_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert simulate("moved-while-keyed", as_json=True) == 0

    document = json.loads(capsys.readouterr().out)
    assert document["simulated"] is True
    assert document["passed"] is True
    assert [entry["met"] for entry in document["trace"] if "met" in entry] == [True] * 5
    assert not any("time" in entry for entry in document["trace"])


def test_a_failed_expectation_is_told_with_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = scenario(tmp_path, "{at: 2 s, expect: {antenna: beam}}", "{after: 0 s, expect: {antenna: wire, rf: on}}")

    assert simulate(path) == 1

    assert capsys.readouterr().err.splitlines() == [
        f"{path}:6:5: failed: expected antenna `wire`, it is `beam` at 2.000 s",
        f"{path}:6:5: failed: expected rf `on`, it is `off` at 2.000 s",
    ]


def test_within_waits_no_longer_than_it_has_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = scenario(tmp_path, "{at: 0 s, expect: {transmit: released, within: 30 s}}")

    assert simulate(path, as_json=True) == 0

    assert json.loads(capsys.readouterr().out)["virtual_s"] < 1


def test_a_wrong_file_tells_everything_with_its_place() -> None:
    written = """\
scenario: A trial
seeds: 4
station:
  station: Marsh End
  region: 4
  rigs: {main: {link: simulated}}
  antennas: {wire: {port: 1, bands: [40m]}}
presets: all
utc: 25:00
rig: {dial: 14.05}
steps:
  - {at: 3 s, dial: 7.050 MHz}
  - {at: 2 s, dial: 7.060 MHz}
  - {after: 1 s, fault: {switch-silentt: on}}
  - {after: 1 s, key: sideways, split: on}
  - {after: 1 s, expect: {transmit: free, moved: maybe}}
  - {after: 1 s}
"""
    told = problems(written)

    assert [line.split(": error: ")[0] for line in told] == [
        f"trial.yaml:{place}"
        for place in (
            *("2:1", "5:11", "8:10", "9:6", "10:13", "13:5", "14:26", "15:5", "15:23", "16:37", "16:50"),
            "17:5",
        )
    ]
    assert "did you mean `seed`?" in told[0]
    assert "did you mean `switch-silent`?" in "\n".join(told)


def test_a_name_that_no_scenario_has_gets_the_nearest_one() -> None:
    done = qsyd("simulate", "loop-at-nigth")
    assert (done.returncode, done.stdout) == (78, "")
    assert (
        done.stderr == "error: no scenario of the name `loop-at-nigth` comes with qsyd; did you mean `loop-at-night`?\n"
    )
    done = qsyd("simulate", "./loop-at-nigth")  # the path of a file
    assert (done.returncode, done.stderr[:39]) == (78, "loop-at-nigth:1:1: error: cannot be rea")


def test_names_are_those_of_the_station() -> None:
    written = f"""\
scenario: A trial
station: {STATION}
steps:
  - {{at: 3 s, expect: {{antenna: bean, segment: 20m/9}}}}
  - {{after: 0 s, preset: {{antenna: beam, segment: 20m/1, tune: 4}}}}
"""
    assert problems(written) == [
        "trial.yaml:4:33: error: `bean` is not an antenna of this station; did you mean `beam`?",
        "trial.yaml:4:48: error: `20m/9` is not a segment of this station; did you mean `20m/3`?",
        "trial.yaml:5:26: error: a preset without its two positions; write tune and load, or `remove: true`",
    ]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("", "the file is empty"),
        ("- 1", "a list stands where a scenario belongs"),
        ("scenario: A trial\nsteps: []", "the key `station` is missing"),
        ("scenario: A trial\nstation: nowhere.yaml\nsteps: []", "nowhere.yaml:1:1: cannot be read"),
        ("scenario: [", "the bracket opened at"),
        ("scenario: A\nstation: {station: B}\nsteps: 5", "stands where steps belong"),
    ],
)
def test_other_wrong_files(written: str, told: str) -> None:
    assert told in "\n".join(problems(written))


def test_wrong_use_names_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert simulate(None) == 2
    assert simulate("x", campaign=4) == 2
    assert simulate(None, campaign=0) == 2
    assert simulate("no-such-scenario") == 78

    assert "switch-falls-silent" in capsys.readouterr().err


def test_campaign_is_the_same_document_for_the_same_seed(capsys: pytest.CaptureFixture[str]) -> None:
    simulate(None, campaign=60, seed=3, as_json=True)
    first = capsys.readouterr()
    simulate(None, campaign=60, seed=3, as_json=True)
    again = capsys.readouterr()

    assert first.out == again.out
    document = json.loads(first.out)
    assert document["change_overs"] >= 60
    assert document["exercised"]["W1"] > 0
    assert "events/s" in first.err


def test_campaign_report_counts_each_invariant(capsys: pytest.CaptureFixture[str]) -> None:
    simulate(None, campaign=30, seed=3)

    out = capsys.readouterr().out
    assert out.startswith("SIMULATED campaign, seed 3\n")
    assert all(f"  {name:<9} " in out for name in ("I1", "I25", "L1", "W4"))


def test_a_step_may_come_by_the_clock_and_a_hold_outlasts_no_rule_for_long(tmp_path: Path) -> None:
    """The loop's rule begins at 22:00; the hold keeps the wire for three minutes past it."""
    path = scenario(
        tmp_path,
        "{utc: 21:59:00, hold: {antenna: wire, for: 4 min}}",
        "{utc: 22:02:55, expect: {antenna: wire, transmit: released}}",
        "{utc: 22:03:05, expect: {antenna: loop, within: 2 s}}",
        "{after: 0 s, hold: {antenna: wire, for: 4 min}}",
        "{after: 2 s, expect: {antenna: wire}}",
        "{after: 0 s, hold: off}",
        "{after: 2 s, expect: {antenna: loop, transmit: released}}",
    )
    written = path.read_text().replace("steps:", "date: 2031-02-28\nutc: 21:58\nrig: {dial: 7.050 MHz}\nsteps:")
    path.write_text(written)

    assert simulate(path) == 0


def test_wrong_times_holds_and_days_are_told_with_their_place() -> None:
    written = f"""\
scenario: A trial
station: {STATION}
date: 2031-02-30
steps:
  - {{utc: 24:00, key: down}}
  - {{utc: 23:00, after: 1 s, key: up}}
  - {{after: 1 s, hold: {{antenna: bean}}}}
  - {{after: 1 s, hold: forever}}
"""
    assert problems(written) == [
        "trial.yaml:3:7: error: `2031-02-30` is not a day; write one such as 2031-05-04",
        "trial.yaml:5:11: error: `24:00` is not a time of day; write HH:MM or HH:MM:SS, UTC",
        "trial.yaml:6:11: error: `after` and `utc` in one step; keep one of them",
        "trial.yaml:7:24: error: the key `for` is missing; say how long, such as 30 min",
        "trial.yaml:7:34: error: `bean` is not an antenna of this station; did you mean `beam`?",
        "trial.yaml:8:24: error: `forever` is not off; known here: off",
    ]
