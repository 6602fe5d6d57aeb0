"""Commands sent as lines, acknowledged by lines: what to send, when, and which answer counts for what. No I/O.

Such devices number nothing, so an `OK` does not say what it answers. The exchange therefore counts: each line of a
command that was sent and not acknowledged leaves one acknowledgement *owed*. A device answers a line at most once; so
as soon as fewer are owed than one command was sent, at least one of them was that command's own, and only then is it
acknowledged, whatever was lost or late on the way.

- No ordinary command is sent while acknowledgements of earlier ones are owed: it waits until they came, or until
  `timeout_us` has passed since the last line was sent, then they are forgotten. From a device that has just been seen
  to answer later than that, they are waited for as long as it took, and half a time-out more.
- Commands of the safe direction are sent at once. An ordinary one under way is abandoned; waiting ones that would undo
  the safe one never go out; the rest goes on behind it.
- A question for readings goes out only while nothing else is under way, waiting or owed; safe commands do not wait for
  its answer, ordinary ones do, at most `timeout_us`. A line that could be an answer as well as an acknowledgement is
  first taken for the answer that is owed. The renewal of a lease leaves an acknowledgement owed like a command, and is
  nobody's.
- A command ends within `timeout_us * (retries + 1)` of being handed over, waiting included; what has ended is never
  sent (again), so that nothing is replayed to a device that comes back.

Limit: an acknowledgement that comes after it was forgotten cannot be told from that of the next command.
"""

import re
from collections import deque

from qsyd_daemon.outputs.line_effect import Effect, Finished, Reopen, Send, Told
from qsyd_daemon.outputs.line_order import UNDONE_BY, Order, why_cut_off, why_unanswered
from qsyd_daemon.outputs.line_splitter import LineSplitter
from qsyd_daemon.outputs.meter_questions import Kept, MeterQuestions
from qsyd_daemon.outputs.renewal import Renewal
from qsyd_rules.command import CommandName
from qsyd_rules.readings import Readings
from qsyd_rules.words import Result


