"""`explain` of a moment of the past, for every decision of a simulated day, against the day itself and a second judge."""

import datetime
import hashlib
import json
import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from plain_judge import PlainJudge
from running_daemon import qsyd

from qsyd_daemon.asking_past import Asked, look_up
from qsyd_daemon.commands.simulate import shipped
from qsyd_daemon.commands.simulated import acts_of, layout_of, steps_of
from qsyd_daemon.past import Book, explain_past
from qsyd_daemon.scenario_file import load_scenario
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.store.journal_database import read_journal, with_journal_apart
from qsyd_daemon.store.offline import read_presets
from qsyd_rules.event import Event
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas
from qsyd_rules.state import StationState
from qsyd_simulators.world.faults import FaultKind
from qsyd_simulators.world.scenario import play

STATION = shipped()["a-whole-day"].parent / "stations" / "sallow-head.yaml"
DECISIONS = frozenset(
    {
        "placed",
        "transmit-inhibited",
        "transmit-released",
        "amplifier",
        "change-over-started",
        "change-over-finished",
        "fault",
        "fault-acknowledged",
        "hold-started",
        "hold-ended",
    }
)


@dataclass(frozen=True)
class Truth:
    """How the station under test really stood once one turn of its core was over."""

    dial_hz: int | None
    mode: str | None
    minute: int | None
    held: str | None
    keyed: bool
    amplifier: str
    wish: bool
    released: bool
    reasons: tuple[str, ...]
    fault: str | None
    served: bool
    drive_w: int | None
    under_way: bool


@dataclass
class Day:
    """A day that was simulated and journalled by the command, and lived through once more with open eyes."""

    state: Path
    rows: list[dict[str, Any]]
    truth: dict[int, Truth]
    """By the microsecond of the turn."""
    book: Book

    def explain(self, when: str | None = None, event: int | None = None) -> dict[str, Any]:
        now = datetime.datetime.fromisoformat(self.rows[-1]["time"])
        past = with_journal_apart(
            self.state, lambda connection: look_up(connection, Asked(when, event), now, lambda text: None), None
        )
        assert past is not None
        return explain_past(past, self.book, read_presets(self.state))

    def named(self, event: str) -> list[dict[str, Any]]:
        return [row for row in self.rows if row["event"] == event]

    def first_after(self, event: str, clock: str) -> dict[str, Any]:
        return next(row for row in self.named(event) if row["time"][11:] >= clock)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    state = tmp_path_factory.mktemp("day") / "state"
    done = qsyd("simulate", "a-whole-day", "--state", str(state))
    assert (done.returncode, done.stderr) == (0, "")
    file = load_scenario(shipped()["a-whole-day"], [str(kind) for kind in FaultKind])
    truth: dict[int, Truth] = {}

    class Watched(GuardedStation):
        def step(self, state: Any, event: Event) -> Any:
            after, effects = super().step(state, event)
            truth[event.at_us] = _truth(after.station)
            return after, effects

    play(layout_of(file), steps_of(file), str(file.seed), acts_of(file), make_station=Watched)
    rows = [{"sequence": row.sequence, **json.loads(row.text_json)} for row in read_journal(state, limit=10_000)]
    station = load_station(STATION)
    return Day(state, rows, truth, Book(Atlas(station.station), station.sha256, station.rule_lines))


def _truth(state: StationState) -> Truth:
    rig, target = state.rigs["main"], state.target
    known = rig.up and rig.transmit_hz is not None
    return Truth(
        dial_hz=rig.transmit_hz if known else None,
        mode=str(rig.mode) if rig.mode else None,
        minute=state.minute_used,
        held=state.hold.antenna if state.hold else None,
        keyed=state.keyed_since_us is not None,
        amplifier=str(state.amplifier_shown),
        wish=state.wish,
        released=state.reasons is None,
        reasons=state.reasons or (),
        fault=str(state.fault.code) if state.fault else None,
        served=state.here is not None and state.here.served,
        drive_w=target.drive_w if target else None,
        under_way=state.change_over is not None and state.change_over.shown,
    )


