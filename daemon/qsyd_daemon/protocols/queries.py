"""One query at a time: what is in flight, what was refused, what is overdue, and when the line may be used again.

A query that fails (refused, or no answer in time) three times in a row is done without: it is asked again only
`again_us` after it was last sent. One that was ever answered before is asked again `AGAIN_SOON_US` after.
"""

import re
from dataclasses import dataclass

from qsyd_daemon.protocols.reports import Vfo

ANSWER_TIMEOUT_US = 250_000
"""Long enough for the longest answer at 4800 b/s (94 ms with its query) and a slow rig behind it."""
SETTING_WAIT_US = 60_000
"""A setting normally gets no answer (from memory): this long without a refusal it counts as taken."""
FAILURES_MAX = 3
AGAIN_SOON_US = 250_000
AGAIN_RARELY_US = 30_000_000
GARBLED_MAX = 3
"""How often a query is sent again because the line spoilt it, before the next one has its turn."""
LATE_US_MAX = 1_000_000
"""An answer this late is no longer expected."""
OVERDUE_MAX = 64
SPACED_FOR_US = 2_000_000
"""How long writes stay spaced after a refusal of a rig that may need it."""


@dataclass(frozen=True, slots=True)
class Query:
    """Something to send. Every request is a read, except those that ask the rig to report by itself or set the dial."""

    key: bytes
    """What its answer begins with."""
    request: bytes
    carries_frequency: bool = False
    vfo: Vfo | None = None
    """The VFO whose frequency it reads, where it is one VFO's."""
    again_us: int = AGAIN_RARELY_US
    is_setting: bool = False
    sets_frequency: bool = False


@dataclass(frozen=True, slots=True)
class LinePolicy:
    """How to treat a rig that refuses. Times in microseconds."""

    pause_us: int = 0
    """Silence after a refusal, where it may mean that the rig is busy."""
    spacing_us: int = 0
    """From write to write, for `SPACED_FOR_US` after a refusal."""


@dataclass(slots=True)
class _Tally:
    ever_answered: bool = False
    failures: int = 0
    again_at_us: int = 0


@dataclass(frozen=True, slots=True)
class _Overdue:
    """An answer that may yet come to a query that was given up."""

    key: bytes
    sent_at_us: int
    until_us: int


