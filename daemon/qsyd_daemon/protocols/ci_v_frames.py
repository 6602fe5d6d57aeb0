"""CI-V frames: `FE FE to from command data FD` on a wire that several stations share.

Sources: makers' CI-V chapters (frames, frequency, modes: checked), a tutorial on CI-V (echo, collision: checked). The
jam code FC, the split read 0F, and 25 and 26 are from memory.
"""

from qsyd_daemon.protocols.reports import (
    Fact,
    KeyedTold,
    ModeTold,
    Notice,
    Report,
    SplitTold,
    Vfo,
    VfoFrequency,
    is_plausible,
)
from qsyd_rules.words import Mode

CONTROLLER = 0xE0
BROADCAST = 0x00
FRAME_LENGTH_MAX = 64
"""Bytes of a frame without its two leading FE and its FD; generous."""

JAM = b"\xfc"
"""Stands for a collision among the frames that the splitter hands out."""

MODES = {
    0x00: Mode.LSB,
    0x01: Mode.USB,
    0x02: Mode.AM,
    0x03: Mode.CW,
    0x04: Mode.DATA,  # RTTY
    0x05: Mode.FM,
    0x07: Mode.CW,  # CW reverse
    0x08: Mode.DATA,  # RTTY reverse
    0x12: Mode.DATA,  # PSK
    0x13: Mode.DATA,  # PSK reverse
}
"""Mode byte of commands 01, 04 and 26."""

UNASKED = b""
"""The key of what is no answer."""


class FrameSplitter:
    """Cuts a stream into frames; what is no frame is dropped and counted. Keeps at most `FRAME_LENGTH_MAX` bytes."""

    def __init__(self) -> None:
        self._fragment = b""
        self.damaged = 0

    def split(self, data: bytes) -> list[bytes]:
        """The frames that these bytes complete, from `to` to the last data byte; `JAM` where a collision was seen."""
        frames: list[bytes] = []
        parts = (self._fragment + data).split(b"\xfd")
        fragment = self._after_jam(parts.pop(), frames)
        if len(fragment) > FRAME_LENGTH_MAX + 2:  # start again from a frame that may have begun since
            start = fragment.rfind(b"\xfe\xfe")
            fragment = fragment[start:] if 0 < start >= len(fragment) - FRAME_LENGTH_MAX else b""
            self.damaged += 1
        if not parts:
            self._fragment = fragment
            return frames
        jammed_last, frames = frames, []
        for part in parts:
            whole = self._after_jam(part, frames)
            start = whole.rfind(b"\xfe\xfe")
            frame = whole[start + 2 :]
            if start < 0 or len(frame) > FRAME_LENGTH_MAX or b"\xfe" in frame:
                self.damaged += bool(whole)
            else:
                frames.append(frame)
        self._fragment = fragment
        return frames + jammed_last

    def drop_fragment(self) -> None:
        """Forget the frame begun."""
        self._fragment = b""

    @staticmethod
    def _after_jam(part: bytes, frames: list[bytes]) -> bytes:
        """What follows the last jam code; all discard what they were receiving before it."""
        jam = part.rfind(JAM)
        if jam < 0:
            return part
        frames.append(JAM)
        return part[jam + 1 :]


def decode_command(frame: bytes) -> tuple[bytes, Report]:
    """Read a frame from the rig to us: the query it would answer (its command and sub-command), and what it says."""
    key, data = frame[2:3], frame[3:]
    fact: Fact | None = None
    match key:
        case b"\xfa" | b"\xfb":  # FB accepts a setting, so it answers no read
            refused = Notice.REFUSED if key == b"\xfa" else Notice.IGNORED
            return UNASKED, refused if not data else Notice.DAMAGED
        case b"\x03":
            fact = _frequency(Vfo.A, data)
        case b"\x00":
            key, fact = UNASKED, _frequency(Vfo.A, data)
        case b"\x04":
            fact = _mode(data)
        case b"\x01":
            key, fact = UNASKED, _mode(data)
        case b"\x0f":
            fact = _split(data)
        case b"\x1c" | b"\x25" | b"\x26":
            key = frame[2:4]
            return _decode_sub_command(key, frame[4:])
        case _:
            return UNASKED, Notice.IGNORED
    return key, Notice.DAMAGED if fact is None else fact


def _decode_sub_command(key: bytes, data: bytes) -> tuple[bytes, Report]:
    fact: Fact | None = None
    match key:
        case b"\x1c\x00":
            fact = KeyedTold(data == b"\x01") if data in (b"\x00", b"\x01") else None
        case b"\x25\x00":
            fact = _frequency(Vfo.A, data)
        case b"\x25\x01":
            fact = _frequency(Vfo.B, data)
        case b"\x26\x00":
            fact = _mode_with_data_flag(data)
        case _:
            return UNASKED, Notice.IGNORED
    return key, Notice.DAMAGED if fact is None else fact


def frequency_from_bcd(data: bytes) -> int | None:
    """Hertz from four or five bytes, two decimal digits each, the least significant first; None if damaged."""
    if len(data) not in (4, 5):
        return None
    digits = data[::-1].hex()
    if not digits.isdecimal():  # a nibble above 9
        return None
    frequency_hz = int(digits)
    return frequency_hz if is_plausible(frequency_hz) else None


def frequency_to_bcd(frequency_hz: int, count: int) -> bytes:
    """The reverse: `count` bytes, for a frequency of at most twice as many digits."""
    digits = f"{frequency_hz:0{2 * count}d}"
    return bytes(16 * int(digits[at]) + int(digits[at + 1]) for at in range(2 * count - 2, -1, -2))


def _frequency(vfo: Vfo, data: bytes) -> VfoFrequency | None:
    frequency_hz = frequency_from_bcd(data)
    return None if frequency_hz is None else VfoFrequency(vfo, frequency_hz)


def _mode(data: bytes) -> ModeTold | None:
    """Mode and filter; the filter may be missing."""
    if len(data) not in (1, 2) or not data.hex().isdecimal():
        return None
    return ModeTold(MODES.get(data[0]))


def _mode_with_data_flag(data: bytes) -> ModeTold | None:
    if len(data) not in (2, 3) or not data.hex().isdecimal():
        return None
    return ModeTold(MODES.get(data[0]), data=data[1] != 0)


def _split(data: bytes) -> SplitTold | None:
    """Split off or on; 10 is simplex and 11, 12 a repeater offset on FM sets, the size of which is not told."""
    match data:
        case b"\x00" | b"\x10":
            return SplitTold(False)
        case b"\x01":
            return SplitTold(True)
        case b"\x11" | b"\x12":
            return SplitTold(True, offset=True)
        case _:
            return None
