"""Lines from bytes that come in whatever pieces."""

import re
from collections.abc import Iterator

LINE_BYTES_MAX = 256
"""Longest line taken from a device. A longer one is damaged, and acknowledges nothing."""

_LINE_END = re.compile(rb"[\r\n]")


class LineSplitter:
    """Lines end with CR or LF; what cannot be decoded in them is left out, and so are empty ones."""

    __slots__ = ("_partial", "_skips")

    def __init__(self) -> None:
        self._partial = b""
        self._skips = False

    def reset(self) -> None:
        """What has begun will not end."""
        self._partial, self._skips = b"", False

    def skip_begun(self) -> None:
        """Leave out the line that has begun, if one has."""
        self._skips = bool(self._partial)
        self._partial = b""

    def split(self, data: bytes) -> Iterator[tuple[str, bool]]:
        """Each line that ends in `data`, and whether it is whole: of one too long only the beginning is known."""
        *ends, partial = _LINE_END.split(data)
        for end in ends:
            line, self._partial = self._partial + end, b""
            text = line[:LINE_BYTES_MAX].decode(errors="ignore")
            if self._skips:
                self._skips = False
            elif text:
                yield text, len(line) <= LINE_BYTES_MAX
        self._partial = (self._partial + partial)[: LINE_BYTES_MAX + 1]
