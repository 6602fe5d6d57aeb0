"""Notices on real files, pipes and processes: nothing they do may hold up the loop, and nothing is lost unsaid."""

import asyncio
import json
import os
import queue
import resource
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
import structlog
from structlog.testing import LogCapture
from structlog.typing import EventDict, FilteringBoundLogger

from qsyd_daemon.outputs.jsonl import JsonlOutput, line
from qsyd_daemon.outputs.log import LogOutput
from qsyd_daemon.outputs.log_repeats import Repeats
from qsyd_daemon.outputs.notice_thread import NoticeThread
from qsyd_daemon.outputs.output import Event, NoticeOutput

KEYED = {"at": 1.5, "time": "2026-01-02T03:04:05.000Z", "event": "keyed", "rig": "main"}


def captured_log() -> tuple[FilteringBoundLogger, list[EventDict]]:
    """A logger, and the list that its entries go to."""
    capture = LogCapture()
    log: FilteringBoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(), processors=[capture], wrapper_class=structlog.make_filtering_bound_logger(0)
    )
    return log, capture.entries


def lines_of(path: Path) -> list[dict[str, object]]:
    return [json.loads(text) for text in path.read_bytes().splitlines()]


async def until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(3):
        while not is_so():  # noqa: ASYNC110 - what is waited for happens on a thread or in a file
            await asyncio.sleep(0.002)


