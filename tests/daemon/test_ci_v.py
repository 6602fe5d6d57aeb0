"""CI-V: every published frame reads as it says, on a wire with echo, collisions and other stations."""

from collections.abc import Callable
from itertools import pairwise

import pytest

from qsyd_daemon.protocols.ci_v import CiVSession
from qsyd_daemon.protocols.ci_v_frames import JAM, MODES, FrameSplitter, decode_command, frequency_from_bcd
from qsyd_daemon.protocols.reports import KeyedTold, ModeTold, Notice, Report, SplitTold, Vfo, VfoFrequency
from qsyd_daemon.protocols.session import RigReading
from qsyd_rules.words import Mode

MS = 1_000
RIG = 0x94


def frame(text: str) -> bytes:
    """A frame from its hexadecimal form."""
    return bytes.fromhex(text)


def bcd(frequency_hz: int, length: int = 5) -> bytes:
    """Two decimal digits a byte, least significant pair first (makers' CI-V chapters, checked)."""
    return bytes.fromhex(f"{frequency_hz:0{2 * length}d}")[::-1]


def from_rig(body: bytes, to: int = 0xE0) -> bytes:
    return b"\xfe\xfe" + bytes((to, RIG)) + body + b"\xfd"


READ_FREQUENCY = frame("FE FE 94 E0 03 FD")
READ_OTHER = frame("FE FE 94 E0 25 01 FD")
READ_SPLIT = frame("FE FE 94 E0 0F FD")
READ_KEYED = frame("FE FE 94 E0 1C 00 FD")
READ_MODE = frame("FE FE 94 E0 04 FD")
READ_MODE_AND_DATA = frame("FE FE 94 E0 26 00 FD")
REFUSED = frame("FE FE E0 94 FA FD")


class CiVRig:
    """Answers like a rig with two VFOs; `refuses` and `deaf_to` hold whole requests."""

    def __init__(self) -> None:
        self.selected_hz, self.other_hz = 14_195_000, 7_050_000
        self.split = self.keyed = self.data = False
        self.mode = 1
        self.bytes_a_frequency = 5
        self.echoes = False
        self.swaps_when_keyed = False
        self.refuses: set[bytes] = set()
        self.deaf_to: set[bytes] = set()

    def __call__(self, request: bytes) -> bytes:
        return (request if self.echoes else b"") + self.answer(request)

    def answer(self, request: bytes) -> bytes:
        if request in self.deaf_to:
            return b""
        if request in self.refuses:
            return REFUSED
        pair = [self.selected_hz, self.other_hz]
        if self.swaps_when_keyed and self.keyed and self.split:
            pair.reverse()
        if request == READ_FREQUENCY:
            return from_rig(b"\x03" + bcd(pair[0], self.bytes_a_frequency))
        if request == READ_OTHER:
            return from_rig(b"\x25\x01" + bcd(pair[1]))
        if request == READ_SPLIT:
            return from_rig(bytes((0x0F, self.split)))
        if request == READ_KEYED:
            return from_rig(bytes((0x1C, 0, self.keyed)))
        if request == READ_MODE:
            return from_rig(bytes((0x04, self.mode, 1)))
        if request == READ_MODE_AND_DATA:
            return from_rig(bytes((0x26, 0, self.mode, self.data, 1)))
        return b""


class Bench:
    """Drives a session on a virtual clock against a rig that answers each write after 3 ms."""

    def __init__(self, rig: Callable[[bytes], bytes], poll_us: int = 50 * MS, push: bool = False) -> None:
        self.session = CiVSession(RIG, poll_us, push)
        self.rig = rig
        self.now_us = 0
        self.sent: list[tuple[int, bytes]] = []
        self.readings: list[tuple[int, RigReading]] = []
        self._arriving: list[tuple[int, bytes]] = []
        self.session.opened(0)

    def run(self, for_us: int) -> None:
        end_us = self.now_us + for_us
        while True:
            while self._arriving and self._arriving[0][0] <= self.now_us:
                self.push(self._arriving.pop(0)[1])
            request = self.session.due(self.now_us)
            if request:
                self.sent.append((self.now_us, request))
                answer = self.rig(request)
                if answer:
                    self._arriving.append((self.now_us + 3 * MS, answer))
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


# Frames. S-CIVa: makers' CI-V chapters; S-CIVb: a tutorial on CI-V; mem: from memory.


