"""What a device tells of itself, asked between commands; and a lease on transmit, renewed between both.

First on a clock that is only a number, then over a real connection.
"""

import asyncio
import contextlib
import os
import re
import socket
import threading
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st
from running_daemon import RunningDaemon

from qsyd_daemon.links.keeper import Backoff, KeptLink
from qsyd_daemon.links.link import Address, Speaker, TcpAddress
from qsyd_daemon.outputs.device import LineDevice
from qsyd_daemon.outputs.line_effect import Effect, Finished, Reopen, Send, Told
from qsyd_daemon.outputs.line_exchange import LineExchange
from qsyd_daemon.outputs.meter_questions import MeterQuestions, MeterSettings
from qsyd_daemon.outputs.reading_lines import FAULT_LENGTH_MAX, ReadingLines
from qsyd_daemon.outputs.renewal import Lease, Renewal
from qsyd_daemon.outputs.template import Template
from qsyd_rules.command import CommandName, InhibitTransmit, ReleaseTransmit, SelectAntenna
from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState, Result

MS = 1_000
TIMEOUT_US = 500 * MS
EVERY_US = 200 * MS
STALE_US = 1_000 * MS
LEASE_US = 1_000 * MS

INHIBIT = CommandName.INHIBIT_TRANSMIT
RELEASE = CommandName.RELEASE_TRANSMIT
STANDBY = CommandName.AMPLIFIER_STANDBY
RECALL = CommandName.RECALL_PRESET

MATCH = r"^F(?P<forward_w>\S+) T(?P<tune>\S+)( S(?P<state>\S+))?( E(?P<fault>.*))?$"
ANSWER = b"F100 T7\n"


