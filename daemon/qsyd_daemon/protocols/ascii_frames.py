"""ASCII CAT messages: two letters, fixed-width parameters, a semicolon; no line ends.

Sources: makers' command references (layouts of FA, FB, IF and the errors: checked; MD, FR and FT of the eleven-digit
dialect and FT of the nine-digit one: from memory).
"""

from collections.abc import Callable

from qsyd_daemon.protocols.reports import (
    Fact,
    KeyedTold,
    ModeTold,
    Notice,
    ReceiveVfoTold,
    Report,
    SplitTold,
    Status,
    TransmitVfoTold,
    Vfo,
    VfoFrequency,
    is_plausible,
)
from qsyd_rules.words import Mode

MESSAGE_LENGTH_MAX = 64
"""Bytes before a semicolon; the longest known message has 37."""

MODES_11 = {
    ord("1"): Mode.LSB,
    ord("2"): Mode.USB,
    ord("3"): Mode.CW,
    ord("4"): Mode.FM,
    ord("5"): Mode.AM,
    ord("6"): Mode.DATA,  # FSK
    ord("7"): Mode.CW,  # CW reverse
    ord("9"): Mode.DATA,  # FSK reverse
}
"""Mode character of MD and IF, eleven-digit dialect. From memory."""

MODES_9 = {
    ord("1"): Mode.LSB,
    ord("2"): Mode.USB,
    ord("3"): Mode.CW,
    ord("4"): Mode.FM,
    ord("5"): Mode.AM,
    ord("6"): Mode.DATA,  # RTTY, lower
    ord("7"): Mode.CW,  # CW, lower
    ord("8"): Mode.DATA,  # data, lower
    ord("9"): Mode.DATA,  # RTTY, upper
    ord("A"): Mode.DATA,  # data, FM
    ord("B"): Mode.FM,  # narrow
    ord("C"): Mode.DATA,  # data, upper
    ord("D"): Mode.AM,  # narrow
    ord("E"): Mode.DATA,  # PSK
    ord("F"): Mode.DATA,  # data, narrow FM
}
"""Mode character of MD0 and IF, nine-digit dialect. From a compilation of makers' references, checked."""

_VFO_DIGITS = {ord("0"): Vfo.A, ord("1"): Vfo.B, ord("2"): Vfo.MEMORY}
_FLAGS = {ord("0"): False, ord("1"): True}
_ERRORS: dict[bytes, Notice] = {b"?": Notice.REFUSED, b"E": Notice.GARBLED, b"O": Notice.GARBLED}
"""Refused or not understood; line error; not finished (ask again). Checked."""
_PADDING = b"\r\n\0 "


class MessageSplitter:
    """Cuts a stream at semicolons and keeps the rest, at most `MESSAGE_LENGTH_MAX` bytes of it."""

    def __init__(self) -> None:
        self._fragment = b""
        self.damaged = 0
        """Overlong messages that were dropped."""

    def split(self, data: bytes) -> list[bytes]:
        """The messages that these bytes complete, without their semicolons."""
        parts = (self._fragment + data).split(b";")
        fragment = parts.pop()
        if len(fragment) > MESSAGE_LENGTH_MAX:
            fragment = b""
            self.damaged += 1
        self._fragment = fragment
        return parts

    def drop_fragment(self) -> None:
        """Forget the message begun."""
        self._fragment = b""


def decode_11(message: bytes) -> tuple[bytes, Report]:
    """Read a message of the eleven-digit dialect: the query it would answer, and what it says."""
    key = message[:2]
    fact: Fact | None
    match key:
        case b"FA" | b"FB":
            fact = _frequency(Vfo.A if key == b"FA" else Vfo.B, message, len(message) == 13)
        case b"IF":
            fact = _status_11(message)
        case b"MD":
            fact = ModeTold(MODES_11.get(message[2])) if _is_digit(message, 2) else None
        case b"FR" | b"FT":
            vfo = _VFO_DIGITS.get(message[2]) if len(message) == 3 else None
            fact = None if vfo is None else (ReceiveVfoTold(vfo) if key == b"FR" else TransmitVfoTold(vfo))
        case b"AI":
            return key, Notice.ACCEPTED
        case _:
            return _other(message, decode_11)
    return key, Notice.DAMAGED if fact is None else fact


