"""The conversation with a rig, the same for every protocol: what to ask next, and when there is a reading.

A round asks for the frequency first, then a few other things in turn; the next starts `poll_us` after this one started.
While the dial moves, the frequency is read back to back, and between any two other queries. Each protocol says in a
`Dialect` what its queries are called and how to read the answers.
"""

from collections import deque

from qsyd_daemon.protocols.dialect import Dialect
from qsyd_daemon.protocols.queries import Asker, Query
from qsyd_daemon.protocols.reports import Fact, Notice, is_plausible
from qsyd_daemon.protocols.rig_state import RigState
from qsyd_daemon.protocols.session import RigReading

POLL_US_MIN = 1_000
MOVING_US = 300_000
"""The dial counts as moving this long after its last change."""
QUICK_US = 2_000
"""Reads of a moving dial come no faster than this, however fast the rig answers: it would keep a whole core busy."""
KEPT_US_MIN = 1_000_000
KEPT_POLLS = 3
"""What the rig has not said again for `KEPT_US_MIN`, or for so many polls if that is longer, is no longer believed;
after twice that time without a word the rig may have been switched off, and all is found anew."""
FIRST_READING_HELD_US = 600_000
"""The first reading waits for one answer or refusal of everything that makes it, but not longer than this."""
SPLIT_TRIES = 2
"""Failures after which a rig counts as one that cannot tell split, so that its first reading may go out."""


SETTING_KEY = b"set"
"""The key of a setting of the frequency: no message has it, for no answer to one is believed."""


