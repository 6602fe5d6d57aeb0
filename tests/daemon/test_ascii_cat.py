"""ASCII CAT: every published byte string reads as it says, and the conversation follows what will be transmitted."""

from collections.abc import Callable
from itertools import pairwise

import pytest

from qsyd_daemon.protocols.ascii_cat import READS_9, READS_11, AsciiCatSession
from qsyd_daemon.protocols.ascii_frames import MODES_9, MODES_11, MessageSplitter, decode_9, decode_11
from qsyd_daemon.protocols.reports import KeyedTold, ModeTold, Notice, Report, Status, Vfo, VfoFrequency
from qsyd_daemon.protocols.session import RigReading
from qsyd_rules.words import Mode

MS = 1_000


def status_11(
    frequency_hz: int, *, keyed: bool = False, mode: str = "2", vfo: int = 0, split: bool = False, offset: str = "+0000"
) -> bytes:
    """IF of the eleven-digit dialect, field by field; widths from a published command list (checked)."""
    return f"IF{frequency_hz:011d}     {offset}00000{keyed:d}{mode}{vfo}0{split:d}0000;".encode()


class Rig11:
    """Answers like a small eleven-digit rig; `deaf_to` and `refuses` are the commands it does not answer or know."""

    def __init__(self) -> None:
        self.vfos = {"FA": 14_195_000, "FB": 7_050_000}
        self.in_use = 0
        self.split = self.keyed = False
        self.mode = "2"
        self.refuses: set[bytes] = set()
        self.deaf_to: set[bytes] = set()
        self.shows_transmit_when_keyed = False

    def __call__(self, request: bytes) -> bytes:
        if request in self.deaf_to:
            return b""
        if request in self.refuses:
            return b"?;"
        match request:
            case b"IF;":
                shown = self.in_use ^ (self.keyed and self.split and self.shows_transmit_when_keyed)
                frequency_hz = self.vfos["FB" if shown else "FA"]
                return status_11(frequency_hz, keyed=self.keyed, mode=self.mode, vfo=shown, split=self.split)
            case b"FA;" | b"FB;":
                name = request[:2].decode()
                return f"{name}{self.vfos[name]:011d};".encode()
            case b"MD;":
                return f"MD{self.mode};".encode()
            case b"FR;":
                return f"FR{self.in_use};".encode()
            case b"FT;":
                return f"FT{self.in_use ^ self.split};".encode()
            case _:
                return b""


class Rig9:
    """Answers like a nine-digit rig; `busy_for` is how many more queries it answers with `?;`."""

    def __init__(self) -> None:
        self.vfos = {"FA": 14_195_000, "FB": 7_050_000}
        self.split = False
        self.keyed = 0
        self.mode = "2"
        self.tuning_step = 1
        self.knows_st_as_split = True
        self.refuses: set[bytes] = set()
        self.busy_for = 0
        self.transmits = ("FT0;", "FT1;")

    def __call__(self, request: bytes) -> bytes:
        if self.busy_for > 0:
            self.busy_for -= 1
            return b"?;"
        if request in self.refuses:
            return b"?;"
        match request:
            case b"FA;" | b"FB;":
                name = request[:2].decode()
                return f"{name}{self.vfos[name]:09d};".encode()
            case b"TX;":
                return f"TX{self.keyed};".encode()
            case b"MD0;":
                return f"MD0{self.mode};".encode()
            case b"FT;":
                return self.transmits[self.split].encode()
            case b"ST;":
                return f"ST{self.split if self.knows_st_as_split else self.tuning_step:d};".encode()
            case _:
                return b""


