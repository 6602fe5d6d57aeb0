"""Events on their way to the journal: bounded, the oldest dropped first, and the dropped counted."""

import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Event = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Batch:
    """Events taken to be written, oldest first, and how many were dropped before them."""

    events: list[Event]
    dropped: int

    def as_written(self) -> list[Event]:
        """The events; first of all, where some were dropped, a warning that says so."""
        if not self.dropped:
            return self.events
        were = "event was" if self.dropped == 1 else "events were"
        warning = {
            "at": self.events[0].get("at"),
            "time": self.events[0].get("time"),
            "event": "warning",
            "code": "journal-dropped",
            "text": f"{self.dropped} {were} not journalled: the disk did not keep up",
            "rule": None,
        }
        return [warning, *self.events]


class EventQueue:
    """Takes events from any thread in constant time; its lock is never held while anything is written."""

    def __init__(self, events_max: int) -> None:
        self._events_max = events_max
        self._events: deque[Event] = deque()
        self._lock = threading.Lock()
        self._dropped = 0
        self._dropped_told = 0

    @property
    def dropped(self) -> int:
        """Events dropped since the start."""
        return self._dropped

    def __len__(self) -> int:
        return len(self._events)

    def put(self, event: Event) -> int:
        """Add an event; says how many wait now."""
        with self._lock:
            self._events.append(event)
            self._drop_oldest()
            return len(self._events)

    def take(self, events_max: int) -> Batch | None:
        """Take the oldest; None where none wait."""
        with self._lock:
            if not self._events:
                return None
            taken = [self._events.popleft() for _ in range(min(events_max, len(self._events)))]
            dropped, self._dropped_told = self._dropped - self._dropped_told, self._dropped
            return Batch(taken, dropped)

    def put_back(self, batch: Batch) -> None:
        """Return what could not be written, to be taken again first."""
        with self._lock:
            self._events.extendleft(reversed(batch.events))
            self._dropped_told -= batch.dropped
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        while len(self._events) > self._events_max:
            self._events.popleft()
            self._dropped += 1
