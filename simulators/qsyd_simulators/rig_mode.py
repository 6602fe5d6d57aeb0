"""Modes by the names a transceiver's panel has for them."""

from enum import StrEnum

from qsyd_rules.words import Mode


class RigMode(StrEnum):
    """A mode of the transceiver; the values are what its console understands."""

    LSB = "lsb"
    USB = "usb"
    CW = "cw"
    CW_R = "cw-r"
    AM = "am"
    AM_N = "am-n"
    FM = "fm"
    FM_N = "fm-n"
    FSK = "fsk"
    FSK_R = "fsk-r"
    PSK = "psk"
    PSK_R = "psk-r"
    DATA_L = "data-l"
    DATA_U = "data-u"
    DATA_FM = "data-fm"
    DATA_FM_N = "data-fm-n"

    @property
    def trade_mode(self) -> Mode:
        """The emission this is, as rules name it: RTTY, PSK and sound-card modes are data."""
        match self:
            case RigMode.LSB:
                return Mode.LSB
            case RigMode.USB:
                return Mode.USB
            case RigMode.CW | RigMode.CW_R:
                return Mode.CW
            case RigMode.AM | RigMode.AM_N:
                return Mode.AM
            case RigMode.FM | RigMode.FM_N:
                return Mode.FM
            case _:
                return Mode.DATA