def decode_9(message: bytes) -> tuple[bytes, Report]:
    """Read a message of the nine-digit dialect (eight digits will do); the main receiver counts as VFO A."""
    key = message[:2]
    fact: Fact | None = None
    match key:
        case b"FA" | b"FB":
            fact = _frequency(Vfo.A if key == b"FA" else Vfo.B, message, len(message) in (10, 11))
        case b"IF":
            fact = _status_9(message)
        case b"TX":
            if _is_digit(message, 2) and message[2] in b"012":  # keyed by CAT, or at the radio
                fact = KeyedTold(message[2] != ord("0"))
        case b"MD":
            if len(message) == 4 and message[2:3] == b"1":  # the sub receiver's
                return key, Notice.IGNORED
            if len(message) == 4 and message[2:3] == b"0" and message[3:].isalnum():
                fact = ModeTold(MODES_9.get(message[3]))
        case b"FT":
            if _is_digit(message, 2) and message[2] in b"0123":
                fact = SplitTold(message[2] in b"13")
        case b"ST":
            if _is_digit(message, 2) and message[2] in b"01":
                fact = SplitTold(message[2] == ord("1"))
        case b"AI":
            return key, Notice.ACCEPTED
        case _:
            return _other(message, decode_9)
    return key, Notice.DAMAGED if fact is None else fact


def _frequency(vfo: Vfo, message: bytes, has_length: bool) -> VfoFrequency | None:
    frequency_hz = _digits(message[2:]) if has_length else None
    return None if frequency_hz is None else VfoFrequency(vfo, frequency_hz)


def _digits(digits: bytes) -> int | None:
    """A frequency in hertz; None if it cannot be one. The oldest radios put spaces for the two GHz digits."""
    if not digits.isdigit() and not (len(digits) == 11 and digits[:2] == b"  " and digits[2:].isdigit()):
        return None
    frequency_hz = int(digits)
    return frequency_hz if is_plausible(frequency_hz) else None


def _is_digit(message: bytes, at: int) -> bool:
    """Whether the message ends with one digit at this place."""
    return len(message) == at + 1 and message[at:].isdigit()


def _status_11(message: bytes) -> Status | None:
    """The 37 bytes of IF. One offset field serves RIT and XIT; it moves the transmit frequency where XIT is on."""
    if len(message) != 37 or message[18] not in b"+- " or not message[19:23].isdigit():
        return None
    frequency_hz = _digits(message[2:13])
    transmitting = _FLAGS.get(message[28])
    vfo = _VFO_DIGITS.get(message[30])
    split = _FLAGS.get(message[32])
    if frequency_hz is None or transmitting is None or vfo is None or split is None or not message[29:30].isdigit():
        return None
    offset_hz = int(message[19:23]) if message[24:25] == b"1" else 0
    if message[18:19] == b"-":
        offset_hz = -offset_hz
    return Status(frequency_hz, MODES_11.get(message[29]), transmitting, vfo, split, offset_hz)


def _status_9(message: bytes) -> Status | None:
    """The 27 bytes of IF, 26 where the frequency has eight digits. It tells neither split nor transmitting."""
    length = len(message)
    if length not in (26, 27):
        return None
    frequency_hz = _digits(message[5 : length - 13])
    tail = message[length - 13 :]
    if frequency_hz is None or tail[0] not in b"+-" or not tail[1:5].isdigit() or not tail[7:8].isalnum():
        return None
    return Status(frequency_hz, MODES_9.get(tail[7]), None, None, None)


def _other(message: bytes, decode: Callable[[bytes], tuple[bytes, Report]]) -> tuple[bytes, Report]:
    error = _ERRORS.get(message)
    if error is not None:
        return b"", error
    unpadded = message.lstrip(_PADDING)
    if unpadded != message:
        return decode(unpadded)
    is_command = len(message) >= 2 and message.isascii() and message[:2].isalpha()
    return b"", Notice.IGNORED if is_command else Notice.DAMAGED
