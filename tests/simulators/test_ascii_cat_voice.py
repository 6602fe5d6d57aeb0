"""ASCII CAT, byte for byte.

Sources: S-A11a a maker's control command reference; S-A11c command list in the manual of a small transceiver;
S-A11d a 1980s command summary; S-A9a makers' CAT references; S-A9b a public compilation of those. `mem` is from memory.
"""

import pytest

from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.transceiver import Transceiver, Vfo


@pytest.fixture
def rig() -> Transceiver:
    return Transceiver(14_195_000, other_hz=1_840_000)


def test_eleven_digit_vectors(rig: Transceiver) -> None:
    voice = AsciiCatVoice(rig)

    assert voice.received(b"FA;") == b"FA00014195000;"  # src: S-A11a, computed from the layout
    assert voice.received(b"FB;") == b"FB00001840000;"  # src: S-A11a, computed from the layout
    assert voice.received(b"IF;") == b"IF00014195000     +000000000020000000;"  # src: S-A11c, computed
    assert voice.received(b"FA00007000000;") == b""  # src: S-A11a, a maker's example; no answer to a set: mem
    assert rig.vfo_a_hz == 7_000_000
    assert voice.received(b"FA;") == b"FA00007000000;"  # src: S-A11a, a maker's example
    assert voice.received(b"PC050;PC;") == b"PC050;"  # src: mem
    assert rig.drive_mw == 50_000


def test_status_of_eleven_digits_in_split_with_rit() -> None:
    """src: S-A11c, computed: CW, transmitting, VFO B, split, RIT on -120."""
    rig = Transceiver(3_560_000, other_hz=3_550_000, mode=RigMode.CW)
    rig.use_vfo(Vfo.B)
    rig.set_split(True)
    rig.set_offset(-120, rit=True)
    rig.key()

    assert AsciiCatVoice(rig).received(b"IF;") == b"IF00003550000     -012010000131010000;"


def test_status_may_follow_the_transmit_vfo_while_keyed_in_split(rig: Transceiver) -> None:
    """src: mem. A follower must not take the receive VFO for the transmit one, nor the reverse."""
    rig.shows_transmit_vfo = True
    rig.set_split(True)
    voice = AsciiCatVoice(rig)
    assert voice.received(b"IF;")[2:13] == b"00014195000"

    rig.key()
    assert voice.received(b"IF;")[2:13] == b"00001840000"
    assert voice.received(b"FA;") == b"FA00014195000;"


def test_nine_digit_vectors() -> None:
    rig = Transceiver(14_250_000)
    voice = AsciiCatVoice(rig, 9)

    assert voice.received(b"FA;") == b"FA014250000;"  # src: S-A9a, makers' example
    rig.tune(50_125_000)
    assert voice.received(b"FA;") == b"FA050125000;"  # src: S-A9a, computed from the layout
    assert voice.received(b"MD0;") == b"MD02;"  # src: S-A9b
    rig.key()
    assert voice.received(b"TX;") == b"TX2;"  # src: S-A9b, keyed at the radio
    assert AsciiCatVoice(Transceiver(14_250_000), 8).received(b"FA;") == b"FA14250000;"  # src: S-A9a, maker's example


def test_status_of_nine_digits() -> None:
    """src: S-A9b, computed from the layout."""
    rig = Transceiver(7_150_000, mode=RigMode.LSB)
    voice = AsciiCatVoice(rig, 9)
    assert voice.received(b"IF;") == b"IF001007150000+000000100000;"

    rig.tune(28_500_000)
    rig.set_mode(RigMode.DATA_U)
    rig.set_offset(-250, rit=True)
    assert voice.received(b"IF;") == b"IF001028500000-025010C00000;"


def test_eleven_digit_keying_commands_really_key(rig: Transceiver) -> None:
    """src: mem. There is no read: TX; alone keys."""
    voice = AsciiCatVoice(rig)
    for count, command in enumerate((b"TX;", b"TX0;", b"TX1;", b"tx2;"), start=1):
        assert voice.received(command) == b""
        assert (rig.keyed, rig.keyed_by_cat) == (True, count)
        assert voice.received(b"RX;") == b""
        assert not rig.keyed


