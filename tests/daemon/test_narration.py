"""What an operator reads of an event: who, when, what, within 80 columns, and no code that a terminal would obey."""

from typing import Any

import pytest

from qsyd_daemon.narration import COLUMNS, narrate, report_of, row

EVENTS: list[tuple[dict[str, Any], str]] = [
    ({"event": "station-started", "station": "Marsh End"}, "station Marsh End started; safe until the rig is heard"),
    ({"event": "station-stopped"}, "station stopped"),
    ({"event": "link-up", "rig": "main"}, "rig main answers"),
    ({"event": "link-lost", "rig": "main", "reason": "no answer for 2 s"}, "rig main lost: no answer for 2 s"),
    (
        {"event": "frequency", "frequency_hz": 7_047_000, "transmit_hz": 7_047_000, "split": False, "mode": "data"},
        "dial on 7.0470 MHz, data",
    ),
    (
        {"event": "frequency", "frequency_hz": 7_047_001, "transmit_hz": 7_047_001, "split": False, "mode": None},
        "dial on 7.047001 MHz",
    ),
    (
        {"event": "frequency", "frequency_hz": 3_601_000, "transmit_hz": 3_592_000, "split": True, "mode": "cw"},
        "split: listens on 3.6010 MHz, transmits on 3.5920 MHz, cw",
    ),
    ({"event": "keyed", "rig": "main"}, "keyed"),
    ({"event": "unkeyed", "rig": "main"}, "unkeyed"),
    (
        {
            "event": "placed",
            "segment": "40m/1",
            "antenna": "wire",
            "port": 2,
            "preset": {"tune": 288, "load": 402},
            "rules": ["loop at night"],
        },
        "40m/1: wire port 2, tune 288 load 402, rule loop at night",
    ),
    (
        {"event": "placed", "segment": "30m/1", "antenna": "wire", "port": 2, "preset": None, "rules": []},
        "30m/1: wire port 2, no preset",
    ),
    (
        {"event": "placed", "segment": None, "antenna": None, "port": None, "preset": None, "rules": []},
        "nothing serves this frequency",
    ),
    (
        {"event": "transmit-inhibited", "reasons": ["changing over to wire on 40m/1", "another"]},
        "transmit inhibited: changing over to wire on 40m/1; another",
    ),
    ({"event": "transmit-released"}, ""),
    ({"event": "change-over-started", "from": None, "to": {"antenna": "wire", "segment": "40m/1"}}, ""),
    ({"event": "change-over-finished", "took_ms": 712.4}, "change-over finished in 712 ms: done"),
    (
        {"event": "change-over-finished", "took_ms": 712.4, "antenna": "wire", "segment": "40m/1"},
        "change-over finished in 712 ms: wire on 40m/1",
    ),
    (
        {"event": "output-failed", "output": "switch", "command": "select-antenna", "error": "no answer"},
        "switch failed on select-antenna: no answer",
    ),
    (
        {"event": "output-failed", "output": "switch", "command": None, "error": "closed by the other end"},
        "switch failed: closed by the other end",
    ),
    ({"event": "output-recovered", "output": "switch"}, "switch answers again"),
    (
        {"event": "amplifier", "was": "off", "state": "warm-up", "reason": "heater on", "ready_in_s": 180.0},
        "amplifier: off -> warm-up (heater on), ready in 180 s",
    ),
    (
        {"event": "amplifier", "was": "operate", "state": "standby", "reason": "changing over", "ready_in_s": 0.0},
        "",
    ),
    (
        {"event": "amplifier", "was": "operate", "state": "standby", "reason": "no preset", "ready_in_s": 0.0},
        "amplifier: operate -> standby (no preset)",
    ),
    (
        {"event": "tune-up", "step": "unkey", "antenna": "wire", "segment": "40m/1", "text": "good: 700 W out. Unkey"},
        "tune-up: wire on 40m/1: good: 700 W out. Unkey",
    ),
    (
        {"event": "tune-up", "step": "ended", "antenna": None, "segment": None, "text": "done: 1 of 1 segments saved"},
        "tune-up: done: 1 of 1 segments saved",
    ),
    ({"event": "preset-saved", "antenna": "wire", "segment": "40m/1"}, "preset saved: wire, 40m/1"),
    (
        {"event": "preset-missing", "antenna": "wire", "segment": "40m/1"},
        "no usable preset for wire on 40m/1: barefoot here",
    ),
    ({"event": "warning", "code": "rule", "text": "mind the edge", "rule": "edge"}, "warning: mind the edge"),
    (
        {"event": "fault", "code": "grid-current", "detail": "140 mA", "advice": "retune"},
        "FAULT grid-current: 140 mA; retune",
    ),
    ({"event": "fault-acknowledged", "code": "grid-current"}, "fault-acknowledged: code grid-current"),
]

