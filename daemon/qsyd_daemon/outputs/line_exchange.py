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
- A command ends within `timeout_us * (retries + 1)` of being handed over, waiting included; what has ended is never
  sent (again), so that nothing is replayed to a device that comes back.

Limit: an acknowledgement that comes after it was forgotten cannot be told from that of the next command.
"""

import re
from collections import deque
from dataclasses import dataclass

from qsyd_rules.command import SAFE_COMMANDS, CommandName
from qsyd_rules.words import Result

LINE_BYTES_MAX = 256
"""Longest line taken from a device. A longer one is damaged, and acknowledges nothing."""

_LINE_END = re.compile(rb"[\r\n]")

UNDONE_BY: dict[CommandName, frozenset[CommandName]] = {
    CommandName.INHIBIT_TRANSMIT: frozenset({CommandName.RELEASE_TRANSMIT}),
    CommandName.AMPLIFIER_STANDBY: frozenset({CommandName.AMPLIFIER_OPERATE}),
    CommandName.HIGH_VOLTAGE_OFF: frozenset({CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OPERATE}),
}
"""What must not go out behind a safe command that overtook it: it was decided before, and would undo it."""


@dataclass(frozen=True, slots=True)
class Send:
    """Hand these bytes to the open link, now."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Finished:
    """The command handed over as `ticket` has ended; `error` is None unless it failed."""

    ticket: int
    result: Result
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Reopen:
    """The link looks open and nobody acknowledges: open it anew. The exchange takes it as closed from here."""

    reason: str


Effect = Send | Finished | Reopen


@dataclass(slots=True)
class _Order:
    """One command until it ends. `owed` counts its lines sent since acknowledgements were last forgotten."""

    ticket: int
    name: CommandName
    data: bytes
    end_at_us: int
    tries: int = 0
    owed: int = 0
    owed_since_us: int = 0
    sent_at_us: int = 0

    @property
    def is_safe(self) -> bool:
        return self.name in SAFE_COMMANDS