class Bench:
    """Drives a session on a virtual clock against a rig that answers each write after `delay_us`."""

    def __init__(
        self, session: AsciiCatSession, rig: Callable[[bytes], bytes], delay_us: int = 3 * MS, opened_at_us: int = 0
    ) -> None:
        self.session, self.rig, self.delay_us = session, rig, delay_us
        self.now_us = opened_at_us
        self.sent: list[tuple[int, bytes]] = []
        self.readings: list[tuple[int, RigReading]] = []
        self._arriving: list[tuple[int, bytes]] = []
        session.opened(opened_at_us)

    def run(self, for_us: int) -> None:
        end_us = self.now_us + for_us
        while True:
            while self._arriving and self._arriving[0][0] <= self.now_us:
                _, data = self._arriving.pop(0)
                self.readings += [(self.now_us, r) for r in self.session.received(data, self.now_us)]
            request = self.session.due(self.now_us)
            if request:
                self.sent.append((self.now_us, request))
                answer = self.rig(request)
                if answer:
                    self._arriving.append((self.now_us + self.delay_us, answer))
            wake_us = self.session.wake_at_us(self.now_us)
            assert request or wake_us > self.now_us, "asked to be woken at once, with nothing to send"
            if self._arriving:
                wake_us = min(wake_us, self._arriving[0][0])
            if wake_us > end_us:
                self.now_us = end_us
                return
            self.now_us = wake_us

    def push(self, data: bytes) -> list[RigReading]:
        readings = self.session.received(data, self.now_us)
        self.readings += [(self.now_us, r) for r in readings]
        return readings

    def requests(self, since_us: int = 0) -> list[bytes]:
        return [request for at_us, request in self.sent if at_us >= since_us]

    def last(self) -> RigReading:
        return self.readings[-1][1]


def bench_11(rig: Rig11, *, push: bool = False, poll_us: int = 50 * MS, delay_us: int = 3 * MS) -> Bench:
    return Bench(AsciiCatSession(11, poll_us, push), rig, delay_us)


def bench_9(rig: Rig9, *, push: bool = False, poll_us: int = 50 * MS) -> Bench:
    return Bench(AsciiCatSession(9, poll_us, push), rig)


# Byte strings. S-A11a: a maker's PC control command reference; S-A11c: the command list of a small transceiver that
# copies the set; S-A9a, S-A9b: makers' CAT references and a compilation of them; mem: from memory.

FREQUENCY_VECTORS: list[tuple[int, bytes, Report]] = [
    (11, b"FA00007000000", VfoFrequency(Vfo.A, 7_000_000)),  # a11-2, S-A11a (maker example), checked
    (11, b"FA00014195000", VfoFrequency(Vfo.A, 14_195_000)),  # a11-4, S-A11a, computed from the layout
    (11, b"FB00001840000", VfoFrequency(Vfo.B, 1_840_000)),  # a11-5, S-A11a, computed from the layout
    (  # a11-6, S-A11c, computed from the layout: USB, receiving, VFO A, no split
        11,
        b"IF00014195000     +000000000020000000",
        Status(14_195_000, Mode.USB, transmitting=False, vfo=Vfo.A, split=False, transmit_offset_hz=0),
    ),
    (  # a11-7, S-A11c, computed from the layout: CW, transmitting, VFO B, split, RIT on -120 Hz, XIT off
        11,
        b"IF00003550000     -012010000131010000",
        Status(3_550_000, Mode.CW, transmitting=True, vfo=Vfo.B, split=True, transmit_offset_hz=0),
    ),
    (11, b"?", Notice.REFUSED),  # a11-8, S-A11a, checked
    (11, b"E", Notice.GARBLED),  # a11-9, S-A11a, checked
    (11, b"O", Notice.GARBLED),  # a11-10, S-A11a, checked
    (11, b"FA  014195000", VfoFrequency(Vfo.A, 14_195_000)),  # S-A11d: spaces for the GHz digits
    (9, b"FA014250000", VfoFrequency(Vfo.A, 14_250_000)),  # a9-2, S-A9a (makers' example), checked
    (9, b"FA14250000", VfoFrequency(Vfo.A, 14_250_000)),  # a9-3, S-A9a (maker example), checked: eight digits
    (9, b"FA050125000", VfoFrequency(Vfo.A, 50_125_000)),  # a9-4, S-A9a, computed from the layout
    (9, b"TX2", KeyedTold(True)),  # a9-7, S-A9b, checked: keyed at the radio
    (9, b"IF001007150000+000000100000", Status(7_150_000, Mode.LSB, None, None, None)),  # a9-8, S-A9b, computed
    (9, b"IF001028500000-025010C00000", Status(28_500_000, Mode.DATA, None, None, None)),  # a9-9, S-A9b: DATA-U
    (9, b"MD02", ModeTold(Mode.USB)),  # a9-11, S-A9b, checked
]


