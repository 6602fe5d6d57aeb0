"""CI-V's mode bytes, with the data flag that newer sets have beside them."""

from qsyd_simulators.rig_mode import RigMode

_CODES: dict[RigMode, tuple[int, int, int]] = {
    RigMode.LSB: (0x00, 0, 1),
    RigMode.USB: (0x01, 0, 1),
    RigMode.AM: (0x02, 0, 1),
    RigMode.AM_N: (0x02, 0, 2),
    RigMode.CW: (0x03, 0, 1),
    RigMode.FSK: (0x04, 0, 1),
    RigMode.FM: (0x05, 0, 1),
    RigMode.FM_N: (0x05, 0, 2),
    RigMode.CW_R: (0x07, 0, 1),
    RigMode.FSK_R: (0x08, 0, 1),
    RigMode.PSK: (0x12, 0, 1),
    RigMode.PSK_R: (0x13, 0, 1),
    RigMode.DATA_L: (0x00, 1, 1),
    RigMode.DATA_U: (0x01, 1, 1),
    RigMode.DATA_FM: (0x05, 1, 1),
    RigMode.DATA_FM_N: (0x05, 1, 2),
}
"""Mode byte, data flag, filter. Mode bytes and filters 1 to 3 from makers' CI-V chapters; that filter 2 is the narrow
one, and the flag, from memory."""

_MODES = {codes: mode for mode, codes in _CODES.items()}


def codes_of(mode: RigMode) -> tuple[int, int, int]:
    """Mode byte, data flag and filter of a mode."""
    return _CODES[mode]


def mode_of(code: int, data: int = 0, filter_number: int = 1) -> RigMode:
    """The mode that bytes ask for; a filter without a mode of its own counts as 1. Unknown ones are a `ValueError`."""
    mode = _MODES.get((code, data, filter_number)) or _MODES.get((code, data, 1))
    if mode is None or filter_number not in (1, 2, 3):
        raise ValueError(f"no mode has code {code:02X}, data {data:02X}, filter {filter_number:02X}")
    return mode