@pytest.mark.parametrize(
    ("hex_bytes", "report"),
    [
        ("FE FE E0 94 03 00 50 19 14 00 FD", VfoFrequency(Vfo.A, 14_195_000)),  # civ-2, S-CIVa, computed
        ("FE FE E0 94 FB FD", Notice.IGNORED),  # civ-5's fellow, civ-4, S-CIVa, checked: accepted, answers no read
        ("FE FE E0 94 FA FD", Notice.REFUSED),  # civ-5, S-CIVa, checked
        ("FE FE 00 94 00 00 00 55 03 00 FD", VfoFrequency(Vfo.A, 3_550_000)),  # civ-6, S-CIVa; broadcast address mem
        ("FE FE E0 94 03 78 56 34 12 00 FD", VfoFrequency(Vfo.A, 12_345_678)),  # civ-7, S-CIVa, a maker's, checked
        ("FE FE E0 94 1C 00 01 FD", KeyedTold(True)),  # civ-9, S-CIVa, checked
        ("FE FE E0 94 1C 00 00 FD", KeyedTold(False)),  # civ-10, S-CIVa, checked
        ("FE FE E0 94 04 01 01 FD", ModeTold(Mode.USB)),  # civ-12, S-CIVa, checked
        ("FE FE E0 94 04 01 FD", ModeTold(Mode.USB)),  # S-CIVa: the filter byte may be missing
        ("FE FE E0 94 03 00 50 19 14 FD", VfoFrequency(Vfo.A, 14_195_000)),  # four bytes: a forum note, checked
        ("FE FE E0 94 0F 01 FD", SplitTold(True)),  # mem
        ("FE FE E0 94 0F 00 FD", SplitTold(False)),  # mem
        ("FE FE E0 94 0F 11 FD", SplitTold(True, offset=True)),  # mem
        ("FE FE E0 94 25 01 00 00 05 07 00 FD", VfoFrequency(Vfo.B, 7_050_000)),  # mem
        ("FE FE E0 94 26 00 01 01 02 FD", ModeTold(Mode.USB, data=True)),  # mem
    ],
)
def test_published_frames_read_as_published(hex_bytes: str, report: Report) -> None:
    [body] = FrameSplitter().split(frame(hex_bytes))

    assert decode_command(body)[1] == report


@pytest.mark.parametrize(
    ("hex_bytes", "may_be_sent"),
    [
        ("FE FE 94 E0 03 FD", True),  # civ-1, S-CIVa, checked: read frequency
        ("FE FE 94 E0 05 00 00 15 07 00 FD", False),  # civ-3, S-CIVa: set 7150000 Hz
        ("FE FE 94 E0 1C 00 FD", True),  # civ-8, S-CIVa, checked: read transmit state
        ("FE FE 94 E0 1C 00 01 FD", False),  # S-CIVa: with a data byte it keys
        ("FE FE 94 E0 14 0A 01 28 FD", False),  # civ-11, S-CIVa, byte order mem: set RF power
    ],
)
def test_of_the_published_requests_only_reads_are_ever_sent(hex_bytes: str, may_be_sent: bool) -> None:
    rig = CiVRig()
    rig.split = True
    bench = Bench(rig)

    bench.run(1_000 * MS)

    assert (frame(hex_bytes) in bench.requests()) is may_be_sent


def test_own_echo_followed_by_the_answer() -> None:
    """civ-13, computed from the layout."""
    session = CiVSession(RIG, 50 * MS, False)
    session.opened(0)
    assert session.due(0) == READ_FREQUENCY
    session.received(frame("FE FE 94 E0 03 FD FE FE E0 94 03 00 00 84 01 00 FD"), 9 * MS)
    assert session.due(9 * MS) == READ_SPLIT
    session.received(READ_SPLIT + from_rig(b"\x0f\x00"), 18 * MS)
    assert session.due(18 * MS) == READ_KEYED
    session.received(READ_KEYED + from_rig(b"\x1c\x00\x00"), 27 * MS)
    assert session.due(27 * MS) == READ_MODE_AND_DATA

    [reading] = session.received(READ_MODE_AND_DATA + from_rig(b"\x26\x00\x00\x00\x01"), 36 * MS)

    assert reading == RigReading(1_840_000, 1_840_000, False, Mode.LSB, False, 0)