def test_nine_digit_keying_commands_really_key(rig: Transceiver) -> None:
    """src: S-A9b. TX; reads, there is no RX;."""
    voice = AsciiCatVoice(rig, 9)
    assert voice.received(b"TX;MX;") == b"TX0;MX0;"
    assert rig.keyed_by_cat == 0

    assert voice.received(b"TX1;TX;MX;") == b"TX1;MX1;"
    assert voice.received(b"RX;TX;") == b"?;TX1;"
    assert voice.received(b"TX0;TX;MX1;TX;MX0;TX;") == b"TX0;TX1;TX0;"
    assert rig.keyed_by_cat == 2


def test_split_by_vfo_choice_and_by_st(rig: Transceiver) -> None:
    """src: FR, FT mem; ST S-A9b."""
    a11 = AsciiCatVoice(rig)
    assert a11.received(b"FR;FT;FT1;FT;FR;") == b"FR0;FT0;FT1;FR0;"
    assert rig.transmit_hz == 1_840_000
    assert a11.received(b"FR1;IF;")[30:33] == b"100"
    assert not rig.split

    a9 = AsciiCatVoice(rig, 9)
    assert a9.received(b"ST;FT2;ST;FT;ST0;FT;FT3;FT;") == b"ST0;ST1;FT0;FT1;FT1;"
    assert a9.received(b"FR;") == b"?;"


def test_older_nine_digit_set_has_the_tuning_step_behind_st(rig: Transceiver) -> None:
    """src: S-A9b. The same letters say nothing of split there."""
    voice = AsciiCatVoice(rig, 9, st_is_tuning_step=True)
    assert voice.received(b"ST;ST0;ST;") == b"ST1;ST0;"
    rig.set_split(True)

    assert voice.received(b"ST;FT;") == b"ST0;FT1;"


@pytest.mark.parametrize(
    ("digits", "codes"),
    [
        # src: mem
        (11, {"1": "lsb", "2": "usb", "3": "cw", "4": "fm", "5": "am", "6": "fsk", "7": "cw-r", "9": "fsk-r"}),
        # src: S-A9b
        (9, {"1": "lsb", "3": "cw", "7": "cw-r", "8": "data-l", "A": "data-fm", "B": "fm-n", "C": "data-u"}),
        (9, {"2": "usb", "4": "fm", "5": "am", "6": "fsk", "9": "fsk-r", "D": "am-n", "E": "psk", "F": "data-fm-n"}),
    ],
)
def test_mode_characters(rig: Transceiver, digits: int, codes: dict[str, str]) -> None:
    voice = AsciiCatVoice(rig, digits)
    letters = "MD" if digits == 11 else "MD0"
    for code, name in codes.items():
        rig.set_mode(RigMode(name))
        assert voice.received(f"{letters};".encode()) == f"{letters}{code};".encode()
        rig.set_mode(RigMode.LSB if name != "lsb" else RigMode.USB)
        assert voice.received(f"{letters}{code};".encode()) == b""
        assert rig.mode is RigMode(name)


@pytest.mark.parametrize("mode", list(RigMode))
def test_every_mode_has_a_character_in_both_dialects(rig: Transceiver, mode: RigMode) -> None:
    rig.set_mode(mode)

    assert len(AsciiCatVoice(rig).received(b"MD;IF;")) == 4 + 38  # widths: S-A11c
    assert len(AsciiCatVoice(rig, 9).received(b"MD0;IF;")) == 5 + 28  # widths: S-A9b


@pytest.mark.parametrize(
    ("digits", "command"),
    [
        (11, b"FA7000000;"),
        (11, b"FA014195000;"),
        (11, b"FA 0014195000;"),
        (11, b"FA99999999999;"),
        (11, b"MD8;"),
        (11, b"MD0;"),
        (11, b"AI3;"),
        (11, b"FR2;"),
        (11, b"PC004;"),
        (11, b"\xff\x00\x9c;"),
        (11, b";"),
        (11, b"\r\nFA;"),
        (9, b"FA00014195000;"),
        (9, b"MD;"),
        (9, b"MD1C;"),
        (9, b"AI2;"),
        (9, b"PS;"),
    ],
)
def test_what_is_not_understood_is_refused_and_changes_nothing(rig: Transceiver, digits: int, command: bytes) -> None:
    """src: S-A11a (`?;`), S-A9a (fixed widths)."""
    assert AsciiCatVoice(rig, digits).received(command) == b"?;"
    assert (rig.vfo_a_hz, rig.mode, rig.keyed) == (14_195_000, RigMode.USB, False)


