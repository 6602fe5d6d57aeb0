"""CI-V, byte for byte.

Sources: S-CIVa makers' chapters on the protocol; S-CIVb a 1980s tutorial (collisions) and a hobbyist's note (echo);
`mem` is from memory. Address 94 is an example only.
"""

import pytest

from qsyd_simulators.ci_v_voice import CiVVoice
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.transceiver import Transceiver, Vfo


def wire(text: str) -> bytes:
    return bytes.fromhex(text)


def command(text: str) -> bytes:
    return wire(f"FE FE 94 E0 {text} FD")


def answer(text: str) -> bytes:
    return wire(f"FE FE E0 94 {text} FD")


ACCEPTED = answer("FB")  # src: S-CIVa
REFUSED = answer("FA")  # src: S-CIVa


@pytest.fixture
def rig() -> Transceiver:
    return Transceiver(14_195_000, other_hz=14_250_000)


@pytest.fixture
def voice(rig: Transceiver) -> CiVVoice:
    return CiVVoice(rig, 0x94, echo=False)


def test_frequency_vectors(rig: Transceiver, voice: CiVVoice) -> None:
    assert voice.received(wire("FE FE 94 E0 03 FD")) == wire("FE FE E0 94 03 00 50 19 14 00 FD")  # S-CIVa, computed
    assert voice.received(wire("FE FE 94 E0 05 00 00 15 07 00 FD")) == ACCEPTED  # S-CIVa, computed
    assert rig.vfo_a_hz == 7_150_000
    rig.tune(12_345_678)
    assert voice.received(command("03")) == wire("FE FE E0 94 03 78 56 34 12 00 FD")  # S-CIVa, a maker's own example


def test_early_set_sends_four_bytes(rig: Transceiver) -> None:
    """src: a forum note; layout from memory."""
    voice = CiVVoice(rig, 0x04, frequency_bytes=4, echo=False)

    assert voice.received(wire("FE FE 04 E0 03 FD")) == wire("FE FE E0 04 03 00 50 19 14 FD")


def test_echo_comes_before_the_answer() -> None:
    """src: S-CIVb, computed from the layout."""
    voice = CiVVoice(Transceiver(1_840_000))

    assert voice.received(command("03")) == wire("FE FE 94 E0 03 FD FE FE E0 94 03 00 00 84 01 00 FD")


def test_echo_is_the_wires_and_outlives_the_set(rig: Transceiver) -> None:
    """Own bytes coming back prove no transceiver."""
    voice = CiVVoice(rig)
    rig.set_power(False)
    assert voice.received(command("03")) == command("03")

    rig.set_power(True)
    rig.faults.silent = True
    assert voice.received(command("03")) == command("03")


def test_dial_and_mode_turned_at_the_radio_are_broadcast(rig: Transceiver, voice: CiVVoice) -> None:
    rig.tune(3_550_000)
    assert voice.reports() == wire("FE FE 00 94 00 00 00 55 03 00 FD")  # S-CIVa, computed; broadcast address mem

    rig.set_mode(RigMode.CW)
    assert voice.reports() == wire("FE FE 00 94 01 03 01 FD")  # S-CIVa


def test_other_vfo_split_key_and_what_the_host_did_are_not_broadcast(rig: Transceiver, voice: CiVVoice) -> None:
    """src: S-CIVa (sent when the dial or mode is changed at the radio)."""
    rig.tune_vfo_b(14_260_000)
    rig.set_split(True)
    rig.key()
    voice.received(command("05 00 00 15 07 00"))
    assert voice.reports() == b""

    rig.push_permitted = False
    rig.tune(7_160_000)
    assert voice.reports() == b""


def test_swapped_vfos_are_broadcast_as_a_new_frequency(rig: Transceiver, voice: CiVVoice) -> None:
    rig.use_vfo(Vfo.B)

    assert voice.reports() == wire("FE FE 00 94 00 00 00 25 14 00 FD FE FE 00 94 01 01 01 FD")