def test_mode_table_is_the_published_one() -> None:
    """S-CIVa, checked. RTTY and PSK are data; CW reverse is CW."""
    assert {code: mode.value for code, mode in MODES.items()} == {
        0x00: "lsb", 0x01: "usb", 0x02: "am", 0x03: "cw", 0x04: "data", 0x05: "fm", 0x07: "cw", 0x08: "data",
        0x12: "data", 0x13: "data",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("hex_bytes", "frames"),
    [
        ("FE FE FE FE E0 94 FB FD", ["E0 94 FB"]),  # more than two FE are legal
        ("FE FE E0 94 03 00 FE FE E0 94 FB FD", ["E0 94 FB"]),  # FE FE in the middle starts afresh
        ("FE FE E0 94 03 00 FE 19 14 00 FD", []),  # a lone FE damages
        ("41 42 FD FE FE E0 94 FB FD", ["E0 94 FB"]),  # noise before
        ("FE FE E0 94 03 00 FC FC FE FE E0 94 FB FD", [JAM.hex(), "E0 94 FB"]),  # mem: FC is the jam code
        ("FE FE E0 94 FB FD FE FE 94 E0 FC", ["E0 94 FB", JAM.hex()]),
        ("FE FE " + "00 " * 65 + "FD FE FE E0 94 FB FD", ["E0 94 FB"]),  # longer than 64 bytes
    ],
)
def test_frames_are_found_in_the_stream(hex_bytes: str, frames: list[str]) -> None:
    assert FrameSplitter().split(frame(hex_bytes)) == [frame(f) for f in frames]


@pytest.mark.parametrize(
    ("hex_bytes", "frequency_hz"),
    [
        ("00 50 19 14 00", 14_195_000),
        ("0A 50 19 14 00", None),  # a nibble above 9
        ("00 50 19 E4 00", None),  # what int() would take for an exponent, had it any
        ("00 50 19", None),
        ("00 50 19 14 00 00", None),
        ("00 00 00 00 00", None),  # under 30 kHz
        ("01 00 00 00 05", None),  # over 500 MHz
    ],
)
def test_frequency_bytes(hex_bytes: str, frequency_hz: int | None) -> None:
    assert frequency_from_bcd(frame(hex_bytes)) == frequency_hz


@pytest.mark.parametrize(
    "body",
    ["03 00 5A 19 14 00", "03", "1C 00 02", "1C 00", "0F 07", "04", "04 0A", "26 00 01", "25 01 00", "FA 00", "FB 01"],
)
def test_damaged_frame_changes_nothing_but_a_counter(body: str) -> None:
    bench = Bench(CiVRig())
    bench.run(90 * MS)

    assert bench.push(from_rig(frame(body))) == []

    assert bench.session.damaged == 1


@pytest.mark.parametrize("address", [0x00, 0xE0, 0xF0, 0xFE, 300])
def test_address_that_no_rig_has_is_refused(address: int) -> None:
    with pytest.raises(ValueError, match="0x01 to 0xEF"):
        CiVSession(address, 50 * MS, False)


# The conversation


@pytest.mark.parametrize("echoes", [False, True])
def test_first_round_makes_the_first_reading(echoes: bool) -> None:
    rig = CiVRig()
    rig.echoes = echoes
    rig.data = True
    bench = Bench(rig)

    bench.run(20 * MS)

    assert bench.requests()[:4] == [READ_FREQUENCY, READ_SPLIT, READ_KEYED, READ_MODE_AND_DATA]
    assert bench.readings == [(12 * MS, RigReading(14_195_000, 14_195_000, False, Mode.DATA, False, 0))]


def test_round_at_rest_is_three_queries_frequency_first() -> None:
    bench = Bench(CiVRig())

    bench.run(149 * MS)

    assert bench.requests(since_us=50 * MS) == [
        READ_FREQUENCY, READ_KEYED, READ_MODE_AND_DATA, READ_FREQUENCY, READ_KEYED, READ_SPLIT,
    ]  # fmt: skip


def test_moving_dial_is_read_back_to_back() -> None:
    rig = CiVRig()
    bench = Bench(rig)
    bench.run(200 * MS)
    for _ in range(20):
        rig.selected_hz += 10
        bench.run(10 * MS)
    moving = bench.requests(since_us=300 * MS)

    assert len(moving) >= 31
    assert moving.count(READ_FREQUENCY) > 20
    assert READ_KEYED in moving


def test_four_byte_frequencies() -> None:
    rig = CiVRig()
    rig.bytes_a_frequency = 4
    bench = Bench(rig)

    bench.run(100 * MS)

    assert bench.last().frequency_hz == 14_195_000


def test_older_rig_that_knows_only_frequency_and_mode() -> None:
    rig = CiVRig()
    rig.refuses = {READ_OTHER, READ_SPLIT, READ_KEYED, READ_MODE_AND_DATA}
    bench = Bench(rig)

    bench.run(1_000 * MS)

    assert bench.readings[0] == (18 * MS, RigReading(14_195_000, 14_195_000, False, Mode.USB, None, 0))
    for query in (READ_SPLIT, READ_KEYED, READ_MODE_AND_DATA):
        assert bench.requests().count(query) == 3
    assert bench.requests(since_us=700 * MS).count(READ_MODE) >= 3