def settled(day: Day) -> list[dict[str, Any]]:
    """Every decision that was the last word of its instant, when the whole state can be compared."""
    found = []
    for row, after in zip(day.rows, [*day.rows[1:], None], strict=True):
        if after is None or after["at"] != row["at"]:
            found.append(row)
    return [row for row in found if row["sequence"] > 1]


def test_the_day_has_every_kind_of_decision(day: Day) -> None:
    assert {row["event"] for row in day.rows} >= DECISIONS
    assert len([row for row in day.rows if row["event"] in DECISIONS]) > 250


def test_every_decision_is_answered_with_what_it_decided(day: Day) -> None:
    """Also those in the middle of an instant, when others are still to come."""
    for row in day.rows:
        if row["event"] not in DECISIONS:
            continue
        answer = day.explain(event=row["sequence"])
        assert answer["as_of"]["sequence"] == row["sequence"]
        match row["event"]:
            case "placed":
                assert answer["placed"] == row
            case "transmit-inhibited":
                assert (answer["transmit"]["released"], answer["transmit"]["reasons"]) == (False, row["reasons"])
            case "transmit-released":
                assert (answer["transmit"]["released"], answer["transmit"]["reasons"]) == (True, [])
            case "amplifier":
                assert (answer["amplifier"], answer["amplifier"]["state"]) == (row, row["state"])
            case "change-over-started":
                assert (answer["change_over"], answer["change_over_ended"]) == (row, None)
            case "change-over-finished":
                assert answer["change_over_ended"] == row
            case "fault":
                assert answer["fault"] == row
            case "fault-acknowledged":
                assert answer["fault"] is None
            case "hold-started":
                assert answer["hold"] == row
            case "hold-ended":
                assert answer["hold"] is None
        assert row in answer["happened"]


def test_at_every_settled_instant_the_answer_is_how_the_station_truly_stood(day: Day) -> None:
    compared = 0
    for row in settled(day):
        truth, answer = day.truth[round(row["at"] * 1e6)], day.explain(event=row["sequence"])
        dial = answer["dial"]
        shown_hz = None if dial is None or dial["lost"] else dial["transmit_hz"]
        assert shown_hz == truth.dial_hz, row
        if shown_hz is not None:
            assert dial["mode"] == truth.mode, row
            assert answer["keyed"]["keyed"] is truth.keyed, row
        state = "off" if answer["amplifier"] is None else answer["amplifier"]["state"]
        assert state == truth.amplifier, row
        assert answer["transmit"]["released"] is truth.released, row
        assert (answer["wish"] is not None) is truth.wish or "operate-when-ready" in str(answer["wish"]), row
        assert (answer["fault"] or {}).get("code") == truth.fault, row
        assert (answer["hold"] or {}).get("antenna") == truth.held, row
        under_way = answer["change_over"] is not None and answer["change_over_ended"] is None
        assert under_way or not truth.under_way, row
        compared += 1
    assert compared > 250


def test_at_every_settled_instant_a_second_judge_comes_to_the_same_rules(day: Day) -> None:
    """The judge reads the YAML plainly, and takes dial, mode, hour and hold from the station's true state."""
    judge = PlainJudge(STATION)
    seen = set()
    for row in settled(day):
        truth, answer = day.truth[round(row["at"] * 1e6)], day.explain(event=row["sequence"])
        if truth.dial_hz is None or answer["placed"] is None:
            continue
        assert truth.minute is not None
        wanted, judged = judge.judge(truth.dial_hz, truth.mode, truth.minute, truth.held), answer["judged"]
        assert judged["agrees"] is True, (row, judged["remark"])
        assert judged["band"] == wanted.band, row
        assert (judged["antenna"] or {}).get("name") == wanted.antenna == answer["placed"]["antenna"], row
        assert tuple(rule["name"] for rule in judged["rules"] if rule["matched"]) == wanted.holding, row
        assert tuple(rule["name"] for rule in judged["rules"] if rule["decided"]) == wanted.deciding, row
        assert set(wanted.inhibits) <= set(judged["inhibit"]), row
        assert judged["drive_w"] == wanted.drive_w, row
        assert [each["name"] for each in judged["antennas"] if each["serves"]] == [wanted.antenna] * bool(
            wanted.antenna
        )
        assert all(each["because"] for each in judged["antennas"])
        assert all(rule["line"] == judge.line_of(rule["name"]) for rule in judged["rules"])
        if wanted.barefoot:
            assert judged["amplifier"]["state"] == "standby", row
            assert answer["amplifier"] is None or answer["amplifier"]["state"] != "operate", row
        seen |= set(wanted.deciding)
    assert seen == {rule["name"] for rule in judge.selections}


