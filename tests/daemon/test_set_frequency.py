"""The one setting of a rig that a session may be made to send: the frequency. What leaves, when, and what never does."""

import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.protocols.ascii_cat import READS_9, READS_11, AsciiCatSession
from qsyd_daemon.protocols.ci_v import READ_COMMANDS, CiVSession
from qsyd_daemon.protocols.polling import PolledSession
from qsyd_daemon.protocols.queries import Query
from qsyd_daemon.protocols.session import RigReading
from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.ci_v_voice import CiVVoice
from qsyd_simulators.rig_voice import RigVoice
from qsyd_simulators.transceiver import Transceiver, Vfo

MS = 1_000
POLL_US = 50 * MS
ADDRESS = 0x94
MAKE: dict[str, Callable[[bool], PolledSession]] = {
    "11 digits": lambda sets: AsciiCatSession(11, POLL_US, True, sets_frequency=sets),
    "9 digits": lambda sets: AsciiCatSession(9, POLL_US, True, sets_frequency=sets),
    "CI-V": lambda sets: CiVSession(ADDRESS, POLL_US, True, sets_frequency=sets),
}
VOICES: dict[str, Callable[[Transceiver], RigVoice]] = {
    "11 digits": lambda rig: AsciiCatVoice(rig, 11),
    "9 digits": lambda rig: AsciiCatVoice(rig, 9),
    "CI-V": lambda rig: CiVVoice(rig, ADDRESS),
}
READS = {
    "11 digits": READS_11,
    "9 digits": READS_9,
    "CI-V": frozenset(b"\xfe\xfe\x94\xe0" + command + b"\xfd" for command in READ_COMMANDS),
}
SETS = {
    "11 digits": re.compile(rb"F[AB]\d{11};"),
    "9 digits": re.compile(rb"FA\d{8,9};"),
    "CI-V": re.compile(rb"\xfe\xfe\x94\xe0\x05[\x00-\x99]{4,5}\xfd", re.DOTALL),
}
"""Written out here apart from the code that sends."""
protocols = pytest.mark.parametrize("protocol", list(MAKE))


def is_setting(protocol: str, request: bytes) -> bool:
    """Whether these bytes set a frequency, and do nothing else."""
    digits = request[5:-1].hex() if protocol == "CI-V" else "0"
    return SETS[protocol].fullmatch(request) is not None and digits.isdecimal()


class Talk:
    """A session and the simulated rig, which was written apart from it from the same references, on virtual time."""

    def __init__(self, protocol: str, *, sets: bool = True, voice: Callable[[Transceiver], RigVoice] | None = None):
        self.protocol = protocol
        self.rig = Transceiver(7_050_000, other_hz=7_200_000)
        self.voice = (voice or VOICES[protocol])(self.rig)
        self.session = MAKE[protocol](sets)
        self.session.opened(0)
        self.now_us = 0
        self.sent: list[bytes] = []
        self.told: list[RigReading] = []
        self.run(500 * MS)

    def run(self, duration_us: int) -> None:
        end_us = self.now_us + duration_us
        while self.now_us < end_us:
            self.now_us += 2 * MS
            data = self.session.due(self.now_us)
            if data:
                self.sent.append(data)
                answer = self.voice.received(data, self.now_us)
                self.told += self.session.received(answer, self.now_us + MS)

    def sets(self) -> list[bytes]:
        return [each for each in self.sent if is_setting(self.protocol, each)]


@protocols
def test_dial_is_set_once_and_read_back_at_once(protocol: str) -> None:
    talk = Talk(protocol)
    before = len(talk.sent)
    assert talk.session.set_frequency(14_087_500, talk.now_us) is None
    talk.run(120 * MS)
    assert talk.rig.transmit_hz == 14_087_500
    assert talk.told[-1].transmit_hz == 14_087_500
    assert talk.told[-1].asked_at_us is not None, "read back, not assumed"
    talk.run(2_000 * MS)
    assert len(talk.sets()) == 1
    assert len(talk.sent) > before + 2
    assert talk.rig.keyed_by_cat == 0


