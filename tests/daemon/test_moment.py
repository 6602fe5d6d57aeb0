"""Moments of the past in words. Forms of full times: RFC 3339, section 5.6."""

import datetime

import pytest

from qsyd_daemon.moment import MomentError, bounds, moment

NOW = datetime.datetime(2031, 5, 4, 8, 30, 15, 250_000, datetime.UTC)


def at(text: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.UTC)


@pytest.mark.parametrize(
    ("text", "begin", "end"),
    [
        ("02:14", "2031-05-04 02:14:00", "2031-05-04 02:14:59.999"),
        ("02:14Z", "2031-05-04 02:14:00", "2031-05-04 02:14:59.999"),
        ("08:30", "2031-05-04 08:30:00", "2031-05-04 08:30:59.999"),  # it has begun
        ("08:31", "2031-05-03 08:31:00", "2031-05-03 08:31:59.999"),  # it has not, today
        ("23:59:07", "2031-05-03 23:59:07", "2031-05-03 23:59:07.999"),
        ("02:14:07.5", "2031-05-04 02:14:07.500", "2031-05-04 02:14:07.500"),
        ("2031-05-03T02:14Z", "2031-05-03 02:14:00", "2031-05-03 02:14:59.999"),
        ("2031-05-03 02:14", "2031-05-03 02:14:00", "2031-05-03 02:14:59.999"),
        ("2031-05-03T02:14:07+02:00", "2031-05-03 00:14:07", "2031-05-03 00:14:07.999"),
        ("2031-05-03T02:14:07.250Z", "2031-05-03 02:14:07.250", "2031-05-03 02:14:07.250"),
        ("2031-05-03", "2031-05-03 00:00:00", "2031-05-03 23:59:59.999"),
        ("now", "2031-05-04 08:30:15.250", "2031-05-04 08:30:15.250"),
        ("15 min", "2031-05-04 08:15:15.250", "2031-05-04 08:15:15.250"),
        ("2h", "2031-05-04 06:30:15.250", "2031-05-04 06:30:15.250"),
    ],
)
def test_what_is_named_has_a_beginning_and_an_end(text: str, begin: str, end: str) -> None:
    named = moment(text, NOW)
    assert (named.begin, named.end) == (at(begin), at(end))


@pytest.mark.parametrize(
    "text",
    ["", "noon", "24:00", "2:14", "02:60", "2031-02-30", "2031-05-04T25:00", "15", "99999999 h", "-5 min", "02:14 x"],
)
def test_what_is_no_time_is_said_with_what_would_do(text: str) -> None:
    with pytest.raises(MomentError, match="is no time; write one such as 02:14"):
        moment(text, NOW)


@pytest.mark.parametrize(
    ("since", "until", "wanted"),
    [
        ("02:10", "02:20", ("2031-05-04T02:10:00.000Z", "2031-05-04T02:20:00.000Z")),
        ("23:50", "00:10", ("2031-05-03T23:50:00.000Z", "2031-05-04T00:10:00.000Z")),
        ("08:25", "08:40", ("2031-05-04T08:25:00.000Z", "2031-05-04T08:40:00.000Z")),  # not yesterday's
        ("2031-05-01T22:00Z", "03:00", ("2031-05-01T22:00:00.000Z", "2031-05-02T03:00:00.000Z")),
        (None, "09:00", (None, "2031-05-03T09:00:00.000Z")),
        ("1 h", None, ("2031-05-04T07:30:15.250Z", None)),
    ],
)
def test_a_range_by_the_clock_ends_after_it_begins(
    since: str | None, until: str | None, wanted: tuple[str | None, str | None]
) -> None:
    assert bounds(since, until, NOW) == wanted