@pytest.mark.parametrize(("digits", "message", "report"), FREQUENCY_VECTORS)
def test_published_answers_read_as_published(digits: int, message: bytes, report: Report) -> None:
    decode = decode_11 if digits == 11 else decode_9

    assert decode(message)[1] == report


@pytest.mark.parametrize(
    ("hex_bytes", "messages"),
    [
        # a11-13, framing rule, computed: three answers in one read
        ("46 41 30 30 30 31 34 31 39 35 30 30 30 3B 3F 3B 4D 44 32 3B", [b"FA00014195000", b"?", b"MD2"]),
        ("46 41 30 30 30 31 34 31", []),  # a11-14, framing rule, computed: incomplete, keep and wait
    ],
)
def test_messages_are_cut_at_semicolons(hex_bytes: str, messages: list[bytes]) -> None:
    assert MessageSplitter().split(bytes.fromhex(hex_bytes)) == messages


@pytest.mark.parametrize(
    ("reads", "request_bytes", "may_be_sent"),
    [
        (READS_11, "46 41 3B", True),  # a11-1, S-A11a, checked: FA; reads VFO A
        (READS_11, "46 41 30 30 30 30 37 30 30 30 30 30 30 3B", False),  # a11-3, S-A11a, checked: sets VFO A
        (READS_11, "50 43 30 35 30 3B", False),  # a11-11, mem: PC050; sets the power
        (READS_11, "41 49 32 3B", True),  # a11-12, mem: AI2; announces every change
        (READS_9, "46 41 3B", True),  # a9-1, S-A9a, checked: FA; reads VFO A
        (READS_9, "54 58 31 3B", False),  # a9-5, S-A9b, checked: TX1; keys
        (READS_9, "54 58 30 3B", False),  # a9-6, S-A9b, checked: TX0; unkeys
        (READS_9, "4D 44 30 3B", True),  # a9-10, S-A9b, checked: MD0; reads the mode
    ],
)
def test_of_the_published_requests_only_reads_may_be_sent(
    reads: frozenset[bytes], request_bytes: str, may_be_sent: bool
) -> None:
    assert (bytes.fromhex(request_bytes) in reads) is may_be_sent


def test_mode_tables_are_the_published_ones() -> None:
    """Eleven digits: mem. Nine digits: S-A9b, checked. RTTY, FSK, PSK and data modes are data; narrow FM is FM."""
    assert {chr(k): v.value for k, v in MODES_11.items()} == {
        "1": "lsb", "2": "usb", "3": "cw", "4": "fm", "5": "am", "6": "data", "7": "cw", "9": "data",
    }  # fmt: skip
    assert {chr(k): v.value for k, v in MODES_9.items()} == {
        "1": "lsb", "2": "usb", "3": "cw", "4": "fm", "5": "am", "6": "data", "7": "cw", "8": "data", "9": "data",
        "A": "data", "B": "fm", "C": "data", "D": "am", "E": "data", "F": "data",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("digits", "message"),
    [
        (11, b"FA0001419500"),  # a digit short
        (11, b"FA000141950000"),  # a digit long
        (11, b"FA0001419x000"),
        (11, b"FA 0014195000"),  # one space is no GHz pair
        (11, b"FA000_4195000"),  # what int() would take
        (11, b"FA00000029999"),  # under 30 kHz
        (11, b"FA00500000001"),  # over 500 MHz
        (11, b"IF00014195000     +00000000002000000"),  # 36 bytes
        (11, b"IF00014195000     +000000000320000000"),  # transmit flag 3
        (11, b"IF00014195000     +000000000029000000"),  # VFO 9
        (11, b"IF00014195000     +000000000020050000"),  # split 5
        (11, b"MD22"),
        (11, b"FR7"),
        (9, b"FA0142500000"),
        (9, b"FA1425000"),
        (9, b"TX3"),
        (9, b"TX"),
        (9, b"FT4"),
        (9, b"ST2"),
        (9, b"MD0?"),
        (9, b"IF0010071500+000000100000"),
        (11, b"\xff\x00"),
    ],
)
def test_damaged_message_changes_nothing_but_a_counter(digits: int, message: bytes) -> None:
    bench = Bench(AsciiCatSession(digits, 50 * MS, False), Rig11() if digits == 11 else Rig9())
    bench.run(400 * MS)
    before = bench.last()

    assert bench.push(message + b";") == []

    assert bench.session.damaged == 1
    bench.run(60 * MS)
    assert bench.last().frequency_hz == before.frequency_hz