class Bench:
    """An exchange with a device that is asked, and what has been sent to it, told by it and ended."""

    def __init__(
        self,
        acknowledge: str | None = "^OK",
        match: str = MATCH,
        *,
        asked: bool = True,
        lease: Lease | None = None,
        stale_us: int = STALE_US,
    ) -> None:
        pattern = None if acknowledge is None else re.compile(acknowledge)
        meters = MeterSettings(b"METERS", EVERY_US, ReadingLines(re.compile(match)), stale_us)
        self.questions = MeterQuestions(meters, TIMEOUT_US) if asked else None
        renewal = None if lease is None else Renewal(lease)
        self.exchange = LineExchange("tcp:127.0.0.1:5001", pattern, TIMEOUT_US, 2, self.questions, renewal)
        self.now_us = 1_000 * MS
        self.sent: list[tuple[int, bytes]] = []
        self.told: list[Readings] = []
        self.ended: dict[int, Finished] = {}
        self.lost: list[str] = []
        self.answers: Callable[[bytes], bytes | None] = lambda data: None
        self.open()

    def open(self) -> None:
        self._note(self.exchange.opened(self.now_us))

    def submit(self, ticket: int, name: CommandName) -> None:
        self._note(self.exchange.submit(ticket, name, name.encode(), self.now_us))

    def hear(self, data: bytes) -> None:
        self._note(self.exchange.received(data, self.now_us))

    def run(self, by_us: int) -> None:
        """Let time pass, waking the exchange exactly when it asks for it."""
        until_us = self.now_us + by_us
        while (wake_us := self.exchange.wake_at_us()) is not None and wake_us <= until_us:
            assert wake_us >= self.now_us, "asked to be woken in the past"
            self.now_us = wake_us
            before = (len(self.sent), len(self.ended), len(self.lost), wake_us)
            self._note(self.exchange.due(self.now_us))
            assert before != (len(self.sent), len(self.ended), len(self.lost), self.exchange.wake_at_us()), (
                "woken for nothing"
            )
        self.now_us = until_us

    def sent_at_ms(self, data: bytes) -> list[int]:
        """When this line went out, in milliseconds since the link opened."""
        return [(at_us - 1_000 * MS) // MS for at_us, sent in self.sent if sent == data]

    def words(self) -> list[bytes]:
        return [data for _, data in self.sent]

    def result(self, ticket: int) -> Result | None:
        return self.ended[ticket].result if ticket in self.ended else None

    def _note(self, effects: list[Effect]) -> None:
        for effect in effects:
            match effect:
                case Send(data):
                    self.sent.append((self.now_us, data))
                    answer = self.answers(data)
                    if answer is not None:
                        self.hear(answer)
                case Finished(ticket):
                    assert ticket not in self.ended, "ended twice"
                    self.ended[ticket] = effect
                case Told(readings):
                    self.told.append(readings)
                case Reopen(reason):
                    self.lost.append(reason)


# Lines


@pytest.mark.parametrize(
    ("line", "readings"),
    [
        ("F100 T7", Readings(forward_w=100.0, tune=7)),
        ("F1450.5 T007", Readings(forward_w=1450.5, tune=7)),
        ("F0 T0 Soperate", Readings(forward_w=0.0, tune=0, state=AmplifierState.OPERATE)),
        ("F0 T0 SWARM-UP E0", Readings(forward_w=0.0, tune=0, state=AmplifierState.WARM_UP)),
        ("F0 T0 Sstandby Enone", Readings(forward_w=0.0, tune=0, state=AmplifierState.STANDBY)),
        ("F0 T0 Sfault E-", Readings(forward_w=0.0, tune=0, state=AmplifierState.FAULT)),
        ("F0 T0 Sfault E ", Readings(forward_w=0.0, tune=0, state=AmplifierState.FAULT)),
        ("F0 T0 Sfault E grid over", Readings(forward_w=0.0, tune=0, state=AmplifierState.FAULT, fault="grid over")),
        ("F0 T0 Sfault Ea\x1bb", Readings(forward_w=0.0, tune=0, state=AmplifierState.FAULT, fault="ab")),
    ],
)
def test_groups_become_readings_and_a_group_without_part_is_not_told(line: str, readings: Readings) -> None:
    assert ReadingLines(re.compile(MATCH)).read(line) == readings


@pytest.mark.parametrize(
    "line",
    [
        "F1x0 T7",
        "Fnan T7",
        "Finf T7",
        "F1e9 T7",
        "F1_000 T7",
        "F-1 T7",
        "F100001 T7",
        "F100 T7.5",
        "F100 T-1",
        "F100 T1000001",
        "F100 T99999999999999999999",
        "F٣ T7",
    ],
)
def test_a_number_that_cannot_be_damages_the_whole_line(line: str) -> None:
    lines = ReadingLines(re.compile(MATCH))

    assert lines.is_one(line)
    assert lines.read(line) is None


def test_an_unknown_state_is_counted_and_the_rest_of_the_line_stands() -> None:
    lines = ReadingLines(re.compile(MATCH))

    assert lines.read("F100 T7 Ssleeping") == Readings(forward_w=100.0, tune=7)
    assert lines.unknown_states == 1


def test_a_fault_is_bounded_in_length() -> None:
    readings = ReadingLines(re.compile(MATCH)).read("F1 T1 E" + "x" * 200)

    assert readings is not None
    assert readings.fault == "x" * FAULT_LENGTH_MAX


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=40))
def test_no_line_raises(line: str) -> None:
    lines = ReadingLines(re.compile(r"(?P<forward_w>\S*) ?(?P<load>\S*) ?(?P<state>\S*) ?(?P<fault>.*)"))
    readings = lines.read(line)

    assert readings is None or 0 <= (readings.forward_w or 0) <= 100_000


# Questions between commands


def test_the_device_is_asked_at_once_and_then_at_every_turn() -> None:
    bench = Bench()
    bench.hear(ANSWER)
    bench.answers = {b"METERS": ANSWER}.get
    bench.run(1_000 * MS)

    assert bench.sent_at_ms(b"METERS") == [0, 200, 400, 600, 800, 1000]
    assert bench.told == [Readings(forward_w=100.0, tune=7)] * 6


def test_a_device_that_acknowledges_nothing_can_still_be_asked() -> None:
    bench = Bench(acknowledge=None)
    bench.hear(ANSWER)
    bench.submit(1, RECALL)

    assert bench.told == [Readings(forward_w=100.0, tune=7)]
    assert bench.result(1) is Result.ASSUMED


def test_a_safe_command_overtakes_a_question_at_once() -> None:
    """What the device answers to the overtaken one may be from before the command: it is not told, but asked anew."""
    bench = Bench()
    bench.submit(1, INHIBIT)
    assert bench.words() == [b"METERS", INHIBIT.encode()]

    bench.hear(b"F900 T7\nOK\n")

    assert bench.result(1) is Result.ACKNOWLEDGED
    assert bench.told == []
    assert bench.words() == [b"METERS", INHIBIT.encode(), b"METERS"]
    bench.hear(ANSWER)
    assert bench.told == [Readings(forward_w=100.0, tune=7)]
    assert bench.questions is not None
    assert (bench.questions.counts.overtaken, bench.questions.counts.told) == (1, 1)


