"""Whatever arrives, in whatever pieces: no exception, no growth, no byte that keys, and the rig is found again."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qsyd_daemon.protocols.ascii_cat import AsciiCatSession
from qsyd_daemon.protocols.ascii_frames import MESSAGE_LENGTH_MAX, MessageSplitter
from qsyd_daemon.protocols.ci_v import CiVSession
from qsyd_daemon.protocols.ci_v_frames import FRAME_LENGTH_MAX, FrameSplitter
from qsyd_daemon.protocols.polling import PolledSession
from qsyd_daemon.protocols.queries import ANSWER_TIMEOUT_US, Asker, LinePolicy, Query
from qsyd_daemon.protocols.session import RigReading, RigSession

MS = 1_000
POLL_US = 50 * MS
FREQUENCY_HZ = 14_195_000

SAFE_REQUESTS: dict[str, frozenset[bytes]] = {
    # In this dialect any TX keys, and everything with a parameter sets, but AI asks to be told of changes. From memory.
    "11 digits": frozenset({b"IF;", b"FA;", b"FB;", b"MD;", b"FR;", b"FT;", b"AI1;", b"AI2;"}),
    # Here TX; is a read; TX0; TX1; TX2; MX0; MX1; key and unkey. A compilation of makers' references, checked.
    "9 digits": frozenset({b"FA;", b"FB;", b"TX;", b"MD0;", b"FT;", b"ST;", b"AI1;"}),
    # 1C 00 with a data byte keys; so do no others of these. Makers' CI-V chapters, checked; 0F, 25, 26 from memory.
    "CI-V": frozenset(
        bytes.fromhex(f"FE FE 94 E0 {command} FD") for command in ("03", "04", "0F", "1C 00", "25 01", "26 00")
    ),
}
"""All that may ever leave, by protocol, written out here apart from the code that sends."""

MAKE: dict[str, Callable[[], PolledSession]] = {
    "11 digits": lambda: AsciiCatSession(11, POLL_US, True),
    "9 digits": lambda: AsciiCatSession(9, POLL_US, True),
    "CI-V": lambda: CiVSession(0x94, POLL_US, True),
}

GOOD_ANSWERS: dict[bytes, bytes] = {
    b"IF;": b"IF00014195000     +000000000020000000;",
    b"MD;": b"MD2;",
    b"FR;": b"FR0;",
    b"TX;": b"TX0;",
    b"MD0;": b"MD02;",
    b"FT;": b"FT0;",
    b"ST;": b"ST0;",
    bytes.fromhex("FEFE94E003FD"): bytes.fromhex("FEFEE094030050191400FD"),
    bytes.fromhex("FEFE94E004FD"): bytes.fromhex("FEFEE094040101FD"),
    bytes.fromhex("FEFE94E00FFD"): bytes.fromhex("FEFEE0940F00FD"),
    bytes.fromhex("FEFE94E01C00FD"): bytes.fromhex("FEFEE0941C0000FD"),
    bytes.fromhex("FEFE94E02501FD"): bytes.fromhex("FEFEE09425010000050700FD"),
    bytes.fromhex("FEFE94E02600FD"): bytes.fromhex("FEFEE0942600010001FD"),
}
FREQUENCIES = {
    "11 digits": {b"FA;": b"FA00014195000;", b"FB;": b"FB00007050000;"},
    "9 digits": {b"FA;": b"FA014195000;", b"FB;": b"FB007050000;"},
    "CI-V": {},
}

PIECES = {
    "11 digits": [
        b";", b"?;", b"E;", b"O;", b"FA", b"FA00014195000;", b"FB00007050000;", b"FR1;", b"FT1;", b"FR2;", b"MD3;",
        b"IF00014195000     +000000000020000000;", b"IF00003550000     -012010000131010000;",
        b"IF00010120000     +000000000022010000;", b"AI2;", b"TX1;", b"RX;", b"\r\n",
    ],
    "9 digits": [
        b";", b"?;", b"E;", b"O;", b"FA", b"FA014195000;", b"FB07050000;", b"FT1;", b"FT3;", b"ST1;", b"TX1;", b"TX2;",
        b"MD0C;", b"MD1", b"IF001007150000+000000100000;", b"AI1;",
    ],
    "CI-V": [
        b"\xfe", b"\xfe\xfe", b"\xfd", b"\xfc", b"\xfe\xfe\xe0\x94", b"\xfe\xfe\x00\x94", b"\xfe\xfe\x94\xe0",
        *(bytes.fromhex(text) for text in (
            "FEFEE094FAFD", "FEFEE094FBFD", "FEFEE094030050191400FD", "FEFE0094000000550300FD", "FEFEE0940F01FD",
            "FEFEE0940F11FD", "FEFEE0941C0001FD", "FEFEE09425010000050700FD", "FEFEE0942600010101FD", "FEFE94E003FD",
        )),
    ],
}  # fmt: skip
"""Bits of the wire, so that noise also means something now and then."""

protocols = pytest.mark.parametrize("protocol", list(MAKE))


def noise(protocol: str) -> st.SearchStrategy[bytes]:
    pieces = st.one_of(st.sampled_from(PIECES[protocol]), st.binary(max_size=12))
    return st.lists(pieces, max_size=6).map(b"".join)


def check(readings: list[RigReading], now_us: int) -> None:
    """What every reading promises, whatever made it."""
    for reading in readings:
        assert 30_000 <= reading.frequency_hz <= 500_000_000
        assert reading.transmit_hz is None or 30_000 <= reading.transmit_hz <= 500_000_000
        assert reading.split or reading.transmit_hz == reading.frequency_hz
        assert reading.asked_at_us is None or reading.asked_at_us < now_us


def exchange(
    session: RigSession,
    allowed: frozenset[bytes],
    answer: Callable[[bytes], bytes],
    now_us: int,
    queries: int,
    one_by_one: bool = False,
) -> tuple[int, list[RigReading], list[bytes]]:
    """Let so many queries go out, each answered 5 ms later; the time then, the readings and what was sent."""
    readings: list[RigReading] = []
    sent: list[bytes] = []
    while len(sent) < queries:
        request = session.due(now_us)
        if not request:
            wake_us = session.wake_at_us(now_us)
            assert wake_us > now_us, "asked to be woken at once, with nothing to send"
            assert wake_us <= now_us + max(POLL_US, ANSWER_TIMEOUT_US), "sleeps too long"
            now_us = wake_us
            continue
        assert request in allowed
        sent.append(request)
        data = answer(request)
        now_us += 5 * MS
        for piece in [data[i : i + 1] for i in range(len(data))] if one_by_one else [data]:
            readings += session.received(piece, now_us)
    check(readings, now_us)
    return now_us, readings, sent


def good(protocol: str) -> Callable[[bytes], bytes]:
    answers = GOOD_ANSWERS | FREQUENCIES[protocol]
    return lambda request: answers.get(request, b"")


@protocols
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_whatever_is_answered_only_reads_go_out(protocol: str, data: st.DataObject) -> None:
    """No sequence of bytes from the rig can make us key it, or change a setting of it."""
    session = MAKE[protocol]()
    session.opened(0)

    _, _, sent = exchange(session, SAFE_REQUESTS[protocol], lambda _: data.draw(noise(protocol)), 0, 25)

    assert len(sent) == 25


@protocols
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_well_behaved_rig_is_followed_again_after_any_noise(protocol: str, data: st.DataObject) -> None:
    """Thirty queries after the noise the reading is the rig's, transmit frequency and all."""
    session = MAKE[protocol]()
    session.opened(0)
    allowed = SAFE_REQUESTS[protocol]
    now_us, _, _ = exchange(session, allowed, lambda _: data.draw(noise(protocol)), 0, 15)
    session.read_now(now_us)

    now_us, _, _ = exchange(session, allowed, good(protocol), now_us, 30)
    _, readings, _ = exchange(session, allowed, good(protocol), now_us, 10)

    assert readings
    assert {(r.frequency_hz, r.transmit_hz, r.split) for r in readings} == {(FREQUENCY_HZ, FREQUENCY_HZ, False)}