@pytest.mark.parametrize("digits", [0, 8, 10, 12])
def test_other_numbers_of_digits_are_refused(digits: int) -> None:
    with pytest.raises(ValueError, match="11 or 9"):
        AsciiCatSession(digits, 50 * MS, False)


def test_times_must_be_positive() -> None:
    with pytest.raises(ValueError, match="above 0"):
        AsciiCatSession(11, 0, False)


# The eleven-digit conversation


def test_first_answer_makes_the_first_reading() -> None:
    bench = bench_11(Rig11())

    bench.run(10 * MS)

    assert bench.sent[0] == (0, b"IF;")
    assert bench.readings == [(3 * MS, RigReading(14_195_000, 14_195_000, False, Mode.USB, False, 0))]


def test_at_rest_one_query_each_poll() -> None:
    bench = bench_11(Rig11())

    bench.run(1_000 * MS)

    assert bench.sent == [(at_us, b"IF;") for at_us in range(0, 1_000 * MS + 1, 50 * MS)]


def test_moving_dial_is_polled_back_to_back_and_rests_again() -> None:
    rig = Rig11()
    bench = bench_11(rig, delay_us=4 * MS)
    bench.run(200 * MS)
    for _ in range(10):
        rig.vfos["FA"] += 10
        bench.run(20 * MS)
    moving = bench.requests(since_us=300 * MS)

    assert len(moving) >= 23  # 100 ms of 4 ms each
    assert moving.count(b"IF;") >= 2, "keyed, split and mode are still seen"
    bench.run(700 * MS)
    assert len(bench.requests(since_us=bench.now_us - 200 * MS)) <= 5


def test_never_two_queries_in_flight() -> None:
    """Also on a slow line, where a round takes longer than the poll."""
    rig = Rig11()
    rig.split = True
    bench = bench_11(rig, delay_us=95 * MS, poll_us=20 * MS)

    bench.run(2_000 * MS)

    times = [at_us for at_us, _ in bench.sent]
    assert len(times) > 15
    assert all(b - a >= 95 * MS for a, b in pairwise(times))


def test_refused_status_falls_back_and_is_asked_again_rarely() -> None:
    rig = Rig11()
    rig.refuses = {b"IF;"}
    rig.in_use = 1
    bench = bench_11(rig)

    bench.run(2_000 * MS)

    assert bench.readings[0][1].frequency_hz == 7_050_000
    assert bench.readings[0][0] < 100 * MS
    assert bench.last() == RigReading(7_050_000, 7_050_000, False, Mode.USB, None, bench.last().asked_at_us)
    assert bench.requests().count(b"IF;") == 3
    bench.run(62_000 * MS)
    assert bench.requests().count(b"IF;") == 5
    rig.refuses = set()
    bench.run(31_000 * MS)
    assert bench.last().keyed is False


def test_unanswered_status_falls_back_too() -> None:
    rig = Rig11()
    rig.deaf_to = {b"IF;"}
    bench = bench_11(rig)

    bench.run(1_500 * MS)

    assert bench.readings[0][0] < 350 * MS
    assert bench.requests().count(b"IF;") == 3
    assert {b"FA;", b"FR;", b"FT;", b"MD;"} <= set(bench.requests(since_us=1_200 * MS))


def test_split_without_status_is_seen_by_the_transmitting_vfo() -> None:
    rig = Rig11()
    rig.refuses = {b"IF;"}
    bench = bench_11(rig)
    bench.run(1_000 * MS)
    rig.split = True

    bench.run(200 * MS)

    assert (bench.last().split, bench.last().transmit_hz, bench.last().frequency_hz) == (True, 7_050_000, 14_195_000)