@pytest.mark.parametrize(
    ("when", "antenna", "because", "not_so"),
    [
        ("02:14", "low-loop", "rule “low loop at night”", "tall-wire: rule “low loop at night” chooses low-loop"),
        ("03:45", "tall-wire", "held by operator until 2031-05-04T04:15", "low-loop: an operator holds tall-wire"),
        ("05:00:30", "low-loop", "rule “low loop at night”", "ridge-beam: it does not cover 40m"),
        ("05:02", "tall-wire", "the first in the file that covers 40m", "low-loop: rule “low loop at night” would"),
        ("13:12", "attic-dipole", "the first in the file that covers 17m", "ridge-beam: it does not cover 17m"),
        ("19:10", "ground-plane", "rule “ground plane in the evening”", "attic-dipole: rule “ground plane in the"),
    ],
)
def test_why_this_antenna_and_not_the_other(day: Day, when: str, antenna: str, because: str, not_so: str) -> None:
    answer = day.explain(when)
    assert answer["placed"]["antenna"] == antenna
    assert answer["placed"]["because"].startswith(because)
    others = [f"{each['name']}: {each['because']}" for each in answer["judged"]["antennas"] if not each["serves"]]
    assert any(other.startswith(not_so) for other in others), others


@pytest.mark.parametrize(
    ("when", "state", "because"),
    [
        ("00:01", "off", "nothing was told of it since the daemon started"),
        ("00:04", "warm-up", "heater on"),
        ("07:15", "operate", "everything allows it"),
        ("12:18", "fault", "fault keyed-too-long stands: "),
        ("13:12", "standby", "the amplifier does not serve 17m"),
        ("14:02", "standby", "no preset for ridge-beam on 20m/2"),
        ("15:10", "standby", "maintenance lockout by operator: work on the tower"),
        ("16:30", "standby", "rule “no amplifier for data on 15 m”"),
        ("12:24:30", "standby", "nobody wished to operate; it came to standby by: fault keyed-too-long acknowledged"),
        ("15:30:30", "standby", "nobody wished to operate; it came to standby by: maintenance lockout by operator"),
        ("20:35:30", "operate", "everything allows it"),
        ("23:31", "cool-down", "asked by operator"),
    ],
)
def test_why_the_amplifier_is_where_it_is(day: Day, when: str, state: str, because: str) -> None:
    answer = day.explain(when)
    assert ((answer["amplifier"] or {}).get("state") or "off") == state
    assert answer["amplifier_because"].startswith(because)


@pytest.mark.parametrize(
    ("when", "reason"),
    [
        ("09:40", "beacons are heard here"),
        ("09:41", "an upper sideband would reach past the band"),
        ("10:20:10", "rig main: closed by the other end"),
        ("13:02", "5.000 MHz is outside every band of region 1"),
        ("13:07", "no antenna serves 30m"),
        ("15:10", "maintenance lockout by operator"),
        ("19:20:07", "it waits for unkey"),
    ],
)
def test_what_inhibited_transmit(day: Day, when: str, reason: str) -> None:
    answer = day.explain(when)
    assert not answer["transmit"]["released"]
    assert any(reason in each for each in answer["transmit"]["reasons"]), answer["transmit"]


