"""The transceiver itself, without a wire."""

import pytest

from qsyd_rules.words import Mode
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.transceiver import Change, Transceiver, Vfo


def test_split_transmits_on_the_other_vfo() -> None:
    rig = Transceiver(14_195_000, other_hz=14_210_000)
    assert (rig.split, rig.transmit_hz) == (False, 14_195_000)

    rig.set_split(True)
    assert (rig.split, rig.transmit_hz) == (True, 14_210_000)

    rig.use_vfo(Vfo.B)
    assert (rig.vfo_in_use, rig.split, rig.transmit_hz) == (Vfo.B, True, 14_195_000)

    rig.tune(14_215_000)
    assert (rig.vfo_a_hz, rig.vfo_b_hz) == (14_195_000, 14_215_000)


def test_xit_moves_the_transmit_frequency_and_rit_does_not() -> None:
    rig = Transceiver(7_010_000)
    rig.set_offset(-120, rit=True)
    assert rig.transmit_hz == 7_010_000

    rig.set_offset(-120, xit=True)
    assert rig.transmit_hz == 7_009_880


def test_listeners_hear_of_real_changes_only_until_they_leave() -> None:
    rig = Transceiver(7_010_000)
    heard: list[Change] = []
    leave = rig.subscribe(heard.append)

    rig.tune(7_010_000)
    rig.set_mode(RigMode.USB)
    rig.set_split(False)
    rig.unkey()
    assert heard == []

    rig.tune(7_011_000)
    rig.tune_vfo_b(7_012_000)
    rig.set_split(True)
    rig.set_mode(RigMode.CW_R)
    rig.key()
    assert heard == [Change.VFO_A, Change.VFO_B, Change.TRANSMIT_VFO, Change.MODE, Change.KEYED]

    leave()
    leave()
    rig.tune(7_013_000)
    assert len(heard) == 5


def test_only_commands_count_as_keyed_by_cat() -> None:
    rig = Transceiver()
    rig.key()
    assert (rig.keyed, rig.keyed_by_cat) == (True, 0)

    rig.key_by_command()
    rig.unkey()
    assert (rig.keyed, rig.keyed_by_cat) == (True, 1)

    rig.unkey_by_command()
    assert not rig.keyed


def test_switched_off_set_is_not_keyed() -> None:
    rig = Transceiver()
    rig.key()
    rig.set_power(False)
    assert not rig.keyed

    rig.key()
    assert not rig.keyed


@pytest.mark.parametrize(
    ("mode", "trade_mode"),
    [
        (RigMode.CW_R, Mode.CW),
        (RigMode.FSK, Mode.DATA),
        (RigMode.PSK_R, Mode.DATA),
        (RigMode.DATA_FM, Mode.DATA),
        (RigMode.FM_N, Mode.FM),
        (RigMode.AM_N, Mode.AM),
        (RigMode.LSB, Mode.LSB),
        (RigMode.USB, Mode.USB),
    ],
)
def test_modes_of_the_panel_are_emissions_of_the_trade(mode: RigMode, trade_mode: Mode) -> None:
    """RTTY and PSK are data, CW-reverse is CW, narrow is no emission of its own."""
    assert mode.trade_mode is trade_mode


@pytest.mark.parametrize("frequency_hz", [0, 29_999, 60_000_001, -7_000_000])
def test_frequency_it_cannot_have_is_refused_and_changes_nothing(frequency_hz: int) -> None:
    rig = Transceiver(7_010_000)

    with pytest.raises(ValueError, match="outside what this set tunes"):
        rig.tune(frequency_hz)
    assert rig.vfo_a_hz == 7_010_000
