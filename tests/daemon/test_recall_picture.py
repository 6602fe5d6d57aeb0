"""The trial of what presets are worth: its table, its picture, and that both are the trial's own figures."""

import json
import re
from pathlib import Path
from statistics import median

import pytest
from picture_reading import all_text, centre, notes, read
from running_daemon import qsyd

from qsyd_daemon.pictures.recall_picture import Trial, Tried, recall_picture

RECALLED = (Tried(7_050_000, 1.2, 0.0, False), Tried(14_100_000, 1.0, 0.1, False), Tried(3_600_000, 1.5, 0.2, False))
LEFT = (
    Tried(7_050_000, 100.0, 2.0, False),
    Tried(14_100_000, 10.0, 1.0, False),
    Tried(3_600_000, 70_000.0, 15.0, True),
)
TRIAL = Trial(RECALLED, LEFT, 1.2, 15.0)


def test_a_marker_stands_where_its_value_says() -> None:
    """Decades of SWR are equally high, and the order is that of the mismatch without presets."""
    root = read(recall_picture("Trial", TRIAL))
    ten, hundred, beyond = (centre(root, f"{mhz} MHz without: ") for mhz in ("14.100", "7.050", "3.600"))
    one = centre(root, "14.100 MHz with: 1.00")
    assert ten[0] < hundred[0] < beyond[0]
    assert one[0] == pytest.approx(ten[0])
    assert one[1] - ten[1] == pytest.approx(ten[1] - hundred[1], abs=0.1)
    assert hundred[1] - beyond[1] == pytest.approx(ten[1] - hundred[1], abs=1)  # at the top, which is 1,000
    second, fifteenth = (
        centre(root, f"{mhz} MHz without: {s} s") for mhz, s in (("14.100", "1.00"), ("3.600", "15.00"))
    )
    base = centre(root, "7.050 MHz with: 0.00")
    assert (base[1] - fifteenth[1]) / (base[1] - second[1]) == pytest.approx(15, rel=0.1)


def test_it_can_be_read_without_colour() -> None:
    picture = recall_picture("Trial", TRIAL)
    grey = re.sub(r"#[0-9a-f]{6}", "#000000", picture)
    root = read(grey)
    kinds = {mark: len(re.findall(f'<g class="{mark}">', grey)) for mark in ("disc", "cross", "triangle")}
    assert kinds == {"disc": 1 + 6, "cross": 1 + 4, "triangle": 1 + 2}  # the legend's, and both panels'
    shown = all_text(root)
    assert "with presets" in shown
    assert "SWR at the first key-down, worst 1.50 beyond 1,000" in shown
    assert "3.600 MHz without: 70000.00, tripped" in notes(root)


def test_the_command_tells_the_same_in_a_table_a_document_and_a_picture(tmp_path: Path) -> None:
    """The table is worked out again from the document; the trial itself is held to account where the plant is tried."""
    asked = ("simulate", "--recall-trial", "12", "--seed", "5")
    done = qsyd(*asked)
    document = json.loads(qsyd(*asked, "--json", "--svg", str(tmp_path / "trial.svg")).stdout)
    assert (done.returncode, done.stderr) == (0, "")
    rows = {line[:36].strip(): line[36:].split() for line in done.stdout.splitlines()[3:]}
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    swr = [[each["swr"] for each in document[side]] for side in ("recalled", "left")]
    told = next(figures for what, figures in rows.items() if what.endswith("median") and what.startswith("SWR"))
    first, second = told
    assert float(first) == pytest.approx(median(swr[0]), abs=0.006)
    assert float(second) == pytest.approx(median(swr[1]), rel=0.01, abs=0.6)
    assert [each["frequency_hz"] for each in document["recalled"]] == [
        each["frequency_hz"] for each in document["left"]
    ]
    root = read((tmp_path / "trial.svg").read_text())
    assert sum(" without: " in note for note in notes(root)) == 24
    assert "SIMULATED" in all_text(root)


@pytest.mark.parametrize(
    "arguments",
    [("0",), ("2000",), ("61", "--svg", "x.svg"), ("5", "--state", "x"), ("5", "--campaign", "3")],
)
def test_a_wrong_trial_is_one_line(arguments: tuple[str, ...], tmp_path: Path) -> None:
    done = qsyd("simulate", "--recall-trial", *arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert list(tmp_path.iterdir()) == []
