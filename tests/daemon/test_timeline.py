"""Time lines of change-overs: from events as they are written, honest about what those do not tell."""

import json
from pathlib import Path
from typing import Any

import pytest
from picture_reading import all_text, centre, notes, read
from running_daemon import qsyd

from qsyd_daemon.event_file import EventFileError, read_events
from qsyd_daemon.pictures.change_over import ChangeOver, change_overs
from qsyd_daemon.pictures.timeline_picture import timeline_picture

Event = dict[str, Any]


def at(ms: float, event: str, **fields: Any) -> Event:
    return {"at": round(50 + ms / 1000, 6), "time": "2026-03-01T18:30:00Z", "event": event, **fields}


def started(ms: float, antenna: str = "wire", origin: Event | None = None) -> Event:
    return at(ms, "change-over-started", **{"from": origin, "to": {"antenna": antenna, "segment": "40m/1"}})


def command(ms: float, name: str, result: str = "acknowledged", **fields: Any) -> Event:
    return at(ms, "command", command=name, output="box", result=result, **fields)


WHOLE = [
    at(-900, "keyed", rig="main"),
    started(0, origin={"antenna": "beam", "segment": "20m/1"}),
    at(0, "transmit-inhibited", reasons=["changing over to wire on 40m/1"]),
    at(0, "amplifier", state="standby", was="operate", reason="changing over", ready_in_s=0.0),
    at(30, "unkeyed", rig="main"),
    command(5, "inhibit-transmit", "confirmed"),
    command(6, "amplifier-standby"),
    command(60, "select-antenna", "assumed", antenna="wire", port=2, rig="main"),
    command(95, "recall-preset", tune=108, load=208),
    command(99, "limit-drive", "failed", drive_w=15, error="no answer within 300 ms"),
    command(398, "amplifier-operate"),
    command(431.9, "release-transmit"),
    at(431.9, "transmit-released"),
    at(431.9, "change-over-finished", took_ms=431.972, antenna="wire", segment="40m/1"),
]
WHOLE.sort(key=lambda event: event["at"])


def file_of(path: Path, events: list[Event]) -> str:
    path.write_text("".join(json.dumps(event) + "\n" for event in events))
    return str(path)


def drawn(events: list[Event]) -> str:
    return timeline_picture("Trial", tuple(change_overs(events)))


def test_every_command_appears_with_its_time_and_how_well_its_end_is_known() -> None:
    root = read(drawn(WHOLE))
    shown = all_text(root)

    for event in (event for event in WHOLE if event["event"] == "command"):
        ms = f"{(event['at'] - 50) * 1000:.1f} ms"
        assert f"{event['command']}: {event['result']} at {ms}" in notes(root)
        assert f"{ms} {event['command']} at box" in shown
    assert "no answer within 300 ms" in shown
    assert "finished, 432.0 ms in all" in shown
    assert "1. beam on 20m/1 to wire on 40m/1" in shown
    for lane in ("transmit permit", "amplifier line", "antenna", "tank", "drive", "key"):
        assert lane in shown


def test_later_stands_further_right() -> None:
    root = read(drawn(WHOLE))
    order = ["inhibit", "amplifier-standby", "select", "recall", "limit", "amplifier-operate", "release"]
    xs = [centre(root, name)[0] for name in order]

    assert xs == sorted(xs)
    assert len(set(xs)) == len(xs)


def test_what_the_events_do_not_tell_is_said() -> None:
    shown = all_text(read(drawn(WHOLE)))

    assert "Dotted: when the command left is not told" in shown
    assert "Not told: how long a device settled" in shown
    assert "Grey bar" not in shown


def test_a_command_that_tells_how_long_it_took_has_a_bar_from_its_leaving() -> None:
    events = [started(0), command(60, "select-antenna", took_ms=20.0), at(100, "change-over-finished", took_ms=100.0)]
    shown = all_text(read(drawn(events)))

    assert "60.0 ms select-antenna at box (None, port None): acknowledged (left at 40.0)" in shown
    assert "Grey bar: from a command's leaving to its answer." in shown
    assert "Dotted" not in shown


