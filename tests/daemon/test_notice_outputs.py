"""Notices on real files, pipes and processes: nothing they do may hold up the loop, and nothing is lost unsaid."""

import asyncio
import json
import os
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

import pytest
import structlog
from structlog.testing import LogCapture
from structlog.typing import EventDict, FilteringBoundLogger

from qsyd_daemon.outputs.jsonl import JsonlOutput, line
from qsyd_daemon.outputs.log import LogOutput
from qsyd_daemon.outputs.log_repeats import Repeats
from qsyd_daemon.outputs.output import NoticeOutput

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
    longest_s = 0.0
    for number in range(5_000):
        started_s = time.perf_counter()
        output.tell({"event": "frequency", "frequency_hz": number, "text": "x" * 200})
        longest_s = max(longest_s, time.perf_counter() - started_s)

    started_s = time.monotonic()
    await output.close()
    took_s = time.monotonic() - started_s
    os.close(reader)

    assert longest_s < 0.05
    assert took_s < 1.3


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


async def test_log_tells_the_same_failure_of_the_same_command_six_times_and_then_how_often() -> None:
    log, entries = captured_log()
    output = LogOutput("log", log)
    failed = {"event": "output-failed", "output": "amp", "command": "amplifier-standby", "error": "no acknowledgement"}
    other = failed | {"command": "recall-preset"}

    for number in range(40):
        output.tell({**failed, "at": float(number)})
    output.tell(other)
    output.tell({"event": "transmit-released"})
    await output.close()

    assert [entry["event"] for entry in entries] == ["output-failed"] * 7 + ["transmit-released", "output-failed"]
    assert [entry.get("command") for entry in entries[6:]] == ["recall-preset", None, "amplifier-standby"]
    assert entries[-1] == {**failed, "repeated": 34, "log_level": "info"}


def test_repeats_are_counted_anew_in_each_minute() -> None:
    repeats = Repeats()
    failed = {"event": "output-failed", "output": "amp", "command": None, "error": "closed"}
    assert repeats.ended(100.0) == []

    assert [repeats.is_one_too_many(failed) for _ in range(8)] == [False] * 6 + [True] * 2
    assert repeats.ended(159.9) == []
    assert [each["repeated"] for each in repeats.ended(160.0)] == [2]
    assert not repeats.is_one_too_many(failed)


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
    assert time.monotonic() - started_s < 0.05

    hangs.set()
    await output.close()

    assert said == ["warning", "keyed", "unkeyed"], "the first says that one was not logged"