COMMANDS: list[tuple[dict[str, Any], str]] = [
    ({"command": "inhibit-transmit", "reasons": ["x"]}, "transmit held off"),
    ({"command": "release-transmit"}, "transmit released"),
    ({"command": "amplifier-on"}, "heater on"),
    ({"command": "amplifier-off"}, "heater off"),
    ({"command": "high-voltage-off"}, "plate supply off"),
    ({"command": "amplifier-standby"}, "amplifier out of the signal path"),
    ({"command": "amplifier-operate"}, "amplifier into the signal path"),
    ({"command": "select-antenna", "rig": "main", "antenna": "wire", "port": 2}, "wire on port 2"),
    ({"command": "recall-preset", "tune": 288, "load": 402}, "tank to tune 288, load 402"),
    (
        {"command": "recall-preset", "tune": 288, "load": 402, "matching": [12, 40, 1]},
        "tank to tune 288, load 402, matching unit to 12 40 1",
    ),
    ({"command": "limit-drive", "drive_w": 40}, "drive limited to 40 W"),
]


def told(event: dict[str, Any]) -> str:
    """The words alone: the columns before them left out, wrapped lines joined."""
    return " ".join(line[21:] for line in narrate({"at": 5.0, **event}))


@pytest.mark.parametrize(("event", "text"), EVENTS)
def test_each_event_reads_as_an_operator_would_say_it(event: dict[str, Any], text: str) -> None:
    assert told(event) == text


@pytest.mark.parametrize(("event", "text"), COMMANDS)
@pytest.mark.parametrize("result", ["confirmed", "acknowledged", "assumed"])
def test_a_command_says_what_it_did_and_how_well_that_is_known(event: dict[str, Any], text: str, result: str) -> None:
    assert told({"event": "command", "output": "amp", **event, "result": result}) == f"{text}, {result}"


@pytest.mark.parametrize(("event", "_text"), COMMANDS)
def test_a_failed_command_is_never_told_as_done(event: dict[str, Any], _text: str) -> None:
    """The `output-failed` of the same moment tells of it."""
    assert told({"event": "command", "output": "amp", **event, "result": "failed", "error": "no answer"}) == ""


def test_times_count_from_the_rigs_report() -> None:
    inhibited = {"at": 100.0004, "event": "transmit-inhibited", "reasons": ["changing over"]}

    lines = narrate(inhibited, 100.0)

    assert lines == ["qsyd        +0.4 ms  transmit inhibited: changing over"]
    assert narrate(inhibited) == ["qsyd                 transmit inhibited: changing over"]
    assert narrate(inhibited, 100.1) == narrate(inhibited), "what came before the report does not follow from it"
    assert narrate(inhibited, 80.0)[0].startswith("qsyd        +20.0 s  ")


def test_only_what_the_rig_tells_and_the_end_of_warm_up_set_the_times_anew() -> None:
    amplifier = {"event": "amplifier", "at": 7.0, "state": "standby"}
    assert report_of({"event": "frequency", "at": 7.0}, 3.0) == 7.0
    assert report_of({"event": "keyed", "at": 7.0}, 3.0) == 7.0
    assert report_of({"event": "unkeyed", "at": 7.0}, 3.0) == 7.0
    assert report_of({"event": "link-up", "at": 7.0}, None) == 7.0
    assert report_of(amplifier | {"was": "warm-up"}, 3.0) == 7.0
    assert report_of(amplifier | {"was": "operate"}, 3.0) == 3.0
    assert report_of({"event": "command", "at": 7.0}, 3.0) == 3.0
    assert report_of({"event": "command", "at": 7.0}, None) is None


@pytest.mark.parametrize("text", ["word " * 60, "x" * 500, "tcp:127.0.0.1:" + "9" * 200, ""])
def test_no_line_is_wider_than_the_screen_and_nothing_is_lost(text: str) -> None:
    lines = row("qsyd", text, after_ms=9_999.9)

    assert max(len(line) for line in lines) <= COLUMNS
    assert "".join(line[21:] for line in lines).replace(" ", "") == text.replace(" ", "")
    assert all(line[:21].strip() == "" for line in lines[1:])


def test_long_reasons_are_told_without_their_details() -> None:
    error = "no acknowledgement from tcp:127.0.0.1:5001 in 3 tries: expected a line that matches '^OK', heard nothing"
    reasons = [f"antenna unknown: switch: {error}", "changing over to beam on 20m/1; it waits for unkey"]

    text = told({"event": "transmit-inhibited", "reasons": reasons})

    assert text == (
        "transmit inhibited: antenna unknown: switch ...; changing over to beam on 20m/1; it waits for unkey"
    )


def test_no_text_of_an_event_commands_a_terminal() -> None:
    event = {"event": "warning", "code": "rule", "text": "\x1b[2Jgone\x07\r\nline\x9b31m", "rule": None}

    assert told(event) == "warning: ?[2Jgone???line?31m"


def test_colour_only_repeats_the_words() -> None:
    event = {"at": 5.0, "event": "output-failed", "output": "switch", "command": None, "error": "closed " * 20}

    plain, coloured = narrate(event), narrate(event, colour=True)

    assert len(plain) > 1
    assert coloured == [f"\x1b[31m{line}\x1b[0m" for line in plain]
