"""A question about the past, from its words to the journal's answer."""

import datetime
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

from qsyd_daemon.moment import Moment, moment, stamped_as
from qsyd_daemon.store.journal_past import JournalPast, last_time, past_of, time_of

WARNED_WITHIN = datetime.timedelta(minutes=10)
AROUND = datetime.timedelta(seconds=5)
_DAY = datetime.timedelta(days=1)


class NotJournalledError(Exception):
    """The journal does not hold what was asked for; says what it holds."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One question: a time in words, or an event by its sequence number. `around` is how much to show besides."""

    when: str | None = None
    event: int | None = None
    around: datetime.timedelta = AROUND


def look_up(
    connection: sqlite3.Connection, asked: Asked, now: datetime.datetime, say: Callable[[str], None]
) -> JournalPast:
    """The journal's answer; `say` is told which moment that is. Raises `NotJournalledError`, `MomentError`."""
    newest = last_time(connection)
    if newest is None:
        raise NotJournalledError("the journal is empty")
    if asked.event is not None:
        time = time_of(connection, asked.event)
        if time is None:
            raise NotJournalledError(f"there is no event {asked.event} in the journal")
        at = datetime.datetime.fromisoformat(time)
        say(f"event {asked.event}, {time}")
        return _past(connection, asked.event, Moment(at, at), asked.around)
    named = moment(asked.when or "", reference(newest, now))
    say(_named(named))
    return _past(connection, stamped_as(named.end), named, asked.around)


def reference(newest: str, now: datetime.datetime) -> datetime.datetime:
    """What a time of day is reckoned from: now, or the end of a journal that ended long ago, or never was of this time."""
    end = datetime.datetime.fromisoformat(newest)
    return now if end <= now <= end + _DAY else end


def _past(connection: sqlite3.Connection, up_to: str | int, at: Moment, around: datetime.timedelta) -> JournalPast:
    bounds = (stamped_as(at.begin - around), stamped_as(at.end + around))
    return past_of(connection, up_to, bounds, stamped_as(at.end - WARNED_WITHIN))


def _named(named: Moment) -> str:
    """The moment in full; a whole minute or second is told as it stood at its end."""
    begin, length = named.begin.astimezone(datetime.UTC), named.end - named.begin
    if length >= datetime.timedelta(hours=1):
        return f"{begin:%Y-%m-%d}, as it stood at the end of that day"
    if length >= datetime.timedelta(seconds=59):
        return f"{begin:%Y-%m-%d %H:%M} UTC, as it stood at the end of that minute"
    return f"{begin:%Y-%m-%d %H:%M:%S}.{begin.microsecond // 1000:03d} UTC"
