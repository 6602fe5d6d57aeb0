"""Moments of the past as people name them: `02:14`, `2031-05-04T02:14:07Z`, `15 min` ago, `now`. Standard library only."""

import datetime
import re
from dataclasses import dataclass

from qsyd_rules.quantity import duration_us

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,3}))?)?Z?")
_FULL = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?)?(?:Z|[+-]\d{2}:\d{2})?")
_DAY = datetime.timedelta(days=1)
_LEAST = datetime.timedelta(milliseconds=1)


class MomentError(ValueError):
    """No moment can be read from this text; says what would do."""


@dataclass(frozen=True, slots=True)
class Moment:
    """What was named, from its first millisecond to its last: `02:14` is a whole minute."""

    begin: datetime.datetime
    end: datetime.datetime


def moment(text: str, now: datetime.datetime, after: datetime.datetime | None = None) -> Moment:
    """The moment that a text names, UTC. Raises `MomentError`.

    A time of day means the most recent one that has begun by `now`; with `after`, the first one from then on. How long
    ago is reckoned from `now`.
    """
    if text == "now":
        return Moment(now, now)
    try:
        if (found := _CLOCK.fullmatch(text)) is not None:
            return _of_clock(found, now, after)
        if _FULL.fullmatch(text):
            begin = datetime.datetime.fromisoformat(text)
            begin = begin.replace(tzinfo=datetime.UTC) if begin.tzinfo is None else begin.astimezone(datetime.UTC)
            return Moment(begin, begin + _length(text) - _LEAST)
        begin = now - datetime.timedelta(microseconds=duration_us(text))
        return Moment(begin, begin)
    except (ValueError, OverflowError):  # a QuantityError is one: its own hint knows of no clock
        raise MomentError(f"{text!r} is no time; write one such as 02:14, 2026-05-01T14:30Z, or 15 min") from None


def bounds(since: str | None, until: str | None, now: datetime.datetime) -> tuple[str | None, str | None]:
    """From when to when, as the journal writes times; a time of day in `until` is the first one from `since` on.

    Raises `MomentError`.
    """
    begin = None if since is None else moment(since, now).begin
    end = None if until is None else moment(until, now, begin).begin
    return None if begin is None else stamped_as(begin), None if end is None else stamped_as(end)


def stamped_as(when: datetime.datetime) -> str:
    """A moment as the journal writes it, so that texts compare as times do."""
    return when.astimezone(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _of_clock(found: re.Match[str], now: datetime.datetime, after: datetime.datetime | None) -> Moment:
    hours, minutes, seconds, parts = found.groups()
    time = datetime.time(
        int(hours), int(minutes), int(seconds or 0), int((parts or "0").ljust(3, "0")) * 1000, datetime.UTC
    )
    begin = datetime.datetime.combine((after or now).astimezone(datetime.UTC).date(), time)
    if after is None and begin > now:
        begin -= _DAY
    elif after is not None and begin < after:
        begin += _DAY
    length = _LEAST if parts else datetime.timedelta(seconds=1) if seconds else datetime.timedelta(minutes=1)
    return Moment(begin, begin + length - _LEAST)


def _length(text: str) -> datetime.timedelta:
    """How long that is which a date, with or without a time, names."""
    clock = re.split(r"[T ]", text, maxsplit=1)
    if len(clock) == 1:
        return _DAY
    told = re.split(r"Z|[+-]", clock[1])[0]
    if "." in told:
        return _LEAST
    return datetime.timedelta(seconds=1) if told.count(":") == 2 else datetime.timedelta(minutes=1)