def test_an_ordinary_command_waits_for_the_answer_and_goes_before_the_next_question() -> None:
    bench = Bench()
    bench.submit(1, RECALL)
    assert bench.words() == [b"METERS"]

    bench.run(EVERY_US)
    bench.hear(ANSWER)

    assert bench.words() == [b"METERS", RECALL.encode()]
    bench.run(EVERY_US)
    assert bench.words() == [b"METERS", RECALL.encode()]
    bench.hear(b"OK\n")
    assert bench.words() == [b"METERS", RECALL.encode(), b"METERS"]
    assert bench.result(1) is Result.ACKNOWLEDGED


def test_a_question_without_an_answer_holds_a_command_up_for_one_time_out_at_most() -> None:
    bench = Bench()
    bench.submit(1, RECALL)
    bench.run(TIMEOUT_US)

    assert bench.sent_at_ms(RECALL.encode()) == [500]
    bench.hear(b"OK\n")
    assert bench.result(1) is Result.ACKNOWLEDGED


def test_an_answer_never_acknowledges_and_an_acknowledgement_is_never_a_reading() -> None:
    """Both patterns fit every line here. What is owed first counts first."""
    bench = Bench(acknowledge="^OK", match=r"^OK( F(?P<forward_w>\d+))?$")
    bench.submit(1, INHIBIT)
    bench.hear(b"OK F100\n")
    assert bench.result(1) is None

    bench.hear(b"OK\n")
    assert bench.result(1) is Result.ACKNOWLEDGED
    assert bench.told == []

    bench.hear(b"OK F200\n")  # to the question asked anew
    assert bench.told == [Readings(forward_w=200.0)]
    bench.submit(2, RECALL)
    bench.hear(b"OK F300\n")  # no question is under way: this is the command's
    assert bench.result(2) is Result.ACKNOWLEDGED
    assert bench.told == [Readings(forward_w=200.0)]


def test_the_late_answer_to_a_dropped_question_acknowledges_nothing() -> None:
    bench = Bench(acknowledge="^OK", match=r"^OK( F(?P<forward_w>\d+))?$")
    bench.submit(1, RECALL)
    bench.run(TIMEOUT_US)
    assert bench.words() == [b"METERS", RECALL.encode()]

    bench.hear(b"OK F100\n")
    assert bench.result(1) is None
    bench.hear(b"OK\n")
    assert bench.result(1) is Result.ACKNOWLEDGED
    assert bench.told == []


def test_readings_that_nobody_asked_for_are_counted_and_not_told() -> None:
    bench = Bench()
    bench.hear(ANSWER + b"F900 T1\n")

    assert bench.told == [Readings(forward_w=100.0, tune=7)]
    assert bench.questions is not None
    assert bench.questions.counts.unasked == 1


def test_a_damaged_answer_changes_nothing_but_a_counter() -> None:
    bench = Bench()
    bench.hear(b"F1x0 T7\n")

    assert bench.told == []
    assert bench.lost == []
    assert bench.questions is not None
    assert bench.questions.counts.damaged == 1
    bench.run(EVERY_US)
    bench.hear(ANSWER)
    assert bench.told == [Readings(forward_w=100.0, tune=7)]


def test_noise_between_question_and_answer_is_passed_over() -> None:
    bench = Bench()
    bench.hear(b"\xff\x00garbage\r\n")
    bench.hear(b"x" * 300 + b"F900 T1\n")
    for byte in ANSWER:
        bench.hear(bytes([byte]))

    assert bench.told == [Readings(forward_w=100.0, tune=7)]


def test_three_questions_without_an_answer_are_the_loss_of_the_device() -> None:
    bench = Bench(stale_us=60_000 * MS)
    bench.run(3 * TIMEOUT_US - 1)
    assert (bench.lost, bench.sent_at_ms(b"METERS")) == ([], [0, 500, 1000])

    bench.run(1)
    assert bench.lost == ["no readings for 1500 ms, questions unanswered: 3"]
    assert bench.exchange.wake_at_us() is None

    bench.open()
    bench.hear(ANSWER)
    assert bench.told == [Readings(forward_w=100.0, tune=7)]