@protocols
@given(lost=st.lists(st.booleans(), min_size=30, max_size=30), one_by_one=st.booleans())
@settings(max_examples=40, deadline=None)
def test_lost_answers_are_asked_for_again(protocol: str, lost: list[bool], one_by_one: bool) -> None:
    session = MAKE[protocol]()
    session.opened(0)
    allowed = SAFE_REQUESTS[protocol]
    answer, losses = good(protocol), iter(lost)
    now_us, _, _ = exchange(session, allowed, lambda r: b"" if next(losses) else answer(r), 0, 30, one_by_one)

    _, readings, _ = exchange(session, allowed, answer, now_us, 10, one_by_one)

    assert readings
    assert {r.frequency_hz for r in readings} == {FREQUENCY_HZ}


@protocols
@given(late=st.lists(st.integers(0, 700), min_size=20, max_size=20), cut=st.integers(1, 12))
@settings(max_examples=40, deadline=None)
def test_late_and_broken_up_answers_never_pass_for_fresh_ones(protocol: str, late: list[int], cut: int) -> None:
    """Each answer names the moment it was made; what claims to be asked later than that would be a lie.

    The rig answers in order, each query after its own delay, in two pieces, and not at all what would be over 900 ms
    late.
    """
    session = MAKE[protocol]()
    session.opened(0)
    arriving: list[tuple[int, int, bytes]] = []  # when, made at, bytes
    now_us, delays, free_at_us = 0, iter(late), 0
    made_at_us: dict[int, int] = {}
    while True:
        for when, made, data in [a for a in arriving if a[0] <= now_us]:
            arriving.remove((when, made, data))
            for piece in (data[:cut], data[cut:]):
                for reading in session.received(piece, now_us):
                    made_at_us.setdefault(reading.frequency_hz, made)
                    if reading.asked_at_us is not None:
                        assert reading.asked_at_us <= made_at_us[reading.frequency_hz]
        request = session.due(now_us)
        if request:
            delay_ms = next(delays, None)
            if delay_ms is None:
                return
            answers_at_us = max(free_at_us, now_us) + delay_ms * MS
            if answers_at_us <= now_us + 900 * MS:
                free_at_us = answers_at_us
                arriving.append((answers_at_us, now_us, _stamped(protocol, request, now_us // MS)))
        elif arriving:
            now_us = max(now_us + 1, min(session.wake_at_us(now_us), min(a[0] for a in arriving)))
        else:
            now_us = session.wake_at_us(now_us)
        if request and arriving:
            now_us = max(now_us, min(session.wake_at_us(now_us), min(a[0] for a in arriving)))


def _stamped(protocol: str, request: bytes, stamp: int) -> bytes:
    """A good answer whose frequency, where it has one, is 14 MHz and the stamp in hertz."""
    hz = 14_000_000 + stamp
    if request in (b"FA;", b"IF;"):
        digits = 11 if protocol == "11 digits" else 9
        tail = b"     +000000000020000000;" if request == b"IF;" else b";"
        return request[:2] + f"{hz:0{digits}d}".encode() + tail
    if request == bytes.fromhex("FEFE94E003FD"):
        return b"\xfe\xfe\xe0\x94\x03" + bytes.fromhex(f"{hz:010d}")[::-1] + b"\xfd"
    return good(protocol)(request)


@protocols
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_pieces_do_not_matter(protocol: str, data: st.DataObject) -> None:
    """The same bytes make the same readings, whole or one by one."""
    stream = data.draw(noise(protocol))
    whole, pieces = MAKE[protocol](), MAKE[protocol]()
    for session in (whole, pieces):
        exchange(session, SAFE_REQUESTS[protocol], good(protocol), 0, 8)

    at_once = whole.received(stream, 900 * MS)
    one_by_one = [r for i in range(len(stream)) for r in pieces.received(stream[i : i + 1], 900 * MS)]

    assert at_once == one_by_one


@pytest.mark.parametrize("splitter_type", [MessageSplitter, FrameSplitter])
@given(chunks=st.lists(st.binary(max_size=200), max_size=30), run=st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_what_is_kept_of_noise_is_bounded(
    splitter_type: type[MessageSplitter] | type[FrameSplitter], chunks: list[bytes], run: int
) -> None:
    splitter = splitter_type()
    for chunk in [*chunks, b"\xfe" * run, b"A" * run]:
        splitter.split(chunk)

        assert len(splitter._fragment) <= max(MESSAGE_LENGTH_MAX, FRAME_LENGTH_MAX + 2)


@pytest.mark.parametrize(
    "request_bytes",
    [b"TX;", b"TX0;", b"TX1;", b"TX2;", b"MX1;", b"FA00014195000;", bytes.fromhex("FEFE94E01C0001FD")],
)
def test_bytes_that_are_not_allowed_cannot_be_sent(request_bytes: bytes) -> None:
    """In the eleven-digit dialect TX; keys, though in the other one it is a read."""
    asker = Asker(SAFE_REQUESTS["11 digits"], LinePolicy(), ANSWER_TIMEOUT_US)

    with pytest.raises(AssertionError, match="not among the reads"):
        asker.send(Query(b"TX", request_bytes), 0)

    assert asker.in_flight is None
