"""The events of late, numbered; telling one costs the same whether nobody follows or a thousand do.

An event is only noted in the call that tells it. Its bytes are made once, later, by whoever carries it to those who
follow (`broadcast`), so that nothing of theirs stands before what a device is told.
"""

import json
import secrets
from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

KEPT = 1_000
"""Events kept for those who come back, and for those who read slowly."""


@dataclass(slots=True)
class Numbered:
    """One event and its number; its bytes are made once, for whoever is first to need them."""

    number: int
    line: Mapping[str, Any]
    begin_bytes: int = 0
    """Bytes of all events before it, since they were first followed."""
    _block: bytes | None = None

    def block(self, run: str) -> bytes:
        """As server-sent events write it (WHATWG HTML, section 9.2)."""
        if self._block is None:
            self._block = block(str(self.line["event"]), self.line, f"{run}-{self.number}")
        return self._block


def block(event: str, data: Mapping[str, Any], number: str | None = None) -> bytes:
    """One event of a stream. JSON has no line end in it, so that one `data:` holds it."""
    text = json.dumps(data, separators=(",", ":"))
    head = f"id: {number}\n" if number is not None else ""
    return f"{head}event: {event}\ndata: {text}\n\n".encode()


class EventRing:
    """Hears every event of the station. Numbers begin anew with each start, so they carry a word for the run."""

    def __init__(self) -> None:
        self.run = secrets.token_hex(4)
        self.last = 0
        self.ready = 0
        """The newest event whose bytes have been made; those who follow get no further."""
        self.closed = False
        self.told: Callable[[], None] | None = None
        """Called after each event while somebody follows."""
        self._kept: deque[Numbered] = deque(maxlen=KEPT)
        self._raw: deque[Numbered] = deque(maxlen=KEPT)
        """Those whose bytes are still to be made; what is not kept any more needs none."""
        self._bytes = 0

    def tell(self, line: Mapping[str, Any]) -> None:
        """One event more. The mapping must not change afterwards."""
        self.last += 1
        numbered = Numbered(self.last, line, self._bytes)
        self._kept.append(numbered)
        if self.told is None:
            self.ready = self.last
        else:
            self._raw.append(numbered)
            self.told()

    def make_ready(self, most: int) -> None:
        """Make the bytes of so many events at most."""
        for _ in range(min(most, len(self._raw))):
            numbered = self._raw.popleft()
            numbered.begin_bytes = self._bytes
            self._bytes += len(numbered.block(self.run))
            self.ready = numbered.number

    def nobody_follows(self) -> None:
        """The bytes of what has been told are not needed any more."""
        self.told = None
        self._raw.clear()
        self.ready = self.last

    @property
    def last_id(self) -> str:
        """The number of the newest event, as streams write it."""
        return f"{self.run}-{self.last}"

    def newest(self, events: Collection[str], most: int) -> list[Mapping[str, Any]]:
        """The newest events of these names that are still kept, newest first."""
        found = (each.line for each in reversed(self._kept) if each.line["event"] in events)
        return list(islice(found, most))

    def since(self, last_id: str) -> list[bytes] | None:
        """The events after one that somebody has seen last; None where that cannot be told any more."""
        run, _, text = last_id.rpartition("-")
        if run != self.run or not (text.isascii() and text.isdecimal() and len(text) < 20):
            return None
        number = int(text)
        oldest = self._kept[0].number if self._kept else self.last + 1
        if number > self.last or number < oldest - 1:
            return None
        return [each.block(self.run) for each in self._kept if each.number > number]

    def waiting(self, number: int) -> int | None:
        """Bytes of the ready events after this number; None where they are not kept any more."""
        if number >= self.last:
            return 0
        index = number + 1 - self._kept[0].number
        if index < 0:
            return None
        return self._bytes - self._kept[index].begin_bytes if number < self.ready else 0

    def part(self, number: int, events_max: int, bytes_max: int) -> tuple[int, bytes]:
        """The ready events after this number as one piece, one at least, and the number of its last."""
        index = number + 1 - self._kept[0].number
        end = min(index + events_max, index + self.ready - number)
        blocks: list[bytes] = []
        size = 0
        for each in islice(self._kept, index, end):
            made = each.block(self.run)
            if blocks and size + len(made) > bytes_max:
                break
            blocks.append(made)
            size += len(made)
        return number + len(blocks), b"".join(blocks)

    def close(self) -> None:
        """The daemon ends."""
        self.closed = True
