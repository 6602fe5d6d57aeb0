"""CI-V's frames and numbers: `FE FE <to> <from> <command...> FD`, and pairs of decimal digits in a byte."""

from collections.abc import Iterator

PREAMBLE = 0xFE
END = 0xFD
JAM = 0xFC
FRAME_BYTES_MAX = 64
"""Generous: the longest frame here has 12 bytes."""


def frame(to: int, sender: int, payload: bytes) -> bytes:
    return bytes((PREAMBLE, PREAMBLE, to, sender)) + payload + bytes((END,))


def bcd_frequency(frequency_hz: int, count: int) -> bytes:
    """`count` bytes, 4 or 5, least significant pair first; a frequency that needs more is a `ValueError`."""
    if frequency_hz >= 100**count:
        raise ValueError(f"{frequency_hz} Hz does not fit into {count} bytes")
    return bytes.fromhex(f"{frequency_hz:0{2 * count}d}")[::-1]


def frequency_of(bcd: bytes, count: int) -> int:
    """The reverse; a wrong length or a nibble above 9 is a `ValueError`."""
    if len(bcd) != count:
        raise ValueError(f"{len(bcd)} bytes where a frequency has {count}")
    return _decimal(bcd[::-1])


def bcd_level(level: int) -> bytes:
    """0 to 255 as two bytes, most significant first: 128 is `01 28`."""
    return bytes.fromhex(f"{level:04d}")


def level_of(bcd: bytes) -> int:
    """The reverse; anything but two bytes of 0000 to 0255 is a `ValueError`."""
    level = _decimal(bcd)
    if len(bcd) != 2 or level > 255:
        raise ValueError(f"{bcd.hex(' ')} is not a level from 0000 to 0255")
    return level


def _decimal(bcd: bytes) -> int:
    digits = bcd.hex()
    if not digits.isdecimal():
        raise ValueError(f"{bcd.hex(' ')} is not decimal")
    return int(digits)


class FrameSplitter:
    """Cuts a stream into what lies between frame ends, across any fragmentation."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def pieces(self, data: bytes) -> Iterator[tuple[bytes, bytes | None]]:
        """Yield (bytes as they came, frame from its last preamble or None) for each end byte that arrives."""
        for byte in data:
            self._buffer.append(byte)
            if byte == END or len(self._buffer) >= FRAME_BYTES_MAX:
                raw = bytes(self._buffer)
                self._buffer.clear()
                yield raw, _frame_in(raw)


def _frame_in(raw: bytes) -> bytes | None:
    """The frame that ends `raw`: two preamble bytes, to, from, at least a command, end. More preamble is legal."""
    start = raw.rfind(bytes((PREAMBLE, PREAMBLE)))
    found = raw[start:]
    if start < 0 or len(found) < 6 or found[-1] != END or PREAMBLE in found[2:] or JAM in found[2:]:
        return None
    return found