@pytest.mark.parametrize(
    ("protocol", "frequency_hz", "frame"),
    [
        # A maker's own example of setting VFO A (command reference, checked).
        ("11 digits", 7_000_000, b"FA00007000000;"),
        # Nine digits, from the layout of makers' references (checked): 14.250 MHz is the makers' example as an answer.
        ("9 digits", 14_250_000, b"FA014250000;"),
        # 05 and five bytes, lowest pair first (makers' CI-V chapters; computed from the layout).
        ("CI-V", 7_150_000, bytes.fromhex("FE FE 94 E0 05 00 00 15 07 00 FD")),
        # A maker's own example of the digits: 78 56 34 12 00 (checked).
        ("CI-V", 12_345_678, bytes.fromhex("FE FE 94 E0 05 78 56 34 12 00 FD")),
    ],
)
def test_frames_are_those_of_the_references(protocol: str, frequency_hz: int, frame: bytes) -> None:
    talk = Talk(protocol)
    assert talk.session.set_frequency(frequency_hz, talk.now_us) is None
    talk.run(100 * MS)
    assert talk.sets() == [frame]


def test_older_sets_are_told_in_the_width_they_tell() -> None:
    """Eight digits (a maker's example, checked) and four bytes (a forum note, checked)."""
    eight = Talk("9 digits", voice=lambda rig: AsciiCatVoice(rig, 8))
    assert eight.session.set_frequency(14_250_000, eight.now_us) is None
    eight.run(100 * MS)
    assert eight.sets() == [b"FA14250000;"]
    assert eight.rig.transmit_hz == 14_250_000

    four = Talk("CI-V", voice=lambda rig: CiVVoice(rig, ADDRESS, frequency_bytes=4))
    assert four.session.set_frequency(14_250_000, four.now_us) is None
    four.run(100 * MS)
    assert four.sets() == [bytes.fromhex("FE FE 94 E0 05 00 00 25 14 FD")]
    assert four.rig.transmit_hz == 14_250_000


def test_vfo_that_transmits_is_the_one_that_is_set() -> None:
    talk = Talk("11 digits")
    talk.rig.use_vfo(Vfo.B)
    talk.run(200 * MS)
    assert talk.session.set_frequency(7_100_000, talk.now_us) is None
    talk.run(100 * MS)
    assert talk.sets() == [b"FB00007100000;"]
    assert (talk.rig.vfo_a_hz, talk.rig.vfo_b_hz) == (7_050_000, 7_100_000)


def test_offset_of_the_transmitter_is_allowed_for() -> None:
    talk = Talk("11 digits")
    talk.rig.set_offset(1_500, xit=True)
    talk.run(200 * MS)
    assert talk.session.set_frequency(7_100_000, talk.now_us) is None
    talk.run(100 * MS)
    assert talk.rig.transmit_hz == 7_100_000
    assert talk.told[-1].transmit_hz == 7_100_000


@protocols
def test_split_and_a_key_and_a_session_that_may_not_are_refused_in_words(protocol: str) -> None:
    talk = Talk(protocol)
    talk.rig.set_split(True)
    talk.run(400 * MS)
    assert talk.session.set_frequency(7_100_000, talk.now_us) == "split is on"
    talk.rig.set_split(False)
    talk.rig.key()
    talk.run(400 * MS)
    assert talk.session.set_frequency(7_100_000, talk.now_us) == "the rig transmits"
    talk.rig.unkey()
    talk.run(400 * MS)
    assert talk.session.set_frequency(1, talk.now_us) is not None

    forbidden = Talk(protocol, sets=False)
    assert (
        forbidden.session.set_frequency(7_100_000, forbidden.now_us) == "the station file does not let the dial be set"
    )
    for each in (talk, forbidden):
        each.run(500 * MS)
        assert each.sets() == []
        assert each.rig.vfo_a_hz == 7_050_000