@contextmanager
def file_size_limit(limit_bytes: int) -> Iterator[None]:
    """Every file of this process is as full as a full disk: writing beyond the limit fails with EFBIG."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


async def test_events_are_appended_as_lines_in_order(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    path.write_text('{"event":"before"}\n')
    output: NoticeOutput = JsonlOutput("journal", path)

    for number in range(1_000):
        output.tell({"event": "frequency", "frequency_hz": 14_205_000 + number})
    await output.close()

    lines = lines_of(path)
    assert lines[0] == {"event": "before"}
    assert [entry["frequency_hz"] for entry in lines[1:]] == [14_205_000 + number for number in range(1_000)]


async def test_an_event_is_in_the_file_at_once_not_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    output = JsonlOutput("journal", path)

    output.tell(KEYED)

    await until(lambda: path.exists() and lines_of(path) == [KEYED])
    await output.close()


@pytest.mark.parametrize(
    ("event", "expected"),
    [
        (
            {"event": "notice", "text": "a\nb\x1b[2J", "rule": None},
            rb'{"event":"notice","text":"a\nb\u001b[2J","rule":null}',
        ),
        ({"text": "\x7f\x9b2J\u2028"}, rb'{"text":"\u007f\u009b2J\u2028"}'),
        ({"text": "Ålesund"}, '{"text":"Ålesund"}'.encode()),
        ({"text": "\udc80"}, rb'{"text":"\udc80"}'),
        (MappingProxyType({"reasons": ["a", "b"], "took_ms": 12}), rb'{"reasons":["a","b"],"took_ms":12}'),
        (
            {"event": "keyed", "rig": {1, 2}},
            b'{"event":"keyed","error":"not writable as JSON: TypeError: Object of type set is not JSON serializable"}',
        ),
    ],
)
def test_every_event_is_one_line_of_json_that_commands_no_terminal(
    event: Mapping[str, object], expected: bytes
) -> None:
    written = line(event)

    assert written == expected + b"\n"
    assert isinstance(json.loads(written), dict)
    assert len(written.decode().splitlines()) == 1


def test_event_with_a_number_that_json_has_not_becomes_a_line_that_says_so() -> None:
    written = json.loads(line({"at": float("nan"), "time": "t", "event": "keyed"}))

    assert (written["time"], written["event"]) == ("t", "keyed")
    assert written["error"].startswith("not writable as JSON: ValueError: Out of range float")


async def test_line_torn_by_a_crash_is_ended_before_the_next(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    path.write_bytes(b'{"event":"keyed"}\n{"event":"unk')
    output = JsonlOutput("journal", path)

    output.tell(KEYED)
    await output.close()

    kept, torn, new = path.read_bytes().splitlines()
    assert (json.loads(kept), torn, json.loads(new)) == ({"event": "keyed"}, b'{"event":"unk', KEYED)


async def test_full_disk_drops_the_oldest_says_so_once_and_recovers(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    log, entries = captured_log()
    output = JsonlOutput("journal", path, log, queued_max=100)
    with file_size_limit(50):
        output.tell({"event": "first", "text": "x" * 100})
        await until(lambda: bool(entries))
        for number in range(250):
            output.tell({"at": number, "time": "t", "event": "frequency"})
        await asyncio.sleep(0.3)
        assert path.stat().st_size == 50, "the disk really was full, in the middle of a line"
    await until(lambda: len(entries) == 2)
    await output.close()

    lines = lines_of(path)
    assert lines[0]["event"] == "first"
    assert lines[1] == {"at": 150, "time": "t", "event": "events-dropped", "count": 150}
    assert [entry["at"] for entry in lines[2:]] == list(range(150, 250))
    assert [(entry["log_level"], entry["event"]) for entry in entries] == [
        ("warning", "events cannot be written, trying on"),
        ("info", "events are written again"),
    ]
    assert entries[0]["error"] == "File too large"


async def test_missing_directory_is_tried_until_it_is_there(tmp_path: Path) -> None:
    path = tmp_path / "usb" / "events.jsonl"
    log, entries = captured_log()
    output = JsonlOutput("journal", path, log)
    output.tell(KEYED)
    await until(lambda: bool(entries))
    await asyncio.sleep(0.15)

    path.parent.mkdir()
    await until(lambda: path.exists() and lines_of(path) == [KEYED])
    await output.close()

    assert [entry["error"] for entry in entries if entry["log_level"] == "warning"] == ["No such file or directory"]


async def test_close_gives_up_on_what_cannot_be_written(tmp_path: Path) -> None:
    log, _ = captured_log()
    output = JsonlOutput("journal", tmp_path / "missing" / "events.jsonl", log)
    for _ in range(2_000):
        output.tell(KEYED)
    await asyncio.sleep(0.01)

    started_s = time.monotonic()
    await output.close()

    assert time.monotonic() - started_s < 1.2


async def test_reader_that_stops_reading_holds_up_neither_tell_nor_close(tmp_path: Path) -> None:
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    output = JsonlOutput("journal", fifo, queued_max=1_000)
    took_s: list[float] = []
    for number in range(5_000):
        started_s = time.perf_counter()
        output.tell({"event": "frequency", "frequency_hz": number, "text": "x" * 200})
        took_s.append(time.perf_counter() - started_s)

    started_s = time.monotonic()
    await output.close()
    closing_s = time.monotonic() - started_s
    os.close(reader)

    assert sorted(took_s)[-5] < 0.05, "a few may find the machine busy with something else"
    assert closing_s < 1.3


async def test_loop_keeps_its_turns_while_ten_thousand_events_are_written(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    path.touch()
    output = JsonlOutput("journal", path)
    events = [{**KEYED, "frequency_hz": number} for number in range(10_000)]
    size_bytes = sum(len(line(event)) for event in events)
    for event in events:
        output.tell(event)
    turns_s: list[float] = []
    began_s = time.perf_counter()
    async with asyncio.timeout(5):
        while path.stat().st_size < size_bytes:
            await asyncio.sleep(0)
            turns_s.append(time.perf_counter() - began_s)
            began_s += turns_s[-1]
    await output.close()

    assert lines_of(path) == events
    assert sorted(turns_s)[int(0.999 * len(turns_s))] < 0.02


SPEAKING = """
    import asyncio, sys
    from qsyd_daemon.outputs.jsonl import JsonlOutput

    async def main():
        output = JsonlOutput("events", "-")
        for number in range({count}):
            output.tell({{"event": "frequency", "frequency_hz": number}})
            await asyncio.sleep({pause_s})
        await output.close()

    asyncio.run(main())
    print("ended", file=sys.stderr)