def test_split_is_published_only_once_the_other_vfo_was_read_since() -> None:
    rig = Rig11()
    bench = bench_11(rig)
    bench.push(b"FB00003600000;")  # B as it was before
    bench.run(200 * MS)
    rig.split = True

    bench.run(100 * MS)

    split = [r for _, r in bench.readings if r.split]
    assert {(r.frequency_hz, r.transmit_hz) for r in split} == {(14_195_000, 7_050_000)}
    asked_status = next(i for i, s in enumerate(bench.sent) if s[0] > 200 * MS)
    assert bench.sent[asked_status + 1] == (bench.sent[asked_status][0] + 3 * MS, b"FB;")
    rig.split = False
    bench.run(60 * MS)
    assert bench.last().transmit_hz == 14_195_000


@pytest.mark.parametrize("fault", ["refuses", "deaf_to"])
def test_other_vfo_that_cannot_be_read_leaves_the_transmit_frequency_unknown(fault: str) -> None:
    rig = Rig11()
    setattr(rig, fault, {b"FB;"})
    bench = bench_11(rig)
    bench.run(200 * MS)
    rig.split = True

    bench.run(700 * MS)

    split = [r for _, r in bench.readings if r.split]
    assert split
    assert {r.transmit_hz for r in split} == {None}
    setattr(rig, fault, set())
    bench.run(600 * MS)
    assert bench.last().transmit_hz == 7_050_000, "frequencies are never done without"


def test_other_vfo_that_stops_answering_is_believed_for_a_second() -> None:
    rig = Rig11()
    rig.split = True
    bench = bench_11(rig)
    bench.run(500 * MS)
    rig.deaf_to = {b"FB;"}

    bench.run(500 * MS)
    assert bench.last().transmit_hz == 7_050_000
    bench.run(900 * MS)
    assert bench.last().transmit_hz is None


def test_vfo_b_in_use_without_split_transmits_on_b() -> None:
    rig = Rig11()
    bench = bench_11(rig)
    bench.run(100 * MS)
    rig.in_use = 1

    bench.run(60 * MS)

    assert (bench.last().frequency_hz, bench.last().transmit_hz) == (7_050_000, 7_050_000)
    rig.split = True
    bench.run(60 * MS)
    assert (bench.last().frequency_hz, bench.last().transmit_hz) == (7_050_000, 14_195_000)


def test_keyed_in_split_does_not_corrupt_the_dial() -> None:
    """While transmitting in split the status may show the transmitting VFO and its frequency."""
    rig = Rig11()
    rig.split = rig.shows_transmit_when_keyed = True
    bench = bench_11(rig)
    bench.run(200 * MS)
    rig.keyed = True

    bench.run(300 * MS)
    assert bench.last().keyed is True
    rig.vfos["FB"] = 7_060_000
    bench.run(300 * MS)
    rig.keyed = False
    bench.run(300 * MS)

    assert {r.frequency_hz for _, r in bench.readings} == {14_195_000}
    assert [r.transmit_hz for _, r in bench.readings][-1] == 7_060_000
    assert {r.transmit_hz for _, r in bench.readings} == {7_050_000, 7_060_000}
    assert bench.last().keyed is False


def test_memory_channel_with_split_has_an_unknown_transmit_frequency() -> None:
    bench = bench_11(Rig11())
    bench.rig = lambda request: status_11(10_120_000, vfo=2, split=True) if request == b"IF;" else b""

    bench.run(100 * MS)

    assert (bench.last().frequency_hz, bench.last().transmit_hz, bench.last().split) == (10_120_000, None, True)


@pytest.mark.parametrize("error", [b"E;", b"O;"])
def test_line_error_is_asked_again_soon(error: bytes) -> None:
    errors = [error]
    rig = Rig11()
    bench = bench_11(rig)
    bench.rig = lambda request: errors.pop() if errors else rig(request)

    bench.run(40 * MS)

    assert bench.requests() == [b"IF;", b"IF;"]
    assert bench.last().frequency_hz == 14_195_000


def test_rig_that_only_reports_line_errors_is_asked_on_without_end() -> None:
    bench = bench_11(Rig11())
    bench.rig = lambda request: b"E;"

    bench.run(5_000 * MS)

    assert 100 < len(bench.sent) < 500
    assert bench.requests(since_us=4_500 * MS)