def test_the_reading_that_brought_a_place_is_named_with_its_event(day: Day) -> None:
    answer = day.explain("02:14")
    reading = day.first_after("frequency", "02:14:05")
    last = [row for row in day.named("frequency") if row["time"] <= answer["as_of"]["time"]][-1]
    assert (answer["dial"]["transmit_hz"], answer["dial"]["mode"]) == (7_018_000, "cw")
    assert answer["dial"]["sequence"] == last["sequence"] == reading["sequence"] + 1  # first the mode, then the dial
    assert answer["placed"]["sequence"] == last["sequence"] + 1
    split = day.explain("07:30:20")["dial"]
    assert (split["frequency_hz"], split["transmit_hz"], split["split"]) == (14_205_000, 14_285_000, True)


def test_a_drift_within_the_hysteresis_is_told_as_one(day: Day) -> None:
    """At 21:10:03 the dial stands half a kilohertz over the edge for less than its rest."""
    over = [row for row in day.named("frequency") if row["time"][11:16] == "21:10" and row["transmit_hz"] == 14_117_100]
    answer = day.explain(event=over[-1]["sequence"])
    assert answer["placed"]["segment"] == "20m/1"
    assert (
        answer["judged"]["remark"] == "the dial has drifted out of 20m/1 by no more than the hysteresis: nothing moves"
    )


def test_a_restart_begins_anew(day: Day) -> None:
    """Nothing of the run that was killed counts in the next."""
    second = day.named("station-started")[1]
    answer = day.explain(event=second["sequence"])
    assert (answer["dial"], answer["placed"], answer["amplifier"]) == (None, None, None)
    assert day.explain("20:29")["amplifier"]["state"] == "operate"
    assert day.explain("20:31:50")["amplifier_because"] == "nothing was told of it since the daemon started"


def explain(day: Day, *arguments: str, station: Path = STATION) -> Any:
    return qsyd("explain", str(station), "--state", str(day.state), *arguments)


def test_the_command_answers_in_short_lines_and_says_that_it_was_simulated(day: Day) -> None:
    done = explain(day, "--when", "02:14")
    lines = done.stdout.splitlines()
    assert (done.returncode, done.stderr) == (0, "")
    assert lines[0] == "2031-05-04 02:14 UTC, as it stood at the end of that minute"
    assert lines[1].startswith("  SIMULATED ")
    assert "  because    rule “low loop at night”, line 20" in lines
    assert "  not        tall-wire: rule “low loop at night” chooses low-loop" in lines
    assert re.search(r"^  dial       7.0180 MHz, cw  since 02:14:05.002, event \d+$", done.stdout, re.MULTILINE)
    assert next(line for line in lines if line.startswith(" > ")).endswith("02:14:55.002  unkeyed")
    moved = lines.index(
        next(line for line in lines if line.startswith("  moved last change-over to low-loop on 40m/1"))
    )
    assert re.match(r" {13}change-over finished in \d+ ms: low-loop on 40m/1, event \d+$", lines[moved + 1])
    assert max(len(line) for line in lines) <= 120
    now = explain(day, "--when", "now").stdout.splitlines()
    assert now[0] == f"{day.rows[-1]['time'].replace('T', ' ').removesuffix('Z')} UTC"  # of a journal that has ended


def test_json_is_one_document_and_an_event_may_be_asked_for(day: Day) -> None:
    placed = day.first_after("placed", "02:14:05")
    document = json.loads(explain(day, "--event", str(placed["sequence"]), "--json").stdout)
    assert document["placed"] == placed
    assert document["file"]["same"] is True
    assert document["simulated"].startswith("A whole day")
    assert document["asked"] == f"event {placed['sequence']}, {placed['time']}"


@pytest.fixture
def changed(tmp_path: Path) -> Path:
    """Today's station file: the night is shorter, and everything stands a line further down."""
    path = tmp_path / "changed.yaml"
    path.write_text("# changed\n" + STATION.read_text().replace("22:00..05:00", "22:00..01:00"))
    return path