def test_silence_longer_than_readings_are_believed_is_the_loss_of_the_device() -> None:
    bench = Bench()
    bench.hear(ANSWER)
    bench.run(STALE_US - 1)
    assert bench.lost == []

    bench.run(1)
    assert bench.lost == ["no readings for 1000 ms, questions unanswered: 1"]


def test_one_lost_answer_is_no_loss_of_the_device() -> None:
    bench = Bench()
    bench.hear(ANSWER)
    bench.run(EVERY_US + TIMEOUT_US)
    bench.hear(ANSWER)
    bench.run(EVERY_US)
    bench.hear(ANSWER)

    assert bench.lost == []
    assert len(bench.told) == 3


def test_a_slow_command_is_not_taken_for_silence_of_the_meters() -> None:
    """While a command is tried, nothing is asked; once it is acknowledged, the device has been heard."""
    bench = Bench()
    bench.hear(ANSWER)
    bench.submit(1, RECALL)
    bench.run(1_400 * MS)
    assert bench.words() == [b"METERS", *[RECALL.encode()] * 3]
    bench.hear(b"OK\nOK\nOK\n")

    assert bench.result(1) is Result.ACKNOWLEDGED
    bench.hear(ANSWER)
    assert bench.lost == []
    assert len(bench.told) == 2


def test_the_loss_of_an_unanswered_command_comes_once() -> None:
    bench = Bench()
    bench.submit(1, INHIBIT)
    bench.run(10_000 * MS)

    assert bench.result(1) is Result.FAILED
    assert len(bench.lost) == 1


EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.sampled_from([1, 50, 200, 499, 500, 501, 1000])),
        st.tuples(st.just("hear"), st.sampled_from([ANSWER, b"OK\n", b"F1x T0\n", b"?\n", b"F10", b"0 T7\n"])),
        st.tuples(st.just("submit"), st.sampled_from([INHIBIT, RELEASE, STANDBY, RECALL])),
        st.tuples(st.just("open"), st.just(0)),
    ),
    max_size=40,
)


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_in_any_history_commands_end_in_time_and_only_what_was_asked_after_them_is_told(
    events: list[tuple[str, object]],
) -> None:
    bench = Bench(lease=Lease(b"KEEP", LEASE_US))
    submitted: dict[int, int] = {}
    for what, value in events:
        told_before = len(bench.told)
        match what, value:
            case "run", int(ms):
                bench.run(ms * MS)
            case "hear", bytes(data):
                asked = [at for at, (_, word) in enumerate(bench.sent) if word == b"METERS"]
                commands = [at for at, (_, word) in enumerate(bench.sent) if word not in (b"METERS", b"KEEP")]
                fresh = bool(asked) and (not commands or asked[-1] > commands[-1])
                bench.hear(data)
                assert fresh or len(bench.told) == told_before
            case "submit", CommandName() as name:
                submitted[len(submitted) + 1] = bench.now_us
                bench.submit(len(submitted), name)
            case _:
                bench.open()
        for ticket, at_us in submitted.items():
            assert ticket in bench.ended or bench.now_us < at_us + 3 * TIMEOUT_US


# The lease


LEASE = Lease(b"KEEP", LEASE_US)


def leased(*, answered: bool = True) -> Bench:
    """A device with a lease, just released."""
    bench = Bench(asked=False, lease=Lease(b"KEEP", LEASE_US, answered))
    bench.submit(1, RELEASE)
    bench.hear(b"OK\n")
    assert bench.result(1) is Result.ACKNOWLEDGED
    return bench


def test_the_lease_is_renewed_from_the_acknowledged_release_on() -> None:
    bench = Bench(asked=False, lease=LEASE)
    bench.run(5 * LEASE_US)
    assert bench.sent == []

    bench.submit(1, RELEASE)
    bench.run(TIMEOUT_US - 1)
    assert bench.sent_at_ms(b"KEEP") == []
    bench.hear(b"OK\n")
    bench.answers = {b"KEEP": b"OK\n"}.get
    bench.run(3 * LEASE_US + 1)

    assert [at_ms - 5_499 for at_ms in bench.sent_at_ms(b"KEEP")] == [1000, 2000, 3000]