def test_push_is_asked_for_after_the_first_reading() -> None:
    bench = bench_11(Rig11(), push=True)

    bench.run(1_000 * MS)

    assert bench.requests()[:2] == [b"IF;", b"AI2;"]
    assert bench.requests().count(b"AI2;") == 1
    assert b"AI1;" not in bench.requests()


def test_push_refused_is_tried_in_the_older_form_and_then_done_without() -> None:
    rig = Rig11()
    rig.refuses = {b"AI2;", b"AI1;"}
    bench = bench_11(rig, push=True)

    bench.run(1_000 * MS)

    assert bench.requests()[:4] == [b"IF;", b"AI2;", b"AI1;", b"IF;"]
    assert bench.requests().count(b"AI2;") == bench.requests().count(b"AI1;") == 1


def test_pushed_reports_are_published_at_once_and_were_not_asked() -> None:
    rig = Rig11()
    bench = bench_11(rig, push=True)
    bench.run(130 * MS)

    [frequency] = bench.push(b"FA00014200000;")
    [mode] = bench.push(b"MD3;")
    [status] = bench.push(status_11(14_201_000, keyed=True))

    assert frequency == RigReading(14_200_000, 14_200_000, False, Mode.USB, False, None)
    assert mode == RigReading(14_200_000, 14_200_000, False, Mode.CW, False, None)
    assert status == RigReading(14_201_000, 14_201_000, False, Mode.USB, True, None)
    bench.run(100 * MS)
    assert bench.last().asked_at_us is not None, "polled answers go on"
    assert bench.push(b"FB00010100000;") == [], "the VFO that neither receives nor transmits"


def test_pushed_vfo_change_is_asked_about_not_believed_by_halves() -> None:
    rig = Rig11()
    bench = bench_11(rig, push=True)
    bench.run(130 * MS)
    rig.in_use = 1

    assert bench.push(b"FR1;") == []
    bench.run(5 * MS)

    assert (bench.last().frequency_hz, bench.last().transmit_hz, bench.last().split) == (7_050_000, 7_050_000, False)


def test_pushed_transmit_vfo_counts_in_split() -> None:
    rig = Rig11()
    rig.split = True
    bench = bench_11(rig, push=True)
    bench.run(130 * MS)

    [reading] = bench.push(b"FB00007060000;")

    assert (reading.frequency_hz, reading.transmit_hz, reading.asked_at_us) == (14_195_000, 7_060_000, None)


def test_read_now_asks_at_once() -> None:
    rig = Rig11()
    bench = bench_11(rig, poll_us=500 * MS)
    bench.run(100 * MS)
    rig.vfos["FA"] = 14_200_000

    bench.session.read_now(bench.now_us)
    bench.run(5 * MS)

    assert bench.last() == RigReading(14_200_000, 14_200_000, False, Mode.USB, False, 100 * MS)


def test_read_now_while_a_query_is_in_flight_reads_right_after_it() -> None:
    rig = Rig11()
    rig.split = True
    bench = bench_11(rig, poll_us=500 * MS, delay_us=10 * MS)
    bench.run(505 * MS)
    assert bench.sent[-1] == (500 * MS, b"IF;")

    bench.session.read_now(bench.now_us)
    bench.run(40 * MS)

    assert bench.sent[-3:-1] == [(510 * MS, b"IF;"), (520 * MS, b"FB;")]
    assert next(r for _, r in bench.readings if (r.asked_at_us or 0) >= 505 * MS).asked_at_us == 510 * MS


def test_silent_rig_is_asked_for_ever_at_the_time_out() -> None:
    bench = bench_11(Rig11())
    bench.rig = lambda request: b""

    bench.run(10_000 * MS)

    assert 35 <= len(bench.sent) <= 45
    assert bench.readings == []