def test_a_night_is_judged_by_the_file_that_was_in_force_though_it_has_changed(day: Day, changed: Path) -> None:
    done = explain(day, "--when", "02:14", station=changed)
    assert (done.returncode, done.stderr) == (0, "")
    then, now = (hashlib.sha256(path.read_bytes()).hexdigest() for path in (STATION, changed))
    assert f"this station file (sha256 {now[:12]}…) is not the one in force then ({then[:12]}…)" in done.stdout
    assert f"by the copy kept of that one: {day.state}/station-files/{then}.yaml" in done.stdout
    assert "because    rule “low loop at night”, line 20\n" in done.stdout
    document = json.loads(explain(day, "--when", "02:14", "--json", station=changed).stdout)
    assert document["judged"]["agrees"] is True
    assert {key: document["file"][key] for key in ("then", "now", "same")} == {"then": then, "now": now, "same": False}


@pytest.mark.parametrize("copy", ["gone", "altered"])
def test_without_that_files_copy_the_rules_of_now_are_not_held_against_the_night(
    day: Day, changed: Path, tmp_path: Path, copy: str
) -> None:
    state = shutil.copytree(day.state, tmp_path / "state")
    (kept,) = (state / "station-files").iterdir()
    if copy == "gone":
        kept.unlink()
    else:
        kept.write_text(changed.read_text())
    done = qsyd("explain", str(changed), "--state", str(state), "--when", "02:14")
    assert (done.returncode, done.stderr) == (0, "")
    assert "told is what the journal says; the rules of now are not held against it" in done.stdout
    assert "placed     low-loop on port 3, 40m/1" in done.stdout
    assert "because    rule “low loop at night”\n" in done.stdout
    assert not re.search(r"^  (rule|not|drive) ", done.stdout, re.MULTILINE)
    document = json.loads(qsyd("explain", str(changed), "--state", str(state), "--when", "02:14", "--json").stdout)
    assert (document["judged"], document["file"]["same"], document["file"]["kept"]) == (None, False, None)


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (("--when", "25:00"), 2, "error: --when: '25:00' is no time; write one such as 02:14, "),
        (("--when", "02:14", "--event", "3"), 2, "error: name one thing: "),
        (("--when", "02:14", "14.205 MHz"), 2, "error: name one thing: "),
        ((), 2, "error: name one thing: "),
        (("--when", "02:14", "--mode", "cw"), 2, "error: --mode, --rig and --at go with a FREQUENCY"),
        (("--when", "02:14", "--around", "5"), 2, "error: --around: "),
        (("--event", "999999"), 1, "error: there is no event 999999 in the journal"),
    ],
)
def test_a_wrong_question_is_one_line(day: Day, arguments: tuple[str, ...], code: int, told: str) -> None:
    done = explain(day, *arguments)
    assert (done.returncode, done.stdout) == (code, "")
    assert done.stderr.startswith(told)
    assert done.stderr.count("\n") == 1


def test_before_the_first_event_there_is_nothing_to_tell(day: Day) -> None:
    done = explain(day, "--when", "2031-05-01")
    assert (done.returncode, done.stderr) == (0, "")
    assert "nothing up to then; it begins 2031-05-04T00:00:00.000Z" in done.stdout


def test_without_a_journal_it_says_so_and_makes_nothing(tmp_path: Path) -> None:
    done = qsyd("explain", str(STATION), "--when", "02:14", "--state", str(tmp_path / "none"))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"error: {tmp_path / 'none'} holds no journal; ")
    assert list(tmp_path.iterdir()) == []


def test_asking_leaves_no_trace(day: Day) -> None:
    before = {path: path.read_bytes() for path in day.state.rglob("*") if path.is_file()}
    assert explain(day, "--when", "02:14").returncode == 0
    assert {path: path.read_bytes() for path in day.state.rglob("*") if path.is_file()} == before