def test_transmit_state_is_read_and_with_a_data_byte_keyed(rig: Transceiver, voice: CiVVoice) -> None:
    """src: S-CIVa."""
    assert voice.received(command("1C 00")) == wire("FE FE E0 94 1C 00 00 FD")
    rig.key()
    assert voice.received(command("1C 00")) == wire("FE FE E0 94 1C 00 01 FD")
    rig.unkey()
    assert rig.keyed_by_cat == 0

    assert voice.received(command("1C 00 01")) == ACCEPTED
    assert (rig.keyed, rig.keyed_by_cat) == (True, 1)
    assert voice.received(command("1C 00 00")) == ACCEPTED
    assert not rig.keyed


@pytest.mark.parametrize(
    ("code", "mode"),
    [
        ("00", "lsb"),
        ("01", "usb"),
        ("02", "am"),
        ("03", "cw"),
        ("04", "fsk"),
        ("05", "fm"),
        ("07", "cw-r"),
        ("08", "fsk-r"),
        ("12", "psk"),
        ("13", "psk-r"),
    ],
)
def test_mode_bytes(rig: Transceiver, voice: CiVVoice, code: str, mode: str) -> None:
    """src: S-CIVa; USB with filter 1 is a vector of its own, the filter may be missing."""
    assert voice.received(command(f"06 {code}")) == ACCEPTED
    assert rig.mode is RigMode(mode)
    assert voice.received(command("04")) == answer(f"04 {code} 01")
    assert voice.received(command(f"06 {code} 03")) == ACCEPTED
    assert rig.mode is RigMode(mode)


def test_split_and_both_vfos(rig: Transceiver, voice: CiVVoice) -> None:
    """src: mem."""
    assert voice.received(command("0F")) == answer("0F 00")
    assert voice.received(command("0F 01")) == ACCEPTED
    assert voice.received(command("0F")) == answer("0F 01")
    assert rig.transmit_hz == 14_250_000
    assert voice.received(command("25 00")) == answer("25 00 00 50 19 14 00")
    assert voice.received(command("25 01")) == answer("25 01 00 00 25 14 00")
    rig.set_mode(RigMode.DATA_U, Vfo.B)
    assert voice.received(command("26 00")) == answer("26 00 01 00 01")
    assert voice.received(command("26 01")) == answer("26 01 01 01 01")
    assert voice.received(command("25 01 00 00 26 14 00")) == ACCEPTED
    assert voice.received(command("26 01 03 00 01")) == ACCEPTED
    assert (rig.vfo_b_hz, rig.mode_of(Vfo.B), rig.mode) == (14_260_000, RigMode.CW, RigMode.USB)


def test_selected_may_become_the_transmit_vfo_while_keyed(rig: Transceiver, voice: CiVVoice) -> None:
    """src: mem."""
    rig.shows_transmit_vfo = True
    rig.set_split(True)
    rig.key()

    assert voice.received(command("03")) == answer("03 00 00 25 14 00")
    assert voice.received(command("25 01")) == answer("25 01 00 50 19 14 00")


def test_older_set_refuses_what_it_lacks(rig: Transceiver) -> None:
    """src: mem."""
    voice = CiVVoice(rig, echo=False, reads_split=False, reads_other_vfo=False)

    assert voice.received(command("0F")) == REFUSED
    assert voice.received(command("0F 01")) == ACCEPTED
    assert voice.received(command("25 00")) == REFUSED
    assert voice.received(command("26 01")) == REFUSED