def test_xit_moves_the_transmit_frequency_and_rit_does_not() -> None:
    """Positions 19 to 25 of IF: one offset serves both; what counts is where the rig would transmit."""
    session = AsciiCatSession(11, 50 * MS, False)
    session.opened(0)
    session.due(0)

    [rit] = session.received(b"IF00014347000     +3500" + b"10" + b"000020000000;", 2 * MS)
    [xit] = session.received(b"IF00014347000     -3500" + b"01" + b"000020000000;", 4 * MS)
    [off] = session.received(b"IF00014347000     -3500" + b"00" + b"000020000000;", 6 * MS)

    assert [reading.transmit_hz for reading in (rit, xit, off)] == [14_347_000, 14_343_500, 14_347_000]
    assert {reading.frequency_hz for reading in (rit, xit, off)} == {14_347_000}


def test_late_answer_carries_the_older_time_or_none() -> None:
    """The answer to a query that was given up must not pass for a fresh one."""
    session = AsciiCatSession(11, 50 * MS, False)
    session.opened(0)
    assert session.due(0) == b"IF;"
    session.received(status_11(14_195_000), 3 * MS)
    assert session.due(50 * MS) == b"IF;"
    assert session.due(300 * MS) == b"FA;"  # another kind, so that what comes late is known

    [late] = session.received(status_11(14_195_000), 310 * MS)
    [fresh] = session.received(b"FA00014200000;", 312 * MS)

    assert late.asked_at_us is None
    assert fresh.asked_at_us == 300 * MS


def test_rig_switched_on_late_is_found_anew() -> None:
    rig = Rig11()
    bench = bench_11(rig, push=True)
    bench.rig = lambda request: b""
    bench.run(20_000 * MS)
    bench.rig = rig

    bench.run(1_000 * MS)

    assert bench.last() == RigReading(14_195_000, 14_195_000, False, Mode.USB, False, bench.last().asked_at_us)
    assert bench.requests(since_us=20_000 * MS).count(b"AI2;") == 1


def test_keyed_is_unknown_a_second_after_it_was_last_told() -> None:
    rig = Rig11()
    rig.keyed = True
    bench = bench_11(rig)
    bench.run(500 * MS)
    assert bench.last().keyed is True
    rig.refuses = {b"IF;"}

    bench.run(800 * MS)
    assert bench.last().keyed is True
    bench.run(400 * MS)
    assert bench.last().keyed is None
    rig.refuses = set()
    bench.run(500 * MS)
    assert bench.last().keyed is True, "what was answered once is never done without for good"


def test_fragment_of_a_lost_answer_does_not_spoil_the_next() -> None:
    rig = Rig11()
    bench = bench_11(rig)
    bench.run(100 * MS)
    lost = [status_11(14_195_000)[:20]]
    bench.rig = lambda request: lost.pop() if lost else rig(request)
    before = len(bench.readings)

    bench.run(320 * MS)

    assert bench.readings[before:]
    assert bench.session.damaged == 0


# The nine-digit conversation


def test_nine_digits_first_reading_is_whole() -> None:
    rig = Rig9()
    rig.split = True
    rig.keyed = 2
    rig.mode = "C"
    bench = bench_9(rig)

    bench.run(30 * MS)

    assert bench.requests()[:5] == [b"FA;", b"FT;", b"FB;", b"TX;", b"MD0;"]
    assert bench.readings[0] == (15 * MS, RigReading(14_195_000, 7_050_000, True, Mode.DATA, True, 0))


def test_nine_digits_round_is_three_queries_frequency_first() -> None:
    bench = bench_9(Rig9())

    bench.run(199 * MS)

    assert bench.requests(since_us=50 * MS) == [
        b"FA;", b"TX;", b"MD0;", b"FA;", b"TX;", b"FT;", b"FA;", b"TX;", b"MD0;",
    ]  # fmt: skip


def test_busy_rig_is_asked_again_after_a_pause_and_then_spaced() -> None:
    rig = Rig9()
    bench = bench_9(rig, poll_us=20 * MS)
    bench.run(500 * MS)
    rig.busy_for = 2
    bench.run(400 * MS)

    pauses = [b - a for (a, _), (b, _) in pairwise(bench.sent) if a > 500 * MS]
    assert pauses[0] >= 50 * MS
    assert pauses[1] >= 50 * MS
    assert all(pause >= 50 * MS for pause in pauses), "write spacing"
    bench.run(3_000 * MS)
    times = [at_us for at_us, _ in bench.sent if at_us > 3_400 * MS]
    assert min(b - a for a, b in pairwise(times)) == 3 * MS, "no spacing for ever"
    assert {b"FA;", b"TX;", b"MD0;", b"FT;"} <= set(bench.requests(since_us=3_400 * MS))


