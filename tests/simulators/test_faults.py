"""Each trouble of a transceiver's wire, asked for by name."""

import pytest

from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.ci_v_voice import CiVVoice
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.transceiver import Transceiver

READ = b"FA;"
ANSWER = b"FA00014195000;"
CI_V_READ = bytes.fromhex("FE FE 94 E0 03 FD")
CI_V_ANSWER = bytes.fromhex("FE FE E0 94 03 00 50 19 14 00 FD")


def voice_with(faults: RigFaults, digits: int = 11) -> AsciiCatVoice:
    return AsciiCatVoice(Transceiver(14_195_000, faults=faults), digits)


def test_silent_set_still_hears_and_obeys() -> None:
    voice = voice_with(RigFaults(silent=True))
    assert voice.received(b"AI2;TX;FA00007000000;" + READ) == b""
    assert voice.reports() == b""
    assert (voice.transceiver.keyed_by_cat, voice.transceiver.vfo_a_hz) == (1, 7_000_000)

    voice.faults.silent = False
    assert voice.received(READ) == b"FA00007000000;"


def test_noise_before_answers_repeats_with_its_seed() -> None:
    def noisy(seed: int) -> bytes:
        return voice_with(RigFaults(garbage_bytes=7, seed=seed)).received(READ * 2)

    assert noisy(1) == noisy(1)
    assert noisy(1) != noisy(2)
    assert len(noisy(1)) == 2 * (7 + len(ANSWER))
    assert noisy(1)[7:21] == noisy(1)[28:] == ANSWER
    assert noisy(1)[:7] != noisy(1)[21:28]


def test_refused_commands_are_chosen_by_how_they_begin() -> None:
    voice = voice_with(RigFaults(refuse={b"FB", b"AI2"}))
    assert voice.received(b"fb;FB00007000000;AI2;AI1;AI;FA;") == b"?;?;?;AI1;" + ANSWER
    assert voice.transceiver.vfo_b_hz == 14_195_000

    ci_v = CiVVoice(Transceiver(14_195_000, faults=RigFaults(refuse={b"\x25\x01"})), echo=False)
    refused = bytes.fromhex("FE FE E0 94 FA FD")
    assert ci_v.received(bytes.fromhex("FE FE 94 E0 25 01 FD")) == refused
    assert ci_v.received(bytes.fromhex("FE FE 94 E0 25 00 FD")) != refused


def test_busy_set_says_so_each_third_time_and_does_not_obey() -> None:
    """`?;` here often means busy just now. src: S-A9b, a public compilation of makers' references."""
    voice = voice_with(RigFaults(busy_every=3), digits=9)

    assert voice.received(b"FA;" * 4) == b"FA014195000;FA014195000;?;FA014195000;"
    voice.received(b"FA;TX1;")
    assert voice.transceiver.keyed_by_cat == 0


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        (RigFaults(drop_every=2), ANSWER + ANSWER),
        (RigFaults(half_frame_every=2), ANSWER + b"FA00014" + ANSWER),
        (RigFaults(drop_every=1), b""),
    ],
)
def test_answers_are_lost_or_break_off(faults: RigFaults, said: bytes) -> None:
    assert voice_with(faults).received(READ * 3) == said


def test_answers_in_binary_break_off_too() -> None:
    voice = CiVVoice(Transceiver(14_195_000, faults=RigFaults(half_frame_every=1)), echo=False)

    assert voice.received(CI_V_READ) == CI_V_ANSWER[:5]


def test_reports_meet_the_same_faults() -> None:
    rig = Transceiver(14_195_000, faults=RigFaults(drop_every=2))
    voice = CiVVoice(rig)
    for frequency_hz in (14_196_000, 14_197_000, 14_198_000):
        rig.tune(frequency_hz)

    assert voice.reports() == bytes.fromhex("FE FE 00 94 00 00 60 19 14 00 FD FE FE 00 94 00 00 80 19 14 00 FD")


def test_reports_that_nobody_takes_do_not_grow_for_ever() -> None:
    rig = Transceiver(14_000_000)
    voice = CiVVoice(rig)
    for step in range(10_000):
        rig.tune(14_000_000 + 10 * (step % 2 + 1))

    assert 0 < len(voice.reports()) <= 65_536