class LineExchange:
    """The exchange with one device. Times are microseconds on one monotonic clock and never run backwards.

    Every method returns what is to be done, in order. `wake_at_us` says when to call `due` if nothing happens before.
    """

    def __init__(self, address: str, acknowledge: re.Pattern[str] | None, timeout_us: int, retries: int) -> None:
        """`address` is for messages; without `acknowledge` a command is done as soon as it was sent."""
        self._address = address
        self._acknowledge = acknowledge
        self._timeout_us = timeout_us
        self._tries_max = retries + 1
        self._is_open = False
        self._closed_because = "not open yet"
        self._under_way: list[_Order] = []  # sent at least once: any number of safe ones, or one ordinary one
        self._urgent: deque[_Order] = deque()  # safe, held up by a closed link
        self._waiting: deque[_Order] = deque()  # ordinary, not sent yet
        self._owed = 0
        self._sent_at_us = 0
        self._grace_us = timeout_us  # how long after the last line what is owed may still come
        self._partial = b""
        self._skip_line = False
        self._heard: str | None = None
        self._effects: list[Effect] = []

    def submit(self, ticket: int, name: CommandName, data: bytes, at_us: int) -> list[Effect]:
        """Take over a command; on an idle open link its bytes are among the effects of this very call."""
        order = _Order(ticket, name, data, at_us + self._timeout_us * self._tries_max)
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
        self._partial, self._skip_line, self._heard = b"", False, None
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
        if self._acknowledge is None:
            return []
        *ends, partial = _LINE_END.split(data)
        for end in ends:
            self._line(self._partial + end, at_us)
            self._partial = b""
        self._partial = (self._partial + partial)[: LINE_BYTES_MAX + 1]
        # Only now: what has arrived already cannot answer what is sent next.
        self._advance(at_us)
        return self._take_effects()

    def due(self, at_us: int) -> list[Effect]:
        """Send again, give up or go on where it is time to; harmless when called early."""
        for order in list(self._under_way):
            if order not in self._under_way:
                continue  # ended with the link, above
            is_unanswered = self._is_open and at_us >= order.sent_at_us + self._timeout_us
            if at_us >= order.end_at_us or (is_unanswered and order.tries >= self._tries_max):
                self._give_up(order)
            elif is_unanswered:
                self._send(order, at_us)
        for queue in (self._urgent, self._waiting):
            for order in [order for order in queue if at_us >= order.end_at_us]:
                queue.remove(order)
                self._finish(order, Result.FAILED, self._why_never_sent())
        self._advance(at_us)
        return self._take_effects()

    def wake_at_us(self) -> int | None:
        """When `due` has something to do, or None while nothing is under way, waiting or owed."""
        times = [order.end_at_us for orders in (self._under_way, self._urgent, self._waiting) for order in orders]
        if self._is_open:
            times += [order.sent_at_us + self._timeout_us for order in self._under_way]
            if self._owed and not self._under_way:
                times.append(self._sent_at_us + self._grace_us)
        return min(times, default=None)

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
        while self._waiting and not self._under_way and not self._owed:
            self._heard = None
            self._send(self._waiting.popleft(), at_us)

    def _send(self, order: _Order, at_us: int) -> None:
        self._effects.append(Send(order.data))
        if self._acknowledge is None:
            self._finish(order, Result.ASSUMED)
            return
        if not order.owed:
            order.owed_since_us = at_us
        order.tries += 1
        order.owed += 1
        order.sent_at_us = self._sent_at_us = at_us
        self._owed += 1
        if order.tries == 1:
            self._under_way.append(order)

    def _line(self, line: bytes, at_us: int) -> None:
        if self._skip_line:
            self._skip_line = False
            return
        text = line[:LINE_BYTES_MAX].decode(errors="ignore")
        if not text:
            return
        self._heard = text
        if not self._owed or len(line) > LINE_BYTES_MAX or not self._matches(text):
            return
        self._owed -= 1
        for order in list(self._under_way):
            if self._owed < order.owed:
                self._under_way.remove(order)
                self._finish(order, Result.ACKNOWLEDGED)
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
                self._finish(order, Result.FAILED, error)

    def _finish(self, order: _Order, result: Result, error: str | None = None) -> None:
        self._effects.append(Finished(order.ticket, result, error))

    def _give_up(self, order: _Order) -> None:
        self._under_way.remove(order)
        self._finish(order, Result.FAILED, self._why_unanswered(order))
        if not self._is_open:
            return
        self._effects.append(Reopen("no acknowledgement"))
        self._close("no acknowledgement")

    def _close(self, reason: str) -> None:
        self._is_open = False
        self._closed_because = reason
        self._owed = 0
        self._grace_us = self._timeout_us
        for order in list(self._under_way):
            order.owed = 0
            if order.tries >= self._tries_max:
                self._under_way.remove(order)
                self._finish(order, Result.FAILED, self._why_unanswered(order))

    def _forget_owed(self) -> None:
        self._owed = 0
        self._grace_us = self._timeout_us
        self._skip_line = bool(self._partial)  # the beginning of an answer to what is forgotten
        self._partial = b""

    def _why_never_sent(self) -> str:
        if not self._is_open:
            return f"no connection to {self._address}: {self._closed_because}"
        names = ", ".join(order.name for order in self._under_way)
        behind = names or "earlier acknowledgements still owed"
        return f"not sent to {self._address} within {self._timeout_us * self._tries_max // 1000} ms: behind {behind}"

    def _why_unanswered(self, order: _Order) -> str:
        if not self._is_open and order.tries < self._tries_max:
            sent = "sent once before" if order.tries == 1 else f"sent {order.tries} times before"
            return f"no connection to {self._address}: {self._closed_because} ({sent}, never acknowledged)"
        assert self._acknowledge is not None
        tries = "1 try" if order.tries == 1 else f"{order.tries} tries"
        seen = "heard nothing" if self._heard is None else f"last heard {self._heard!r}"
        if self._heard is not None and self._matches(self._heard):
            seen += ", which may have answered another command"
        if not self._is_open:
            seen += f"; the link was closed: {self._closed_because}"
        return (
            f"no acknowledgement from {self._address} in {tries}: "
            f"expected a line that matches {self._acknowledge.pattern!r} within {self._timeout_us // 1000} ms, {seen}"
        )