class LineExchange:
    """The exchange with one device. Times are microseconds on one monotonic clock and never run backwards.

    Every method returns what is to be done, in order. `wake_at_us` says when to call `due` if nothing happens before.
    """

    def __init__(
        self,
        address: str,
        acknowledge: re.Pattern[str] | None,
        timeout_us: int,
        retries: int,
        meters: MeterQuestions | None = None,
        lease: Renewal | None = None,
    ) -> None:
        """`address` is for messages; without `acknowledge` a command is done as soon as it was sent."""
        self._address = address
        self._acknowledge = acknowledge
        self._timeout_us = timeout_us
        self._tries_max = retries + 1
        self._meters = meters
        self._lease = lease
        self._renewals_owed = lease is not None and lease.settings.answered and acknowledge is not None
        self._is_open = False
        self._closed_because = "not open yet"
        self._answered = False
        self._under_way: list[Order] = []  # sent at least once: any number of safe ones, or one ordinary one
        self._urgent: deque[Order] = deque()  # safe, held up by a closed link
        self._waiting: deque[Order] = deque()  # ordinary, not sent yet
        self._owed = 0
        self._sent_at_us = 0
        self._grace_us = timeout_us  # how long after the last line what is owed may still come
        self._lines = LineSplitter()
        self._heard: str | None = None
        self._effects: list[Effect] = []

    def submit(self, ticket: int, name: CommandName, data: bytes, at_us: int) -> list[Effect]:
        """Take over a command; on an idle open link its bytes are among the effects of this very call."""
        order = Order(ticket, name, data, at_us + self._timeout_us * self._tries_max)
        if self._lease is not None:
            self._lease.handed_over(name)
        if not order.is_safe:
            self._waiting.append(order)
        else:
            self._overtake(name)
            self._urgent.append(order)
        self._advance(at_us)
        return self._take_effects()

    def opened(self, at_us: int) -> list[Effect]:
        """The link is open: what is under way is sent again, as one of its tries; then what waited for it."""
        self._is_open = True
        self._answered = False
        self._lines.reset()
        self._heard = None
        if self._meters is not None:
            self._meters.opened(at_us)
        for order in self._under_way:
            self._send(order, at_us)
        self._advance(at_us)
        return self._take_effects()

    def closed(self, reason: str) -> list[Effect]:
        """The link is closed, or still cannot be opened; no acknowledgement sent over it will come any more."""
        self._close(reason)
        return self._take_effects()

    def received(self, data: bytes, at_us: int) -> list[Effect]:
        """Take in bytes, in whatever pieces. Lines end with CR or LF; what cannot be decoded in them is left out."""
        if self._acknowledge is None and self._meters is None:
            return []
        for text, is_whole in self._lines.split(data):
            self._line(text, is_whole, at_us)
        # Only now: what has arrived already cannot answer what is sent next.
        self._look_for_silence(at_us)
        self._advance(at_us)
        return self._take_effects()

    def due(self, at_us: int) -> list[Effect]:
        """Send again, give up or go on where it is time to; harmless when called early."""
        for order in list(self._under_way):
            if order not in self._under_way:
                continue  # ended with the link, above
            is_unanswered = self._is_open and at_us >= order.sent_at_us + self._timeout_us
            order.is_ignored = order.is_ignored or is_unanswered
            if at_us >= order.end_at_us or (is_unanswered and self._is_spent(order)):
                self._give_up(order)
            elif is_unanswered:
                self._send(order, at_us)
        for queue in (self._urgent, self._waiting):
            for order in [order for order in queue if at_us >= order.end_at_us]:
                queue.remove(order)
                self._fail(order, self._why_never_sent())
        self._look_for_silence(at_us)
        self._advance(at_us)
        return self._take_effects()

    def wake_at_us(self) -> int | None:
        """When `due` has something to do, or None while nothing is under way, waiting or owed."""
        times = [order.end_at_us for orders in (self._under_way, self._urgent, self._waiting) for order in orders]
        if self._is_open:
            times += [order.sent_at_us + self._timeout_us for order in self._under_way]
            if self._owed and not self._under_way:
                times.append(self._sent_at_us + self._grace_us)
            if self._meters is not None:
                times += self._meters.wakes_us(self._is_idle)
            if self._lease is not None and self._lease.due_us is not None and self._may_send:
                times.append(self._lease.due_us)
        return min(times, default=None)

    def send_no_more(self, names: frozenset[CommandName]) -> list[Effect]:
        """None of these is sent again: what was sent may still be answered in its time, what waits fails at once."""
        over = [order.ticket for order in self._waiting if order.name in names]
        for order in self._under_way:
            if order.name in names and self._is_open:
                order.is_last = True
            elif order.name in names:
                over.append(order.ticket)  # it waits for the link, to be sent again
        self._fail_all(tuple(over), "not sent: what it was decided upon does not hold any more")
        return self._take_effects()

    def abandon(self, ticket: int, error: str) -> list[Effect]:
        """Nobody wants this command any more: it fails with `error`, and is not sent (again)."""
        self._fail_all((ticket,), error)
        return self._take_effects()

    def abandon_all(self, error: str) -> list[Effect]:
        """End every command with `error`."""
        orders = (*self._under_way, *self._urgent, *self._waiting)
        self._fail_all(tuple(order.ticket for order in orders), error)
        return self._take_effects()

    def _take_effects(self) -> list[Effect]:
        effects, self._effects = self._effects, []
        return effects

    def _advance(self, at_us: int) -> None:
        """Send what nothing holds up."""
        if not self._is_open:
            return
        while self._urgent:
            self._send(self._urgent.popleft(), at_us)
        if self._owed and not self._under_way and at_us >= self._sent_at_us + self._grace_us:
            self._forget_owed()
        if self._lease is not None and self._may_send and self._lease.is_due(at_us):
            self._lease.sent(at_us)
            self._effects.append(Send(self._lease.settings.renew))
            if self._renewals_owed:
                self._owed += 1
                self._sent_at_us = at_us
        while self._waiting and self._may_send:
            self._heard = None
            self._send(self._waiting.popleft(), at_us)
        if self._meters is not None and self._may_send and self._meters.is_due(at_us):
            self._effects.append(Send(self._meters.ask(at_us)))

    @property
    def _is_idle(self) -> bool:
        """Whether no command is under way or may still be answered."""
        return not self._under_way and not self._owed

    @property
    def _may_send(self) -> bool:
        """Whether what has to wait its turn may go out: nothing is under way, a question for readings included."""
        return self._is_idle and (self._meters is None or not self._meters.is_awaited)

    def _look_for_silence(self, at_us: int) -> None:
        if self._meters is None or not self._is_open:
            return
        reason = self._meters.silence(at_us)
        if reason is not None and self._is_idle:  # else the command under way will tell
            self._effects.append(Reopen(reason))
            self._close(reason)

    def _send(self, order: Order, at_us: int) -> None:
        self._effects.append(Send(order.data))
        if self._meters is not None:
            self._meters.overtake()
        if self._acknowledge is None:
            self._succeed(order, Result.ASSUMED, at_us)
            return
        if not order.owed:
            order.owed_since_us = at_us
        order.tries += 1
        order.owed += 1
        order.sent_at_us = self._sent_at_us = at_us
        self._owed += 1
        if order.tries == 1:
            self._under_way.append(order)

    def _line(self, text: str, is_whole: bool, at_us: int) -> None:
        is_acknowledgement = is_whole and self._matches(text)
        if self._meters is not None and is_whole:
            told = self._meters.line(text, at_us, is_other=is_acknowledgement and self._owed > 0)
            if isinstance(told, Readings):
                self._effects.append(Told(told))
            if told is not Kept.NOT_MINE:
                return
        self._heard = text
        if is_acknowledgement:
            self._acknowledged(at_us)

    def _acknowledged(self, at_us: int) -> None:
        if self._meters is not None:
            self._meters.acknowledged(at_us)
        if not self._owed:
            # A device that was said not to acknowledge renewals does; what it sends must never pass for more.
            self._renewals_owed = self._lease is not None
            return
        self._owed -= 1
        self._answered = True
        for order in list(self._under_way):
            if self._owed < order.owed:
                self._under_way.remove(order)
                self._succeed(order, Result.ACKNOWLEDGED, at_us)
                took_us = at_us - order.owed_since_us
                if took_us > self._timeout_us:
                    self._grace_us = max(self._grace_us, took_us + self._timeout_us // 2)
        if not self._owed:
            self._grace_us = self._timeout_us

    def _matches(self, text: str) -> bool:
        return self._acknowledge is not None and self._acknowledge.search(text) is not None

    def _overtake(self, by: CommandName) -> None:
        abandoned = [order.ticket for order in self._under_way if not order.is_safe]
        undone = [order.ticket for order in self._waiting if order.name in UNDONE_BY[by]]
        self._fail_all((*abandoned, *undone), f"overtaken by {by}")

    def _fail_all(self, tickets: tuple[int, ...], error: str) -> None:
        for orders in (self._under_way, self._urgent, self._waiting):
            for order in [order for order in orders if order.ticket in tickets]:
                orders.remove(order)
                self._fail(order, error)

    def _succeed(self, order: Order, result: Result, at_us: int) -> None:
        self._effects.append(Finished(order.ticket, result))
        if self._lease is not None:
            self._lease.taken(order.name, at_us)

    def _fail(self, order: Order, error: str) -> None:
        self._effects.append(Finished(order.ticket, Result.FAILED, error, order.is_ignored))
        if self._lease is not None:
            self._lease.failed(order.name)

    def _give_up(self, order: Order) -> None:
        self._under_way.remove(order)
        self._fail(order, self._why_unanswered(order))
        if not self._is_open:
            return
        self._effects.append(Reopen("no acknowledgement", self._answered))
        self._close("no acknowledgement")

    def _close(self, reason: str) -> None:
        self._is_open = False
        self._closed_because = reason
        if self._lease is not None:
            self._lease.end()
        self._owed = 0
        self._grace_us = self._timeout_us
        for order in list(self._under_way):
            order.owed = 0
            if self._is_spent(order):
                self._under_way.remove(order)
                self._fail(order, self._why_unanswered(order))

    def _is_spent(self, order: Order) -> bool:
        return order.is_last or order.tries >= self._tries_max

    def _forget_owed(self) -> None:
        self._owed = 0
        self._grace_us = self._timeout_us
        self._lines.skip_begun()  # the beginning of an answer to what is forgotten

    def _why_never_sent(self) -> str:
        if not self._is_open:
            return f"no connection to {self._address}: {self._closed_because}"
        names = ", ".join(order.name for order in self._under_way)
        behind = names or "earlier acknowledgements still owed"
        return f"not sent to {self._address} within {self._timeout_us * self._tries_max // 1000} ms: behind {behind}"

    def _why_unanswered(self, order: Order) -> str:
        closed_because = None if self._is_open else self._closed_because
        if closed_because is not None and not self._is_spent(order):
            return why_cut_off(order, self._address, closed_because)
        assert self._acknowledge is not None
        return why_unanswered(order, self._address, self._acknowledge, self._timeout_us, self._heard, closed_because)