def test_rig_that_is_silent_on_what_it_does_not_know() -> None:
    rig = CiVRig()
    rig.deaf_to = {READ_OTHER, READ_SPLIT, READ_KEYED, READ_MODE_AND_DATA}
    bench = Bench(rig)

    bench.run(5_000 * MS)

    assert bench.readings[0][0] < 800 * MS
    late = [at_us for at_us, request in bench.sent if request == READ_FREQUENCY and at_us > 3_000 * MS]
    assert all(b - a <= 51 * MS for a, b in pairwise(late))


@pytest.mark.parametrize("fault", ["refuses", "deaf_to"])
def test_slow_polling_does_not_delay_the_first_reading(fault: str) -> None:
    rig = CiVRig()
    setattr(rig, fault, {READ_SPLIT, READ_KEYED, READ_MODE_AND_DATA, READ_MODE})
    bench = Bench(rig, poll_us=5_000 * MS)

    bench.run(4_000 * MS)

    assert bench.readings[0][0] < 800 * MS


def test_split_waits_for_the_other_vfo() -> None:
    rig = CiVRig()
    bench = Bench(rig)
    bench.run(200 * MS)
    rig.split = True

    bench.run(200 * MS)

    assert {(r.frequency_hz, r.transmit_hz) for _, r in bench.readings if r.split} == {(14_195_000, 7_050_000)}
    asked_split = max(i for i, (_, request) in enumerate(bench.sent[:-1]) if request == READ_SPLIT)
    first_split = next(i for i, (at_us, request) in enumerate(bench.sent) if request == READ_SPLIT and at_us > 200 * MS)
    assert asked_split >= first_split
    assert bench.sent[first_split + 1] == (bench.sent[first_split][0] + 3 * MS, READ_OTHER)
    rig.other_hz = 7_060_000
    bench.run(60 * MS)
    assert bench.last().transmit_hz == 7_060_000
    rig.split = False
    bench.run(110 * MS)
    assert bench.last().transmit_hz == 14_195_000


@pytest.mark.parametrize("fault", ["refuses", "deaf_to"])
def test_other_vfo_that_cannot_be_read_leaves_the_transmit_frequency_unknown(fault: str) -> None:
    rig = CiVRig()
    rig.split = True
    setattr(rig, fault, {READ_OTHER})
    bench = Bench(rig)

    bench.run(2_000 * MS)

    assert bench.readings[0][0] < 700 * MS
    assert {(r.frequency_hz, r.transmit_hz, r.split) for _, r in bench.readings} == {(14_195_000, None, True)}


def test_repeater_offset_leaves_the_transmit_frequency_unknown() -> None:
    rig = CiVRig()
    bench = Bench(lambda request: from_rig(b"\x0f\x11") if request == READ_SPLIT else rig(request))

    bench.run(100 * MS)

    assert (bench.last().split, bench.last().transmit_hz) == (True, None)
    assert READ_OTHER not in bench.requests()


@pytest.mark.parametrize("swaps", [False, True])
def test_keyed_in_split_corrupts_neither_frequency(swaps: bool) -> None:
    """Rigs differ in whether they swap the selected and the other VFO while they transmit in split."""
    rig = CiVRig()
    rig.split, rig.swaps_when_keyed = True, swaps
    bench = Bench(rig)
    bench.run(200 * MS)
    for _ in range(3):
        rig.keyed = True
        bench.run(333 * MS)
        assert bench.last().keyed is True
        rig.keyed = False
        bench.run(217 * MS)
        assert bench.last().keyed is False

    assert {(r.frequency_hz, r.transmit_hz) for _, r in bench.readings} == {(14_195_000, 7_050_000)}
    rig.keyed = True
    bench.run(200 * MS)
    rig.other_hz = 7_060_000
    bench.run(200 * MS)
    assert (bench.last().frequency_hz, bench.last().transmit_hz) == (14_195_000, 7_060_000)


def test_vfos_exchanged_in_split_are_believed_when_seen_again() -> None:
    rig = CiVRig()
    rig.split = True
    bench = Bench(rig)
    bench.run(200 * MS)
    rig.selected_hz, rig.other_hz = rig.other_hz, rig.selected_hz

    bench.run(170 * MS)

    assert (bench.last().frequency_hz, bench.last().transmit_hz) == (7_050_000, 14_195_000)