def test_inhibiting_ends_the_lease_before_the_device_has_answered() -> None:
    bench = leased()
    bench.run(LEASE_US)
    bench.hear(b"OK\n")
    bench.submit(2, INHIBIT)
    bench.run(1_499 * MS)

    assert bench.result(2) is None
    assert len(bench.sent_at_ms(b"KEEP")) == 1


def test_the_answer_to_a_renewal_confirms_no_command() -> None:
    bench = leased()
    bench.run(LEASE_US)
    bench.submit(2, INHIBIT)
    bench.hear(b"OK\n")
    assert bench.result(2) is None

    bench.hear(b"OK\n")
    assert bench.result(2) is Result.ACKNOWLEDGED


def test_a_device_that_does_not_answer_renewals_can_be_told_so() -> None:
    bench = leased(answered=False)
    bench.run(LEASE_US)
    bench.submit(2, INHIBIT)
    bench.hear(b"OK\n")
    assert bench.result(2) is Result.ACKNOWLEDGED


def test_a_device_that_answers_renewals_all_the_same_is_found_out() -> None:
    bench = leased(answered=False)
    bench.run(LEASE_US)
    bench.hear(b"OK\n")
    bench.run(LEASE_US)
    bench.submit(2, INHIBIT)
    bench.hear(b"OK\n")

    assert bench.result(2) is None


def test_a_failed_release_and_a_lost_link_end_the_lease() -> None:
    bench = leased()
    bench.exchange.closed("the far end closed")
    bench.open()
    bench.run(5 * LEASE_US)
    assert bench.sent_at_ms(b"KEEP") == []

    again = leased()
    again.submit(2, RELEASE)
    again.run(3 * TIMEOUT_US)
    assert again.result(2) is Result.FAILED
    again.open()
    again.run(5 * LEASE_US)
    assert again.sent_at_ms(b"KEEP") == []


def test_other_safe_commands_do_not_end_the_lease() -> None:
    bench = leased()
    bench.submit(2, STANDBY)
    bench.hear(b"OK\n")
    bench.run(LEASE_US)

    assert len(bench.sent_at_ms(b"KEEP")) == 1


# Over a real connection