def test_a_command_to_two_outputs_left_once_and_is_answered_by_each_in_its_own_time() -> None:
    both = [
        {**command(60, "amplifier-standby", took_ms=took_ms), "output": name}
        for name, took_ms in (("quick", 5.0), ("slow", 50.0))
    ]
    picture = drawn([started(0), *both, at(100, "change-over-finished", took_ms=100.0)])

    assert all_text(read(picture)).count("(left at 10.0)") == 2
    assert "amplifier-standby: acknowledged at 15.0 ms" in picture
    assert "amplifier-standby: acknowledged at 60.0 ms" in picture


def test_a_command_that_left_before_the_beginning_is_drawn_from_there() -> None:
    events = [started(0), command(5, "inhibit-transmit", took_ms=55.0), at(400, "change-over-finished", took_ms=400.0)]

    assert "(left at -50.0)" in all_text(read(drawn(events)))


@pytest.mark.parametrize(
    ("after", "end"),
    [
        ([], "not finished: the events end here"),
        ([started(70)], "not finished: another change-over began"),
        ([at(70, "station-started", station="s")], "not finished: the daemon ended"),
        ([at(-40_000, "frequency", rig="main")], "not finished: the daemon ended"),  # the machine has started anew
    ],
)
def test_a_change_over_without_its_end_says_what_came_between(after: list[Event], end: str) -> None:
    first = next(change_overs([started(0), command(60, "select-antenna"), *after]))

    assert (first.end, first.took_ms) == (end, None)
    assert f"{end}, after 60.0 ms" in all_text(read(timeline_picture("t", (first,))))


def test_what_was_so_before_it_began_is_known() -> None:
    change_over = next(change_overs([at(-5, "transmit-inhibited", reasons=[]), *WHOLE]))

    assert (change_over.inhibited_before, change_over.keyed_before) == (True, True)


def test_names_of_users_are_escaped_and_never_leave_the_paper() -> None:
    ugly = "<&\"'>\x07" + "W" * 55
    events = [
        started(0, ugly, {"antenna": ugly, "segment": ugly}),
        at(1, "warning", code="x", text=ugly * 3),
        command(60, "select-antenna", ugly, antenna=ugly, port=ugly, error=ugly),
        at(61, "command", command=ugly, output=None, result=None),
        {"event": "events-dropped", "count": 3},
        at(62, "change-over-finished", took_ms="soon"),
    ]
    picture = drawn(events)
    read(picture)

    assert "<&" not in picture
    assert "Events were dropped" in picture


def test_no_change_over_is_said() -> None:
    assert "0 change-overs" in all_text(read(timeline_picture("t", ())))


def test_the_same_events_give_the_same_bytes() -> None:
    assert drawn(WHOLE) == drawn(json.loads(json.dumps(WHOLE)))