"""


def speaking(count: int, pause_s: float, stdout: int | None) -> subprocess.Popen[bytes]:
    roots = [entry for entry in sys.path if entry.endswith(("daemon", "rules"))]
    script = textwrap.dedent(SPEAKING.format(count=count, pause_s=pause_s))
    return subprocess.Popen(
        [sys.executable, "-c", script],
        stdout=stdout,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(roots)},
    )


def test_dash_is_standard_output() -> None:
    with speaking(3, 0, subprocess.PIPE) as process:
        out, err = process.communicate(timeout=10)

    assert [json.loads(text)["frequency_hz"] for text in out.splitlines()] == [0, 1, 2]
    assert (process.returncode, err) == (0, b"ended\n")


def test_closed_pipe_on_standard_output_ends_the_output_quietly() -> None:
    with speaking(200, 0.002, subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
        process.wait(10)

    assert (process.returncode, err) == (0, b"ended\n")


async def test_log_gives_each_event_its_level_and_escapes_its_texts() -> None:
    log, entries = captured_log()
    output: NoticeOutput = LogOutput("log", log)

    output.tell(KEYED)
    output.tell({"event": "warning", "code": "slow", "text": "late\n\x1b[2Jforged", "rule": None})
    output.tell({"event": "fault", "code": "grid-current", "severity": "offline"})
    output.tell({"event": "notice", "text": "hello", "rule": "tell the phone"})
    await output.close()

    assert entries == [
        {**KEYED, "log_level": "info"},
        {"event": "warning", "code": "slow", "text": r"late\n\x1b[2Jforged", "rule": None, "log_level": "warning"},
        {"event": "fault", "code": "grid-current", "severity": "offline", "log_level": "error"},
        {"event": "notice", "text": "hello", "rule": "tell the phone", "log_level": "info"},
    ]


async def test_log_leaves_out_a_flood_but_no_warning_and_says_how_many() -> None:
    log, entries = captured_log()
    output = LogOutput("log", log, lines_per_s=0.001, lines_at_once=10)

    for number in range(50):
        output.tell({"event": "frequency", "frequency_hz": number})
    output.tell({"event": "warning", "text": "still said"})
    await output.close()

    assert [entry["event"] for entry in entries] == ["frequency"] * 10 + ["warning", "warning"]
    assert [entry["text"] for entry in entries[10:]] == ["still said", "40 events were not logged"]


FAILED: dict[str, Any] = {
    "event": "output-failed",
    "output": "amp",
    "command": "amplifier-standby",
    "error": "no acknowledgement",
}
RECOVERED = {"event": "output-recovered", "output": "amp"}


async def test_log_tells_an_output_that_fails_a_dozen_times_and_then_how_often_and_how_it_stands() -> None:
    log, entries = captured_log()
    output = LogOutput("log", log)

    for _ in range(20):
        output.tell(FAILED)
        output.tell(RECOVERED)
    output.tell(FAILED)
    output.tell(FAILED | {"output": "switch"})
    output.tell({"event": "transmit-released"})
    await output.close()

    assert [entry["event"] for entry in entries[:12]] == ["output-failed", "output-recovered"] * 6
    assert [entry["event"] for entry in entries[12:]] == ["output-failed", "transmit-released", "warning"]
    assert entries[12]["output"] == "switch"
    assert entries[-1] == {
        "event": "warning",
        "output": "amp",
        "text": "29 more lines within 60 s were left out; the last: output-failed amplifier-standby: no acknowledgement",
        "log_level": "warning",
    }


def test_trouble_left_out_is_told_when_its_minute_is_over_and_then_counted_anew() -> None:
    repeats = Repeats()

    assert [repeats.leaves_out(FAILED, 100.0) for _ in range(14)] == [False] * 12 + [True] * 2
    assert repeats.due_in_s(130.0) == 30.0
    assert repeats.told(159.9) == []
    assert repeats.leaves_out(RECOVERED, 159.9)
    assert [each["text"] for each in repeats.told(160.0)] == [
        "3 more lines within 60 s were left out; the last: output-recovered"
    ]
    assert repeats.due_in_s(160.0) is None
    assert not repeats.leaves_out(FAILED, 160.0)


def test_only_trouble_is_ever_left_out() -> None:
    repeats = Repeats()
    done = {"event": "command", "output": "amp", "command": "amplifier-standby", "result": "acknowledged"}
    failed = done | {"result": "failed", "error": "no acknowledgement"}
    for event in (done, {"event": "warning", "output": "amp"}, {"event": "fault"}, {"event": "transmit-inhibited"}):
        assert not any(repeats.leaves_out(event, 1.0) for _ in range(50))

    assert [repeats.leaves_out(failed, 1.0) for _ in range(13)][-1]


async def test_a_thread_of_notices_is_woken_in_time_without_an_event() -> None:
    calls = queue.SimpleQueue[list[Event]]()
    thread = NoticeThread("test", lambda events, dropped: calls.put(events), wake_in_s=lambda: 0.02)

    assert [await asyncio.to_thread(calls.get, timeout=5) for _ in range(3)] == [[], [], []]
    await thread.close()


async def test_log_sink_that_hangs_or_fails_delays_nothing() -> None:
    hangs = threading.Event()
    said: list[str] = []

    def sink(logger: object, method: str, event: EventDict) -> EventDict:
        if event["event"] == "bad":
            raise OSError("sink is gone")
        hangs.wait(3)
        said.append(event["event"])
        raise structlog.DropEvent

    log: FilteringBoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(), processors=[sink], wrapper_class=structlog.make_filtering_bound_logger(0)
    )
    output = LogOutput("log", log)
    started_s = time.monotonic()
    for name in ("bad", "keyed", "unkeyed"):
        output.tell({"event": name})
    assert time.monotonic() - started_s < 0.5

    hangs.set()
    await output.close()

    assert said == ["warning", "keyed", "unkeyed"], "the first says that one was not logged"