def test_power_setting_meters_and_identity(rig: Transceiver, voice: CiVVoice) -> None:
    assert voice.received(command("14 0A 01 28")) == ACCEPTED  # src: S-CIVa, computed; byte order mem
    assert voice.received(command("14 0A")) == answer("14 0A 01 28")
    assert rig.drive_mw == pytest.approx(50_196)  # 128 of 255 of 100 W, computed
    assert voice.received(command("15 11")) == answer("15 11 00 00")  # src: S-CIVa
    rig.key()
    assert voice.received(command("15 11")) == answer("15 11 01 28")
    for swr, level in ((1.0, "00 00"), (1.5, "00 48"), (2.0, "00 80"), (3.0, "01 20"), (9.0, "01 20")):  # src: mem
        rig.swr = swr
        assert voice.received(command("15 12")) == answer(f"15 12 {level}")
    assert voice.received(command("19 00")) == answer("19 00 94")  # src: S-CIVa


def test_power_off_and_on(rig: Transceiver, voice: CiVVoice) -> None:
    """src: S-CIVa for 18 01 behind extra FE bytes; 18 00 mem."""
    assert voice.received(command("18 00")) == ACCEPTED
    assert voice.received(command("03")) == b""
    assert voice.received(b"\xfe" * 14 + command("18 01")) == ACCEPTED
    assert rig.powered


@pytest.mark.parametrize(
    "text",
    [
        "7F",
        "05 00 00 1A 07 00",
        "05 00 00 15 07",
        "05 00 00 00 99 00",
        "06 06",
        "06 01 09",
        "14 0A 02 56",
        "1C 05",
        "0F 02",
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(rig: Transceiver, voice: CiVVoice, text: str) -> None:
    """src: S-CIVa (FA)."""
    assert voice.received(command(text)) == REFUSED
    assert (rig.vfo_a_hz, rig.mode, rig.split, rig.keyed) == (14_195_000, RigMode.USB, False, False)


def test_unsolicited_kinds_are_obeyed_and_never_answered(rig: Transceiver, voice: CiVVoice) -> None:
    """src: S-CIVa; "never answered" mem."""
    assert voice.received(command("00 00 00 15 07 00") + command("01 03 01")) == b""
    assert (rig.vfo_a_hz, rig.mode) == (7_150_000, RigMode.CW)


@pytest.mark.parametrize(
    "noise",
    [
        "FE FE FE FE 94 E0 03 FD",  # extra preamble is legal; src: S-CIVa
        "00 FD 13 FE FE 94 E0 03 FD",
        "FE FE 94 E0 05 00 FE FE 94 E0 03 FD",  # an FE in the middle starts afresh
        "FE FE 94 E0 FC FC FC FD FE FE 94 E0 03 FD",  # src: mem, a collision: discard
        "FE FE FD FE FE 94 FD FE FE 94 E0 03 FD",
        "FE FE 95 E0 03 FD FE FE 94 E0 03 FD",  # another set's
    ],
)
def test_frames_are_found_among_noise_byte_by_byte(voice: CiVVoice, noise: str) -> None:
    answers = b"".join(voice.received(bytes((byte,))) for byte in wire(noise))

    assert answers == answer("03 00 50 19 14 00")


def test_endless_noise_is_forgotten(voice: CiVVoice) -> None:
    voice.received(b"\xfe\xfe" + b"\x00" * 10_000)

    assert voice.received(b"\xfd" + command("03")) == answer("03 00 50 19 14 00")


def test_collision_jams_the_echo_and_nothing_is_obeyed(rig: Transceiver) -> None:
    """src: mem for the jam code; S-CIVb for the rest."""
    voice = CiVVoice(rig)
    rig.faults.collide_every = 2

    assert voice.received(command("03")).endswith(answer("03 00 50 19 14 00"))
    assert voice.received(command("05 00 00 15 07 00")) == wire("FE FE 94 E0 FC FC FC FD")
    assert rig.vfo_a_hz == 14_195_000


@pytest.mark.parametrize(("arguments", "message"), [((0xE0, 5), "address 0xe0"), ((0x94, 3), "3 frequency bytes")])
def test_set_that_cannot_be_is_an_error(rig: Transceiver, arguments: tuple[int, int], message: str) -> None:
    address, frequency_bytes = arguments
    with pytest.raises(ValueError, match=message):
        CiVVoice(rig, address, frequency_bytes=frequency_bytes)