def test_unasked_reports_are_published_at_once() -> None:
    bench = Bench(CiVRig(), push=True)
    bench.run(90 * MS)

    [dial] = bench.push(frame("FE FE 00 94 00 00 00 55 03 00 FD"))
    [mode] = bench.push(from_rig(b"\x01\x03\x01", to=0x00))
    [addressed] = bench.push(from_rig(b"\x00" + bcd(3_560_000)))

    assert dial == RigReading(3_550_000, 3_550_000, False, Mode.USB, False, None)
    assert mode == RigReading(3_550_000, 3_550_000, False, Mode.CW, False, None)
    assert (addressed.frequency_hz, addressed.asked_at_us) == (3_560_000, None)


def test_unasked_report_is_no_answer_to_the_query_in_flight() -> None:
    bench = Bench(CiVRig())
    bench.run(90 * MS)
    bench.run(10 * MS)
    assert bench.sent[-1] == (100 * MS, READ_FREQUENCY)

    [pushed] = bench.push(from_rig(b"\x00" + bcd(3_560_000), to=0))
    [broadcast] = bench.push(from_rig(b"\x03" + bcd(3_561_000), to=0))
    [answer] = bench.push(from_rig(b"\x03" + bcd(3_562_000)))

    assert (pushed.asked_at_us, broadcast.asked_at_us, answer.asked_at_us) == (None, None, 100 * MS)


def test_accepted_is_no_answer_to_a_read() -> None:
    session = CiVSession(RIG, 50 * MS, False)
    session.opened(0)
    session.due(0)

    assert session.received(frame("FE FE E0 94 FB FD"), 3 * MS) == []

    assert session.due(3 * MS) == b""
    assert session.wake_at_us(3 * MS) == 250 * MS


def test_other_stations_on_the_wire_do_not_count() -> None:
    bench = Bench(CiVRig())
    bench.run(90 * MS)

    assert bench.push(frame("FE FE E0 A4 03 00 00 55 03 00 FD")) == []  # another rig's answer
    assert bench.push(frame("FE FE 00 A4 00 00 00 55 03 00 FD")) == []  # another rig's report
    assert bench.push(frame("FE FE E1 94 03 00 00 55 03 00 FD")) == []  # our rig's answer to another controller
    assert bench.session.damaged == 0


@pytest.mark.parametrize(
    "spoilt",
    [
        JAM,  # from memory
        frame("FE FE 94 E0 FC"),
        frame("FE FE 94 E0 13 FD"),  # an echo that differs
    ],
)
def test_collision_is_followed_by_another_try_a_little_later(spoilt: bytes) -> None:
    rig = CiVRig()
    rig.echoes = True
    spoils = [spoilt]
    bench = Bench(lambda request: spoils.pop() if spoils else rig(request))

    bench.run(60 * MS)

    assert bench.requests()[:2] == [READ_FREQUENCY, READ_FREQUENCY]
    assert 5 * MS <= bench.sent[1][0] - 3 * MS <= 30 * MS
    assert bench.last().frequency_hz == 14_195_000


def test_collisions_without_end_do_not_hold_up_the_other_queries() -> None:
    bench = Bench(lambda request: JAM)

    bench.run(3_000 * MS)

    assert bench.requests()[:5] == [READ_FREQUENCY] * 4 + [READ_SPLIT]
    pauses = {b - a for (a, _), (b, _) in pairwise(bench.sent)}
    assert len(pauses) > 20, "the wait differs from try to try"
    assert READ_FREQUENCY in bench.requests(since_us=2_500 * MS)


def test_read_now_reads_both_vfos_in_split() -> None:
    rig = CiVRig()
    rig.split = True
    bench = Bench(rig, poll_us=500 * MS)
    bench.run(400 * MS)

    bench.session.read_now(bench.now_us)
    bench.run(20 * MS)

    assert bench.sent[-3:] == [(400 * MS, READ_FREQUENCY), (403 * MS, READ_OTHER), (406 * MS, READ_SPLIT)]
    assert bench.last().asked_at_us == 400 * MS


def test_bytes_one_by_one_make_the_same_readings() -> None:
    rig = CiVRig()
    rig.echoes = True
    bench = Bench(rig)
    bench.run(90 * MS)

    pushed = from_rig(b"\x00" + bcd(3_550_000), to=0)
    readings = [r for i in range(len(pushed)) for r in bench.push(pushed[i : i + 1])]

    assert [r.frequency_hz for r in readings] == [3_550_000]