def test_the_last_or_the_asked_change_over_is_drawn(tmp_path: Path) -> None:
    events = file_of(
        tmp_path / "events.jsonl", [*WHOLE, started(900, "loop"), at(950, "change-over-finished", took_ms=50.0)]
    )
    svg = tmp_path / "picture.svg"

    last = qsyd("timeline", events, str(svg))
    assert (last.returncode, last.stderr) == (0, "")
    assert "2. nothing known to loop on 40m/1" in all_text(read(svg.read_text()))
    assert qsyd("timeline", events, str(svg), "--number", "1").returncode == 0
    assert "1. beam on 20m/1 to wire on 40m/1" in all_text(read(svg.read_text()))
    none = qsyd("timeline", events, str(svg), "--number", "3")
    assert (none.returncode, none.stderr) == (1, f"{events}: error: holds 2 change-overs, so there is no number 3\n")
    assert qsyd("timeline", events, str(svg), "--number", "0").returncode == 2


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (b'{"at": 1, "event": "keyed"}\nnonsense\n', 2),
        (b'{"at": 1, "event": "keyed"\n{"at": 1, "event": "keyed"}\n', 1),
        (b"[]\n", 1),
        (b'{"event": "keyed"}\n', 1),
        (b'{"at": true, "event": "keyed"}\n', 1),
        (b'{"at": NaN, "event": "keyed"}\n', 1),
        (b'{"at": 1, "event": 7}\n', 1),
        (b"\n\xff\xfe\n", 2),
        (b"[" * 100_000 + b"\n", 1),
        (b"{" + b" " * (2 << 20), 1),
    ],
)
def test_a_bad_file_is_named_with_its_line(tmp_path: Path, text: bytes, line: int) -> None:
    bad, svg = tmp_path / "bad.jsonl", tmp_path / "picture.svg"
    bad.write_bytes(text)

    done = qsyd("timeline", str(bad), str(svg))

    assert done.returncode == 1
    assert done.stderr.startswith(f"{bad}:{line}: error: ")
    assert done.stderr.count("\n") == 1
    assert not svg.exists()


def test_a_line_that_a_crash_tore_off_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    whole = b'{"at": 2, "event": "station-started", "station": "s"}\n'
    path.write_bytes(b'{"at": 1, "event": "key\n' + whole + b'{"at": 3, "eve')

    assert [event["event"] for event in read_events(str(path))] == ["station-started"]


def test_a_file_that_is_not_there_is_one_line_and_exit_1(tmp_path: Path) -> None:
    for missing in (tmp_path / "none.jsonl", tmp_path):
        done = qsyd("timeline", str(missing), str(tmp_path / "p.svg"))
        assert (done.returncode, done.stderr.count("\n")) == (1, 1)
        assert done.stderr.startswith(f"{missing}: error: cannot be read: ")
    with pytest.raises(EventFileError, match="cannot be read"):
        list(read_events("a\x00b"))


def test_an_empty_file_holds_nothing_to_draw(tmp_path: Path) -> None:
    done = qsyd("timeline", file_of(tmp_path / "e.jsonl", []), str(tmp_path / "p.svg"))

    assert done.returncode == 1
    assert done.stderr == f"{tmp_path / 'e.jsonl'}: error: holds 0 change-overs: nothing to draw\n"


def test_the_events_are_never_overwritten(tmp_path: Path) -> None:
    events = file_of(tmp_path / "events.jsonl", WHOLE)
    before = Path(events).read_bytes()

    assert qsyd("timeline", events, events).returncode == 1
    assert Path(events).read_bytes() == before


def test_a_scenario_is_drawn_as_it_was_played(tmp_path: Path) -> None:
    """The picture's totals are those of the trace, which is told apart from it."""
    svg = tmp_path / "scenario.svg"
    done = qsyd("simulate", "a-jump-to-another-band", "--json", "--svg", str(svg))
    finished = [each for each in json.loads(done.stdout)["trace"] if each["event"] == "change-over-finished"]
    shown = all_text(read(svg.read_text()))

    assert (done.returncode, done.stderr) == (0, "")
    assert len(finished) == 2
    for each in finished:
        assert f"finished, {each['took_ms']:.1f} ms in all" in shown
    assert shown.startswith("SIMULATED")


def test_a_campaign_is_not_drawn_and_a_lost_picture_fails_the_command(tmp_path: Path) -> None:
    assert qsyd("simulate", "--campaign", "1", "--svg", str(tmp_path / "p.svg")).returncode == 2
    lost = qsyd("simulate", "a-jump-to-another-band", "--svg", str(tmp_path / "no" / "p.svg"))
    assert lost.returncode == 1
    assert lost.stderr.count("\n") == 1


def test_numbers_count_change_overs_from_the_first() -> None:
    found: list[ChangeOver] = list(change_overs([*WHOLE, started(900)]))

    assert [each.number for each in found] == [1, 2]
