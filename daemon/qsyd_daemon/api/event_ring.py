"""The events of late, numbered, and those who follow them: nobody who reads slowly delays anything.

Each follower has a queue bounded in events and bytes. Whoever falls further behind is told so and let go; the station
never waits.
"""

import asyncio
import itertools
import json
import secrets
from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

KEPT = 1_000
"""Events kept for those who come back."""


@dataclass(slots=True)
class Numbered:
    """One event and its number; its bytes are made once, for whoever is first to need them."""

    number: int
    line: Mapping[str, Any]
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


@dataclass(eq=False, slots=True)
class Follower:
    """One who follows. `lagged` once more waited than it may; then nothing is queued any more."""

    events_max: int
    bytes_max: int
    lagged: bool = False
    woken: asyncio.Event = field(default_factory=asyncio.Event)
    _blocks: deque[bytes] = field(default_factory=deque)
    _bytes: int = 0

    def put(self, data: bytes) -> None:
        """Queue one block."""
        if self.lagged:
            return
        self._bytes += len(data)
        if len(self._blocks) >= self.events_max or self._bytes > self.bytes_max:
            self.lagged = True
            self._blocks.clear()
        else:
            self._blocks.append(data)
        self.woken.set()

    def take(self) -> bytes:
        """All that waits."""
        data = b"".join(self._blocks)
        self._blocks.clear()
        self._bytes = 0
        self.woken.clear()
        return data


class EventRing:
    """Hears every event of the station. Numbers begin anew with each start, so they carry a word for the run."""

    def __init__(self) -> None:
        self.run = secrets.token_hex(4)
        self.last = 0
        self.closed = False
        self._kept: deque[Numbered] = deque(maxlen=KEPT)
        self._followers: set[Follower] = set()

    def tell(self, line: Mapping[str, Any]) -> None:
        """One event more. The mapping must not change afterwards."""
        self.last += 1
        numbered = Numbered(self.last, line)
        self._kept.append(numbered)
        for follower in self._followers:
            follower.put(numbered.block(self.run))

    @property
    def last_id(self) -> str:
        """The number of the newest event, as streams write it."""
        return f"{self.run}-{self.last}"

    def newest(self, events: Collection[str], most: int) -> list[Mapping[str, Any]]:
        """The newest events of these names that are still kept, newest first."""
        found = (each.line for each in reversed(self._kept) if each.line["event"] in events)
        return list(itertools.islice(found, most))

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

    def follow(self, events_max: int, bytes_max: int) -> Follower:
        """Follow from now on."""
        follower = Follower(events_max, bytes_max)
        self._followers.add(follower)
        if self.closed:
            follower.woken.set()
        return follower

    def leave(self, follower: Follower) -> None:
        """Follow no longer."""
        self._followers.discard(follower)

    def close(self) -> None:
        """The daemon ends: every stream ends."""
        self.closed = True
        for follower in self._followers:
            follower.woken.set()