class Asker:
    """Sends queries one by one and knows which answer belongs to which."""

    def __init__(
        self,
        allowed: frozenset[bytes],
        policy: LinePolicy,
        answer_timeout_us: int,
        frequency_set: re.Pattern[bytes] | None = None,
    ) -> None:
        """`frequency_set` matches, whole, the settings of a frequency that may be sent too; None: none may."""
        self._allowed = allowed
        self._frequency_set = frequency_set
        self._policy = policy
        self._answer_timeout_us = answer_timeout_us
        self._tallies: dict[bytes, _Tally] = {}
        self._overdue: list[_Overdue] = []  # oldest first
        self._unasked_at_us: dict[bytes, int] = {}
        self._garbled_in_a_row = 0
        self._spaced_until_us = 0
        self._sent_at_us = 0
        self._retry: Query | None = None
        self.in_flight: Query | None = None
        self.last: Query | None = None
        self.gives_up_at_us = 0
        self.not_before_us = 0

    def send(self, query: Query, at_us: int) -> bytes:
        """Put a query in flight. Raises AssertionError for bytes not on the allow-list: they might key the rig."""
        if query.request not in self._allowed and not self._may_set(query.request):
            raise AssertionError(f"{query.request!r} is not among the reads that may be sent to a rig")
        self.in_flight = self.last = query
        self._sent_at_us = at_us
        self.gives_up_at_us = at_us + (SETTING_WAIT_US if query.is_setting else self._answer_timeout_us)
        if at_us < self._spaced_until_us:
            self.not_before_us = at_us + self._policy.spacing_us
        return query.request

    def answered(self, key: bytes, at_us: int) -> int | None:
        """Note an answer. When its query was sent (or an older one of the kind, should that be late); None if unasked.

        Rigs answer in order. So an answer ends all waiting for what was asked before it; and while an older query of
        its kind is unanswered it may be that one's: then the older time counts, and this query's answer may yet come.
        """
        query = self.in_flight
        overdue = self._end_overdue(key, at_us) if self._overdue else None
        if query is None or query.key != key:
            if overdue is None:
                self._unasked_at_us[key] = at_us
            return None
        asked_at_us = self._sent_at_us
        if overdue is None:
            self._overdue.clear()
        else:
            self._overdue.append(_Overdue(key, asked_at_us, at_us + LATE_US_MAX))
            asked_at_us = overdue.sent_at_us
        self.in_flight = None
        self._garbled_in_a_row = 0
        tally = self._tally(query)
        tally.ever_answered = True
        tally.failures = tally.again_at_us = 0
        return asked_at_us

    def refused(self, at_us: int) -> Query | None:
        """Note a refusal; the query that failed, None when nothing was asked."""
        query = self.in_flight
        if query is None:
            return None
        self.not_before_us = max(self.not_before_us, at_us + self._policy.pause_us)
        self._spaced_until_us = at_us + SPACED_FOR_US
        if self._overdue:  # the refusal may be an older query's
            self._expect_late(query, at_us)
        self._fail(query)
        if self.is_dropped(query):  # unknown, not too fast: spacing did not help
            self._spaced_until_us = 0
        return query

    def garbled(self, at_us: int, pause_us: int) -> None:
        """The line spoilt the query in flight: send it again after a pause, or leave it to the next round."""
        query = self.in_flight
        if query is None:
            return
        self.in_flight = None
        self._expect_late(query, at_us)  # it may have got through
        self.not_before_us = max(self.not_before_us, at_us + pause_us)
        self._garbled_in_a_row += 1
        if self._garbled_in_a_row <= GARBLED_MAX:
            self._retry = query
        else:
            self._garbled_in_a_row = 0

    def timed_out(self, at_us: int) -> Query | None:
        """Stop waiting when it is time; the query that failed, None if there is none or a setting was not refused."""
        query = self.in_flight
        if query is None or at_us < self.gives_up_at_us:
            return None
        if query.is_setting:
            self.in_flight = None
            return None
        self._expect_late(query, at_us)
        self._fail(query)
        return query

    def retry(self) -> Query | None:
        """The garbled query that is to be sent again, once."""
        query, self._retry = self._retry, None
        return query

    def may_ask(self, query: Query, at_us: int) -> bool:
        """Whether it is not being done without at the moment."""
        tally = self._tallies.get(query.request)
        return tally is None or at_us >= tally.again_at_us

    def failures(self, query: Query) -> int:
        """How often in a row it was refused or not answered."""
        tally = self._tallies.get(query.request)
        return 0 if tally is None else tally.failures

    def is_dropped(self, query: Query) -> bool:
        """Whether it has failed so often, and never been answered, that the rig seems not to know it."""
        tally = self._tallies.get(query.request)
        return tally is not None and tally.failures >= FAILURES_MAX and not tally.ever_answered

    def is_exhausted(self, query: Query) -> bool:
        """Whether it has failed so often in a row that other queries should go on without it for now."""
        return self.failures(query) >= FAILURES_MAX

    def forget_failures(self) -> None:
        """The rig may be another one, or have been off: what it refused or did not answer is found anew."""
        self._tallies.clear()

    def is_overdue(self, key: bytes, at_us: int) -> bool:
        """Whether an answer of this kind may still come to a query that was given up."""
        return any(overdue.key == key and at_us < overdue.until_us for overdue in self._overdue)

    def is_doubtful(self, query: Query, at_us: int) -> bool:
        """Whether an answer to this query, sent now, could not be told from a late or an unasked one."""
        if self.is_overdue(query.key, at_us):
            return True
        unasked_at_us = self._unasked_at_us.get(query.key)
        if unasked_at_us is None or self.last is None or self.last.key != query.key:
            return False
        return at_us - unasked_at_us < LATE_US_MAX

    def _may_set(self, request: bytes) -> bool:
        return self._frequency_set is not None and self._frequency_set.fullmatch(request) is not None

    def _expect_late(self, query: Query, at_us: int) -> None:
        self._overdue = [overdue for overdue in self._overdue if at_us < overdue.until_us]
        self._overdue.append(_Overdue(query.key, self._sent_at_us, at_us + LATE_US_MAX))
        del self._overdue[:-OVERDUE_MAX]

    def _end_overdue(self, key: bytes, at_us: int) -> _Overdue | None:
        """The oldest overdue answer of this kind; it and all that were asked before it are no longer waited for."""
        for i, overdue in enumerate(self._overdue):
            if overdue.key == key and at_us < overdue.until_us:
                del self._overdue[: i + 1]
                return overdue
        return None

    def _tally(self, query: Query) -> _Tally:
        tally = self._tallies.get(query.request)
        if tally is None:
            tally = self._tallies[query.request] = _Tally()
        return tally

    def _fail(self, query: Query) -> None:
        self.in_flight = None
        self._garbled_in_a_row = 0
        tally = self._tally(query)
        tally.failures += 1
        if tally.failures >= FAILURES_MAX:
            tally.again_at_us = self._sent_at_us + (AGAIN_SOON_US if tally.ever_answered else query.again_us)
