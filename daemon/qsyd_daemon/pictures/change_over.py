"""Change-overs as the events tell of them: one `ChangeOver` for each `change-over-started`."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

Event = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ChangeOver:
    """What was told from its beginning to its end. Times in seconds on the daemon's monotonic clock."""

    number: int
    """Counted from 1 in the order of the events."""
    origin: str | None
    target: str
    begun_s: float
    ended_s: float
    time: str | None
    """Date and time of the beginning, as the event has it."""
    took_ms: float | None
    """As `change-over-finished` tells it; None where it never finished."""
    end: str
    """In words: finished, or what came between."""
    events: tuple[Event, ...]
    inhibited_before: bool
    keyed_before: bool
    amplifier_before: str | None
    """State of the amplifier when it began; None where no event has told it yet."""


@dataclass(slots=True)
class _Known:
    """What the events so far say, whichever change-over they belong to."""

    inhibited: bool = False
    keyed: set[str] = field(default_factory=set)
    amplifier: str | None = None

    def take(self, event: Event) -> None:
        match event["event"]:
            case "transmit-inhibited":
                self.inhibited = True
            case "transmit-released":
                self.inhibited = False
            case "keyed":
                self.keyed.add(str(event.get("rig")))
            case "unkeyed":
                self.keyed.discard(str(event.get("rig")))
            case "amplifier":
                self.amplifier = words_of(event, "state")
            case "station-started" | "station-stopped":
                self.inhibited, self.keyed, self.amplifier = False, set(), None


@dataclass(slots=True)
class _Open:
    number: int
    start: Event
    inhibited: bool
    keyed: bool
    amplifier: str | None
    events: list[Event]

    def closed(self, end: str, took_ms: float | None = None) -> ChangeOver:
        begun_s = float(self.start["at"])
        return ChangeOver(
            self.number,
            spot(self.start.get("from")),
            spot(self.start.get("to")) or "nowhere",
            begun_s,
            max([begun_s, *(float(event["at"]) for event in self.events if "at" in event)]),
            words_of(self.start, "time"),
            took_ms,
            end,
            tuple(self.events),
            self.inhibited,
            self.keyed,
            self.amplifier,
        )


def change_overs(events: Iterable[Event]) -> Iterator[ChangeOver]:
    """Each change-over once its end is known, in their order."""
    known, under_way, count, last_s = _Known(), None, 0, float("-inf")
    for event in events:
        name, at_s = event["event"], float(event.get("at", last_s))
        if under_way is not None and (at_s < last_s or name == "station-started"):
            yield under_way.closed("not finished: the daemon ended")
            under_way = None
        if under_way is not None and name == "change-over-started":
            yield under_way.closed("not finished: another change-over began")
            under_way = None
        last_s = at_s
        if name == "change-over-started":
            count += 1
            under_way = _Open(count, event, known.inhibited, bool(known.keyed), known.amplifier, [])
        elif under_way is not None:
            under_way.events.append(event)
            if name == "change-over-finished":
                yield under_way.closed("finished", number_of(event, "took_ms"))
                under_way = None
        known.take(event)
    if under_way is not None:
        yield under_way.closed("not finished: the events end here")


def spot(value: object) -> str | None:
    """`beam on 20m/1` of an event's place; None where it names none."""
    if not isinstance(value, Mapping):
        return None
    antenna, segment = words_of(value, "antenna"), words_of(value, "segment")
    return f"{antenna or 'no antenna'} on {segment or 'no segment'}"


def words_of(event: Event, key: str) -> str | None:
    """A field as text; None where it is missing, null or no plain value."""
    value = event.get(key)
    return str(value) if isinstance(value, str | int | float) else None


def number_of(event: Event, key: str) -> float | None:
    """A field as a number, 0 or more and below a year in ms; None where it is missing or something else."""
    value = event.get(key)
    told = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 4e10
    return float(value) if told and value is not None else None