class PolledSession:
    """A `RigSession` over a dialect. Times are microseconds on one monotonic clock.

    `poll_us` is the time from round to round at rest, at least 1 ms; `push` also asks the rig to report changes by
    itself (what it reports unasked is taken in anyhow); `answer_timeout_us` is how long an answer is waited for;
    `sets_frequency` adds the setting of a frequency to what may be sent.
    Raises ValueError for times that are not positive.
    """

    def __init__(
        self, dialect: Dialect, poll_us: int, push: bool, answer_timeout_us: int, *, sets_frequency: bool = False
    ) -> None:
        if poll_us <= 0 or answer_timeout_us <= 0:
            raise ValueError(f"poll {poll_us} us and answer time-out {answer_timeout_us} us must both be above 0")
        self._dialect = dialect
        self._poll_us = max(poll_us, POLL_US_MIN)
        self._push = push
        self._frequency_set = dialect.frequency_set if sets_frequency else None
        self._answer_timeout_us = answer_timeout_us
        self._kept_us = max(KEPT_US_MIN, KEPT_POLLS * poll_us)
        self._damaged = self._refused = self._unanswered = 0
        self.opened(0)

    @property
    def damaged(self) -> int:
        """How many damaged messages arrived since the session was made."""
        return self._damaged + self._dialect.damaged

    @property
    def errors(self) -> dict[str, int]:
        """What went wrong with questions since the session was made, by kind."""
        return {"damaged": self.damaged, "refused": self._refused, "unanswered": self._unanswered}

    def opened(self, at_us: int) -> None:
        """The link has (re)opened: forget everything that was under way; what the rig refuses is found anew."""
        self._dialect.reset()
        dialect = self._dialect
        self._begin(Asker(dialect.allowed, dialect.policy, self._answer_timeout_us, self._frequency_set), at_us)

    def _begin(self, asker: Asker, at_us: int) -> None:
        self._asker = asker
        self._state = RigState(self._kept_us, self._dialect.names_by_use)
        self._urgent: deque[Query] = deque()
        self._setting: Query | None = None
        self._pending = deque(self._dialect.first)
        self._push_left = deque(self._dialect.push if self._push else ())
        self._turn = 0
        self._next_round_at_us = at_us + self._poll_us
        self._nothing_until_us = 0
        self._heard_at_us = at_us
        self._dial_known_at_us: int | None = None
        self._last: RigReading | None = None
        self._moved_at_us: int | None = None
        self._quick_not_before_us = 0

    def received(self, data: bytes, at_us: int) -> list[RigReading]:
        """Take in bytes, in whatever pieces; hand out the readings that they complete. Never raises on line noise."""
        self._nothing_until_us = 0
        readings = []
        for message in self._dialect.split(data):
            key, report = self._dialect.decode(message)
            if isinstance(report, Notice):
                reading = self._take_notice(key, report, at_us)
            else:
                reading = self._take_fact(key, report, at_us)
            if reading is not None:
                readings.append(reading)
        return readings

    def read_now(self, at_us: int) -> None:
        """Read frequency (and split, and what makes the transmit frequency) at once, not at the next poll."""
        self._urgent = deque(self._dialect.fresh(self._state, self._asker, at_us))
        self._nothing_until_us = 0

    def set_frequency(self, frequency_hz: int, at_us: int) -> str | None:
        """Set the transmit frequency once, and read it back; why it is not tried, in words, or None."""
        state = self._state
        if self._frequency_set is None:
            return "the station file does not let the dial be set"
        if self._last is None:
            return "the rig has not told where it stands"
        if not self._may_set(at_us):
            return "split is on" if state.split else "the rig transmits"
        dial_hz = frequency_hz - state.transmit_offset_hz
        request = self._dialect.set_frequency(state.in_use, dial_hz) if is_plausible(dial_hz) else None
        if request is None:
            return "what the rig is on cannot be set (a memory channel?)"
        self._setting = Query(SETTING_KEY, request, is_setting=True, sets_frequency=True)
        self._nothing_until_us = 0
        return None

    def due(self, at_us: int) -> bytes:
        """The bytes to send now; empty when nothing is due."""
        if self._asker.in_flight is not None:
            if at_us < self._asker.gives_up_at_us:
                return b""
            self._give_up(at_us)
        if at_us < self._asker.not_before_us:
            return b""
        query = self._setting_due(at_us) or self._choose_undoubted(at_us)
        if query is None:
            self._nothing_until_us = self._next_round_at_us
            if self._is_moving(at_us):
                self._nothing_until_us = min(self._next_round_at_us, max(at_us + 1, self._quick_not_before_us))
            return b""
        if query.carries_frequency:
            self._quick_not_before_us = at_us + QUICK_US
        self._dialect.sent(query.request)
        data = self._asker.send(query, at_us)
        if query.sets_frequency:
            self.read_now(at_us)  # a setting gets no answer that could be believed: what is read back counts
        return data

    def wake_at_us(self, at_us: int) -> int:
        """When to call `due` next, if nothing arrives before."""
        if self._asker.in_flight is not None:
            return max(at_us, self._asker.gives_up_at_us)
        return max(at_us, self._asker.not_before_us, self._nothing_until_us)

    def _may_set(self, at_us: int) -> bool:
        """Whether the frequency in use is the one that would be transmitted, and nobody is known to transmit."""
        return not self._state.split and not self._state.keyed(at_us)

    def _setting_due(self, at_us: int) -> Query | None:
        """The setting that waits, or the query that the line spoilt; a setting only while it may still be sent."""
        query = self._asker.retry()
        if query is None:
            query, self._setting = self._setting, None
        return None if query is not None and query.sets_frequency and not self._may_set(at_us) else query

    def _take_fact(self, key: bytes, fact: Fact, at_us: int) -> RigReading | None:
        if at_us - self._heard_at_us > 2 * self._kept_us:
            self._asker.forget_failures()
            self._begin(self._asker, at_us)
        self._heard_at_us = at_us
        is_late = self._asker.is_overdue(key, at_us)
        asked_at_us = self._asker.answered(key, at_us)
        if asked_at_us is None and key in self._dialect.doubted_unasked and not is_late:
            self.read_now(at_us)
            return None
        carries_frequency = self._state.take(fact, asked_at_us, at_us)
        return self._publish(at_us, asked_at_us is None, carries_frequency)

    def _take_notice(self, key: bytes, notice: Notice, at_us: int) -> RigReading | None:
        match notice:
            case Notice.REFUSED:
                query = self._asker.refused(at_us)
                self._refused += query is not None
                if query is None:
                    return None
                self._fail(query, is_refusal=True)
                return self._publish(at_us, is_unasked=False, carries_frequency=False)
            case Notice.GARBLED:
                self._asker.garbled(at_us, self._dialect.garbled_pause_us())
            case Notice.ACCEPTED:
                if self._asker.answered(key, at_us) is not None:
                    self._push_left.clear()
            case Notice.DAMAGED:
                self._damaged += 1
            case Notice.IGNORED:
                pass
        return None

    def _give_up(self, at_us: int) -> None:
        self._dialect.drop_fragment()
        query = self._asker.in_flight
        failed = self._asker.timed_out(at_us)
        if failed is None:
            if query is not None and not query.sets_frequency:
                self._push_left.clear()  # a setting that was not refused
        else:
            self._unanswered += 1
            self._fail(failed, is_refusal=False)

    def _fail(self, query: Query, is_refusal: bool) -> None:
        if query.vfo is not None:
            self._state.failed(query.vfo)
        if query.sets_frequency:
            return  # it is read back anyhow, and whoever asked for it sees what came of it
        may_be_busy = is_refusal and self._dialect.policy.pause_us > 0 and not self._asker.is_exhausted(query)
        if query.is_setting:
            if not may_be_busy and self._push_left:
                self._push_left.popleft()
            return
        for other in reversed(self._dialect.instead_of(query, self._state, self._asker)):
            if other not in self._pending:
                self._pending.appendleft(other)
        is_awaited = self._last is None and query in self._dialect.split_queries and not query.carries_frequency
        # Once more at once after a lost answer: noise in step with the rounds would spoil the same answer every time.
        is_spoilt = not is_refusal and self._last is not None and self._asker.failures(query) == 1
        is_tried_again = may_be_busy or is_spoilt or (is_awaited and self._asker.failures(query) < SPLIT_TRIES)
        if is_tried_again and query not in self._pending:
            self._pending.append(query)

    def _publish(self, at_us: int, is_unasked: bool, carries_frequency: bool) -> RigReading | None:
        """The reading that is due after something was taken in, if any."""
        last = self._last
        if last is None and not self._is_complete(at_us):
            return None
        reading = self._state.reading(at_us, is_unasked)
        if reading is None:
            return None
        if last is not None:
            if reading.frequency_hz != last.frequency_hz or reading.transmit_hz != last.transmit_hz:
                self._moved_at_us = at_us
            elif not carries_frequency and (reading.mode, reading.keyed, reading.split) == (
                last.mode,
                last.keyed,
                last.split,
            ):
                return None
        self._last = reading
        return reading

    def _is_complete(self, at_us: int) -> bool:
        """Whether the first reading may go out."""
        if not self._state.is_dial_known():
            return False
        if self._dial_known_at_us is None:
            self._dial_known_at_us = at_us
        if self._is_held_long(at_us):
            return True
        if self._pending:
            return False
        split_queries = self._dialect.split_queries
        return self._state.is_split_known or all(self._asker.failures(q) >= SPLIT_TRIES for q in split_queries)

    def _is_held_long(self, at_us: int) -> bool:
        """Whether the first reading has waited long enough for what makes it whole."""
        return self._dial_known_at_us is not None and at_us - self._dial_known_at_us >= FIRST_READING_HELD_US

    def _choose_undoubted(self, at_us: int) -> Query | None:
        """The next query; after a time-out one of another kind goes first, so that late answers can be told apart."""
        query = self._choose(at_us)
        if query is not None and self._asker.is_doubtful(query, at_us):
            for other in self._dialect.alternatives:
                if self._asker.may_ask(other, at_us) and not self._asker.is_doubtful(other, at_us):
                    self._urgent.appendleft(query)
                    return other
        return query

    def _choose(self, at_us: int) -> Query | None:
        if self._urgent:
            return self._urgent.popleft()
        state = self._state
        vfo = state.missing_vfo() if state.is_split_known else None
        if vfo is not None and (query := self._dialect.vfo_query(vfo)) is not None:
            return query
        if not self._pending and self._push_left and self._last is not None:
            return self._push_left[0]
        if self._last is None and self._is_held_long(at_us):
            return self._dialect.dial_query(state.in_use)  # its answer lets the first reading out
        quick = self._quick(at_us)
        query = self._next_pending(quick, at_us)
        is_awaited = self._last is None and state.is_dial_known()
        if query is None and (is_awaited or at_us >= self._next_round_at_us):
            self._next_round_at_us = at_us + self._poll_us
            self._turn += 1
            self._pending.extend(self._dialect.round(self._turn, state, self._asker, at_us))
            query = self._next_pending(quick, at_us)
        return query or quick

    def _next_pending(self, quick: Query | None, at_us: int) -> Query | None:
        """The next query of the round; `quick`, while the dial moves, goes between any two that tell no frequency."""
        while self._pending:
            query = self._pending[0]
            if quick is not None and not query.carries_frequency and not self._was_frequency():
                return quick
            self._pending.popleft()
            if self._asker.may_ask(query, at_us):
                return query
        return None

    def _quick(self, at_us: int) -> Query | None:
        """The next read of a frequency that moves; None at rest. In split the two VFOs take turns."""
        if not self._is_moving(at_us) or at_us < self._quick_not_before_us:
            return None
        query = self._dialect.dial_query(self._state.in_use)
        other_vfo = self._state.other_vfo()
        if other_vfo is not None and self._asker.last == query:
            other = self._dialect.vfo_query(other_vfo)
            if other is not None and self._asker.may_ask(other, at_us):
                return other
        return query if self._asker.may_ask(query, at_us) else None

    def _is_moving(self, at_us: int) -> bool:
        return self._moved_at_us is not None and at_us - self._moved_at_us < MOVING_US

    def _was_frequency(self) -> bool:
        last = self._asker.last
        return last is not None and last.carries_frequency
