"""Mode characters of the two ASCII CAT dialects."""

from qsyd_simulators.rig_mode import RigMode

A11_CODES: dict[RigMode, str] = {
    RigMode.LSB: "1",
    RigMode.USB: "2",
    RigMode.CW: "3",
    RigMode.FM: "4",
    RigMode.AM: "5",
    RigMode.FSK: "6",
    RigMode.CW_R: "7",
    RigMode.FSK_R: "9",
}
"""MD with eleven-digit frequencies; 8 is unused. From memory."""

A11_NEAREST: dict[RigMode, RigMode] = {
    RigMode.AM_N: RigMode.AM,
    RigMode.FM_N: RigMode.FM,
    RigMode.DATA_FM: RigMode.FM,
    RigMode.DATA_FM_N: RigMode.FM,
    RigMode.DATA_U: RigMode.USB,
    RigMode.DATA_L: RigMode.LSB,
    RigMode.PSK: RigMode.USB,
    RigMode.PSK_R: RigMode.LSB,
}
"""What this dialect calls a mode it has no character for. From memory: data is a flag beside the sideband there."""

A9_CODES: dict[RigMode, str] = {
    RigMode.LSB: "1",
    RigMode.USB: "2",
    RigMode.CW: "3",
    RigMode.FM: "4",
    RigMode.AM: "5",
    RigMode.FSK: "6",
    RigMode.CW_R: "7",
    RigMode.DATA_L: "8",
    RigMode.FSK_R: "9",
    RigMode.DATA_FM: "A",
    RigMode.FM_N: "B",
    RigMode.DATA_U: "C",
    RigMode.AM_N: "D",
    RigMode.PSK: "E",
    RigMode.DATA_FM_N: "F",
}
"""MD0 with nine-digit frequencies: CW-U is CW here, CW-L is CW-R, RTTY-L is FSK and RTTY-U is FSK-R. A public
compilation of makers' references."""

A9_NEAREST: dict[RigMode, RigMode] = {RigMode.PSK_R: RigMode.PSK}


def a11_code(mode: RigMode) -> str:
    return A11_CODES[A11_NEAREST.get(mode, mode)]


def a9_code(mode: RigMode) -> str:
    return A9_CODES[A9_NEAREST.get(mode, mode)]


A11_MODES = {code: mode for mode, code in A11_CODES.items()}
A9_MODES = {code: mode for mode, code in A9_CODES.items()}