def test_long_busy_rig_is_followed_again_soon_after() -> None:
    rig = Rig9()
    bench = bench_9(rig)
    bench.run(500 * MS)
    rig.refuses = {b"FA;", b"TX;", b"MD0;", b"FT;"}
    bench.run(60_000 * MS)
    rig.refuses = set()
    rig.vfos["FA"] = 21_200_000

    bench.run(1_000 * MS)

    assert (bench.last().frequency_hz, bench.last().keyed, bench.last().mode) == (21_200_000, False, Mode.USB)


def test_step_command_is_asked_only_where_transmit_vfo_is_refused() -> None:
    """ST is split on newer radios, the tuning step on older ones (S-A9b, checked)."""
    older = Rig9()
    older.knows_st_as_split = False
    bench = bench_9(older)
    bench.run(2_000 * MS)
    assert b"ST;" not in bench.requests()
    assert bench.push(b"ST1;") == [], "a tuning step that was announced"
    assert not bench.last().split

    newer = Rig9()
    newer.refuses = {b"FT;"}
    newer.split = True
    bench = bench_9(newer)
    bench.run(1_000 * MS)
    assert next((r.split, r.transmit_hz) for _, r in bench.readings) == (True, 7_050_000)
    assert bench.readings[0][0] < 400 * MS
    assert bench.requests().count(b"FT;") == 3


def test_radio_that_tells_no_split_counts_as_simplex() -> None:
    rig = Rig9()
    rig.refuses = {b"FT;", b"ST;", b"TX;"}
    bench = bench_9(rig)

    bench.run(2_000 * MS)

    assert bench.readings[0][0] <= 700 * MS
    assert bench.last() == RigReading(14_195_000, 14_195_000, False, Mode.USB, None, bench.last().asked_at_us)


@pytest.mark.parametrize("transmits", [("FT0;", "FT1;"), ("FT2;", "FT3;")])
def test_transmit_vfo_of_newer_and_older_radios(transmits: tuple[str, str]) -> None:
    """FT0 and FT2: A transmits; FT1 and FT3: B. From memory."""
    rig = Rig9()
    rig.transmits = transmits
    bench = bench_9(rig)
    bench.run(100 * MS)
    assert bench.last().split is False
    rig.split = True

    bench.run(200 * MS)

    assert (bench.last().split, bench.last().transmit_hz) == (True, 7_050_000)


def test_noise_in_step_with_the_rounds_does_not_hide_the_end_of_split() -> None:
    """Two rounds in split are eight answers. Noise on every eighth would spoil that to FT for ever."""
    rig = Rig9()
    rig.split = True
    asked: list[bytes] = []

    def noisy(request: bytes) -> bytes:
        asked.append(request)
        spoilt = not rig.split and len(asked) % 8 == phase
        return b"\xff?" + rig(request) if spoilt else rig(request)

    bench = Bench(AsciiCatSession(9, 50 * MS, False), noisy)
    bench.run(1_000 * MS)
    assert bench.last().split
    assert asked[-16:-8] == asked[-8:]
    phase = next(number for number in range(len(asked), 0, -1) if asked[number - 1] == b"FT;") % 8
    rig.split = False

    bench.run(2_000 * MS)

    assert not bench.last().split


def test_nine_digits_push_is_asked_for_and_taken() -> None:
    bench = bench_9(Rig9(), push=True)
    bench.run(160 * MS)

    assert bench.requests().count(b"AI1;") == 1
    [reading] = bench.push(b"FA021250000;")
    assert (reading.frequency_hz, reading.asked_at_us) == (21_250_000, None)
    [keyed] = bench.push(b"TX1;")
    assert (keyed.keyed, keyed.asked_at_us) == (True, None)
    [status] = bench.push(b"IF001021300000+000000300000;")
    assert (status.frequency_hz, status.mode, status.asked_at_us) == (21_300_000, Mode.CW, None)