@protocols
def test_key_that_goes_down_before_the_setting_has_left_keeps_it_back(protocol: str) -> None:
    talk = Talk(protocol)
    assert talk.session.set_frequency(7_100_000, talk.now_us) is None
    told = {
        "11 digits": b"IF00007050000     +000000000120000000;",
        "9 digits": b"TX2;",
        "CI-V": bytes.fromhex("FEFEE0941C0001FD"),
    }
    talk.session.received(told[protocol], talk.now_us)
    talk.rig.key()
    talk.run(500 * MS)
    assert talk.sets() == []


@protocols
def test_refusal_changes_nothing_else(protocol: str) -> None:
    """The rig goes on being followed, and is still asked to report by itself."""
    talk = Talk(protocol)
    talk.rig.faults.refuse |= {b"FA0", b"\x05"}
    assert talk.session.set_frequency(14_087_500, talk.now_us) is None
    talk.run(500 * MS)
    assert talk.rig.vfo_a_hz == 7_050_000
    talk.rig.tune(7_060_000)
    talk.run(300 * MS)
    assert talk.told[-1].transmit_hz == 7_060_000
    assert len(talk.sets()) == 1


@protocols
@given(request=st.binary(max_size=16) | st.sampled_from([b"TX;", b"TX0;", b"TX1;", b"MX1;", b"FA00007000000;TX1;"]))
def test_nothing_else_gets_past_the_list(protocol: str, request: bytes) -> None:
    for sets in (False, True):
        asker = MAKE[protocol](sets)._asker
        may = request in READS[protocol] or (sets and is_setting(protocol, request))
        if may:
            assert asker.send(Query(b"x", request), 0) == request
        else:
            with pytest.raises(AssertionError):
                asker.send(Query(b"x", request), 0)


KEYING = (
    "FEFE94E01C0001FD",
    "FEFE94E00500001507001C0001FD",
    "FEFE94E0050000150700FD1C0001FD",
    "FEFE94E0050000150700FDFEFE94E01C0001FD",
    "FEFE94E0060100FD",
    "FEFE94E0050A00150700FD",
    "FEFE94E005FDFEFE94E0FD",
    "FEFE95E0050000150700FD",
)


@pytest.mark.parametrize("text", KEYING)
def test_frames_that_key_or_hide_one_that_does_are_never_settings(text: str) -> None:
    """1C 00 01 keys (makers' chapters, checked); a setting has four or five bytes of decimal digits and no more."""
    session = CiVSession(ADDRESS, POLL_US, True, sets_frequency=True)
    with pytest.raises(AssertionError):
        session._asker.send(Query(b"x", bytes.fromhex(text)), 0)


@protocols
@given(
    st.lists(
        st.one_of(
            st.integers(30_000, 60_000_000),
            st.sampled_from(["key", "unkey", "split", "simplex", "swap", "wait", "noise"]),
        ),
        max_size=20,
    )
)
def test_whatever_happens_only_reads_and_settings_leave_and_none_under_a_key_it_knows(
    protocol: str, deeds: list[int | str]
) -> None:
    talk = Talk(protocol)
    for deed in deeds:
        match deed:
            case int():
                talk.session.set_frequency(deed, talk.now_us)
            case "key":
                talk.rig.key()
            case "unkey":
                talk.rig.unkey()
            case "split" | "simplex":
                talk.rig.set_split(deed == "split")
            case "swap":
                talk.rig.use_vfo(talk.rig.vfo_in_use.other)
            case "noise":
                talk.session.received(b"\xfe\xfe\x94;\xfd?;FA;", talk.now_us)
            case _:
                talk.run(200 * MS)
        talk.run(30 * MS)
    assert all(each in READS[protocol] or is_setting(protocol, each) for each in talk.sent)
    assert talk.rig.keyed_by_cat == 0