class Amplifier:
    """A device at the far end of a TCP connection, with what it hears."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.answers: dict[bytes, bytes] = {b"METERS\n": b"F100 T7 Sstandby\n", b"HOLD\n": b"OK\n", b"FREE\n": b"OK\n"}
        self.connections = 0
        self.port = 0

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield
        finally:
            server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            while line := await reader.readline():
                self.heard.append(line)
                writer.write(self.answers.get(line, b""))
        except ConnectionError:
            pass
        finally:
            writer.close()


def amplifier(port: int, told: Callable[[str, Readings], None]) -> LineDevice:
    def keep_link(address: Address, speaker: Speaker) -> KeptLink:
        quick = Backoff(immediate_s=0.01, first_s=0.01, last_s=0.02)
        return KeptLink(address, speaker, structlog.get_logger(), "amp", backoff=quick)

    texts = {INHIBIT: "HOLD\n", RELEASE: "FREE\n", CommandName.SELECT_ANTENNA: "PORT {port}\n"}
    return LineDevice(
        "amp",
        TcpAddress("127.0.0.1", port),
        {name: Template.parse(text) for name, text in texts.items()},
        keep_link,
        acknowledge=re.compile("^OK"),
        timeout_us=100 * MS,
        meters=MeterSettings(b"METERS\n", 20 * MS, ReadingLines(re.compile(MATCH)), 250 * MS),
        lease=Lease(b"KEEP\n", 30 * MS, answered=False),
        told=told,
    )


@asynccontextmanager
async def asked(far_end: Amplifier, told: list[tuple[str, Readings]], seen: list[str]) -> AsyncIterator[LineDevice]:
    output = amplifier(far_end.port, lambda name, readings: told.append((name, readings)))
    output.start(lambda name: seen.append("connected"), lambda name, reason: seen.append(reason))
    try:
        yield output
    finally:
        await output.close()


async def until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(3):
        while not is_so():  # noqa: ASYNC110 - what is waited for happens at the far end
            await asyncio.sleep(0.001)


async def test_readings_are_told_with_the_name_of_the_device_and_commands_go_in_between() -> None:
    far_end, told, seen = Amplifier(), list[tuple[str, Readings]](), list[str]()
    async with far_end.listening(), asked(far_end, told, seen) as output:
        await until(lambda: len(told) >= 3)
        released = await output.perform(ReleaseTransmit())
        await until(lambda: far_end.heard.count(b"KEEP\n") >= 3)
        inhibited = await output.perform(InhibitTransmit(("change-over",)))
        renewals = far_end.heard.count(b"KEEP\n")
        await until(lambda: len(told) >= 12)

        assert (released.result, inhibited.result) == (Result.ACKNOWLEDGED, Result.ACKNOWLEDGED)
        assert set(told) == {("amp", Readings(forward_w=100.0, tune=7, state=AmplifierState.STANDBY))}
        assert far_end.heard.count(b"KEEP\n") == renewals
        assert seen == ["connected"]
        assert output.counts is not None
        assert output.counts.told == len(told)


async def test_a_device_that_answers_no_question_is_lost_and_connected_anew() -> None:
    far_end, told, seen = Amplifier(), list[tuple[str, Readings]](), list[str]()
    async with far_end.listening(), asked(far_end, told, seen):
        await until(lambda: bool(told))
        del far_end.answers[b"METERS\n"]
        await until(lambda: far_end.connections == 2)

        assert seen[0] == "connected"
        assert re.fullmatch(r"no readings for 2[5-9]\d ms, questions unanswered: [12]", seen[1])
        far_end.answers[b"METERS\n"] = ANSWER
        before = len(told)
        await until(lambda: len(told) > before)


async def test_a_command_handed_over_by_who_hears_the_readings_is_sent_behind_what_went_before() -> None:
    """Readings may make the core inhibit. A command that was on its way in the same moment must not come after that."""
    written: list[bytes] = []
    ends: list[asyncio.Task[object]] = []

    class Recorder:
        def write(self, data: bytes) -> None:
            written.append(data)

        def close(self) -> None:
            """Nothing is open."""

    def inhibit(name: str, readings: Readings) -> None:
        ends.append(asyncio.create_task(output.perform(InhibitTransmit(("grid current",)))))

    output = amplifier(1, inhibit)
    output.link_opened(Recorder())
    ends.append(asyncio.create_task(output.perform(SelectAntenna("main", "wire", 2))))
    assert written == [b"METERS\n"]
    output.bytes_received(ANSWER)

    assert written == [b"METERS\n", b"PORT 2\n", b"HOLD\n"]
    output.bytes_received(b"OK\nOK\n")
    await asyncio.gather(*ends)
    await output.close()


def test_the_running_daemon_asks_and_keeps_following(tmp_path: Path) -> None:
    """The whole daemon, an amplifier that is asked, and a key line that no pseudo-terminal has."""
    master, port = os.openpty()
    tty.setraw(port)
    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=_answer, args=(server,), daemon=True).start()
        station = tmp_path / "station.yaml"
        station.write_text(
            f"""station: Saltmarsh Hill
region: 2
rigs:
  main: {{link: simulated, key_sense: {{line: cts, link: "serial:{os.ttyname(port)}"}}}}
antennas:
  wire: {{port: 1, bands: [80m, 40m, 20m]}}
outputs:
  amp:
    kind: device
    link: tcp:127.0.0.1:{server.getsockname()[1]}
    commands: {{inhibit-transmit: "HOLD\\n", release-transmit: "FREE\\n"}}
    acknowledge: '^OK'
    readings: {{ask: "METERS\\n", every: 20 ms, match: '^F(?P<forward_w>[0-9]+)$'}}
"""
        )
        with RunningDaemon(station, tmp_path / "state") as daemon:
            warning = daemon.wait_for("warning", code="key-sense")
            status = daemon.wait_status(lambda seen: seen["devices"]["amp"]["readings"]["told"] >= 10)
            assert daemon.stop() == 0
    os.close(master)
    os.close(port)

    assert warning["text"] == "key line of rig main: cts cannot be read: Inappropriate ioctl for device"
    assert status["devices"]["amp"]["readings"]["unanswered"] == 0
    assert status["guard"] == "unguarded on crash"


def _answer(server: socket.socket) -> None:
    """An amplifier without forward power that takes every command."""
    connection = server.accept()[0]
    with contextlib.suppress(OSError), connection, connection.makefile("rwb", buffering=0) as lines:
        for line in lines:
            lines.write(b"F0\n" if line == b"METERS\n" else b"OK\n")