def test_commands_may_come_in_any_pieces_and_letters(rig: Transceiver) -> None:
    voice = AsciiCatVoice(rig)
    pieces = [voice.received(bytes((byte,))) for byte in b"fa;Fb;ID;"]

    assert b"".join(pieces) == b"FA00014195000;FB00001840000;ID999;"
    assert [heard.text for heard in rig.heard] == ["fa;", "Fb;", "ID;"]


def test_line_without_end_is_an_overrun(rig: Transceiver) -> None:
    """src: S-A11a (`E;` overrun or framing error)."""
    voice = AsciiCatVoice(rig)
    assert voice.received(b"x" * 65) == b"E;"
    assert voice.received(b"FA;") == b"FA00014195000;"


def test_automatic_information_of_eleven_digits(rig: Transceiver) -> None:
    """src: AI0 to AI2 checked in another maker's reference; reports of the key and of split: mem."""
    voice = AsciiCatVoice(rig)
    rig.tune(14_200_000)
    assert voice.reports() == b""

    voice.received(b"AI1;")
    rig.tune(14_201_000)
    assert voice.reports() == b"IF00014201000     +000000000020000000;"

    assert voice.received(b"AI2;AI;") == b"AI2;"
    rig.tune(14_202_000)
    rig.tune_vfo_b(1_850_000)
    rig.set_mode(RigMode.CW)
    rig.set_split(True)
    rig.key()
    rig.unkey()
    assert voice.reports() == b"FA00014202000;FB00001850000;MD3;FT1;TX0;RX;"
    assert voice.reports() == b""

    rig.set_power(False)
    rig.set_power(True)
    assert voice.received(b"AI;") == b"AI0;"


def test_automatic_information_of_nine_digits(rig: Transceiver) -> None:
    """src: S-A9b; reports of the key: mem."""
    voice = AsciiCatVoice(rig, 9)
    voice.received(b"AI1;")
    rig.tune(14_202_000)
    rig.key()

    assert voice.reports() == b"FA014202000;TX2;"


def test_change_over_the_wire_is_reported_to_every_host_that_asked(rig: Transceiver) -> None:
    one, other, deaf = AsciiCatVoice(rig), AsciiCatVoice(rig), AsciiCatVoice(rig)
    one.received(b"AI2;")
    other.received(b"AI2;")
    woken: list[str] = []
    one.on_report = lambda: woken.append("one")
    other.on_report = lambda: woken.append("other")

    one.received(b"FA00007010000;")
    assert woken == ["other"]
    assert [voice.reports() for voice in (one, other, deaf)] == [b"FA00007010000;", b"FA00007010000;", b""]


def test_nothing_is_reported_where_the_set_does_not_permit_it(rig: Transceiver) -> None:
    voice = AsciiCatVoice(rig)
    voice.received(b"AI2;")
    rig.push_permitted = False
    rig.tune(14_202_000)

    assert voice.reports() == b""


def test_switched_off_set_answers_only_about_power(rig: Transceiver) -> None:
    """src: mem."""
    voice = AsciiCatVoice(rig)
    assert voice.received(b"PS;PS0;FA;PS;") == b"PS1;PS0;"
    assert AsciiCatVoice(rig, 9).received(b"FA;TX1;") == b""
    assert voice.received(b"PS1;FA;") == b"FA00014195000;"
    assert rig.keyed_by_cat == 0


def test_meters_read_zero_unless_keyed(rig: Transceiver) -> None:
    """src: S-A9b for the layout; the scale is invented."""
    voice = AsciiCatVoice(rig, 9)
    assert voice.received(b"RM5;RM6;RM1;") == b"RM5000000;RM6000000;?;"
    rig.key()

    assert voice.received(b"RM5;") == b"RM5255000;"


def test_other_widths_are_no_dialect(rig: Transceiver) -> None:
    with pytest.raises(ValueError, match="10 frequency digits"):
        AsciiCatVoice(rig, 10)


def test_log_is_bounded() -> None:
    rig = Transceiver(faults=RigFaults(silent=True))
    AsciiCatVoice(rig).received(b"FA;" * 25_000)

    assert 5_000 <= len(rig.heard) <= 10_000
