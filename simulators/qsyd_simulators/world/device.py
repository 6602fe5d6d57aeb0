"""A device output of the daemon and the device at the other end of its link, on the virtual clock.

The daemon's side is that of a line device: one ordinary command under way at a time, tries with a time-out each, safe
commands sent at once past what waits, and every command ended within `timeout_us * (retries + 1)`. The link carries
bytes in order, with latency; the device obeys in order, after its own time.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from qsyd_rules.command import SAFE_COMMANDS, Command, CommandName
from qsyd_rules.event import OutputAnswer
from qsyd_rules.readings import Readings
from qsyd_rules.words import Result
from qsyd_simulators.world.agenda import MS, Agenda, S
from qsyd_simulators.world.faults import DeviceTroubles
from qsyd_simulators.world.layout import DevicePlan

REOPEN_US = 50 * MS
"""A link that had been useful is opened again after this; else after `FIRST_US`, doubling to `LAST_US`."""
FIRST_US, LAST_US = 500 * MS, 30 * S
NOTICE_US = (1 * MS, 240 * MS)
"""From the other end's closing a link until the daemon knows."""

_UNDONE_BY = {
    CommandName.INHIBIT_TRANSMIT: frozenset({CommandName.RELEASE_TRANSMIT}),
    CommandName.AMPLIFIER_STANDBY: frozenset({CommandName.AMPLIFIER_OPERATE}),
    CommandName.HIGH_VOLTAGE_OFF: frozenset({CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OPERATE}),
}
"""What must not follow a safe command that overtook it."""


@dataclass(slots=True, eq=False)
class Order:
    """One command on its way; `is_over` once its end has been told."""

    ticket: int
    command: Command
    decided_us: int
    tries: int = 0
    is_over: bool = False
    is_ignored: bool = False
    """Whether it has had a whole time-out over an open link without an answer."""
    is_last: bool = False


class Device:
    """One output. What becomes of it is told through the callbacks, each with the device's name first."""

    def __init__(self, plan: DevicePlan, agenda: Agenda, random: Random, obey: Callable[[str, Command], None]) -> None:
        self.plan = plan
        self.name = plan.name
        self.troubles = DeviceTroubles()
        self.is_open = False
        self.frozen_until_us = 0
        """The daemon's loop stands still until then: nothing is sent meanwhile."""
        self.finished: Callable[[int, OutputAnswer], None] = lambda ticket, answer: None
        self.connected: Callable[[str], None] = lambda name: None
        self.lost: Callable[[str, str], None] = lambda name, reason: None
        self.told: Callable[[str, Readings], None] = lambda name, readings: None
        self.arrived: Callable[[Command, int], None] = lambda command, decided_us: None
        self.meters: Callable[[], Readings] = Readings
        self._agenda, self._random, self._obey = agenda, random, obey
        self._waiting: deque[Order] = deque()
        self._urgent: deque[Order] = deque()
        self._under_way: list[Order] = []
        self._epoch = 0
        """Of the daemon's end: answers of an earlier one reach nobody."""
        self._line = 0
        """Of the wire: what was on an earlier one is lost."""
        self._arrives_us = 0
        self._done_us = 0
        self._failures = 0
        self._runs = False

    # The daemon's end

    def start(self) -> None:
        """The daemon begins to keep the link."""
        self._runs = True
        self._failures = 0
        self._agenda.after(REOPEN_US, self._open, self._epoch)

    def forget(self) -> None:
        """The daemon has died: its orders are gone, what is on the wire still arrives."""
        self._runs = self.is_open = False
        self._epoch += 1
        for order in (*self._under_way, *self._urgent, *self._waiting):
            order.is_over = True
        self._under_way, self._urgent, self._waiting = [], deque(), deque()

    def submit(self, ticket: int, command: Command) -> None:
        """Take over a command: safe ones leave at once, whatever is under way."""
        order = Order(ticket, command, self._agenda.now_us)
        self._agenda.after(self.plan.timeout_us * (self.plan.retries + 1), self._expire, order)
        if command.name in SAFE_COMMANDS:
            self._overtake(command.name)
            self._urgent.append(order)
        else:
            self._waiting.append(order)
        self._advance()

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """None of these is sent again; what waits fails at once."""
        for order in self._under_way:
            order.is_last = order.is_last or order.command.name in names
        for order in [order for order in self._waiting if order.command.name in names]:
            self._end(order, Result.FAILED, "not sent: decided upon what does not hold any more")

    def reopen(self, reason: str) -> None:
        """The daemon gives the link up and opens it anew."""
        if self.is_open:
            self._close(reason)

    def _advance(self) -> None:
        if not self.is_open:
            return
        while self._urgent:
            self._send(self._urgent.popleft())
        while self._waiting and not self._under_way:
            self._send(self._waiting.popleft())

    def _send(self, order: Order) -> None:
        order.tries += 1
        if order.tries == 1:
            self._under_way.append(order)
        self._put_on_wire(order)
        if not self.plan.acknowledges:
            self._end(order, Result.ASSUMED, None)
            return
        self._agenda.after(self.plan.timeout_us, self._time_out, (order, order.tries, self._epoch))

    def _time_out(self, what: tuple[Order, int, int]) -> None:
        order, tries, epoch = what
        if order.is_over or order.tries != tries or epoch != self._epoch:
            return
        if self._agenda.now_us < self.frozen_until_us:
            self._agenda.at(self.frozen_until_us, self._time_out, what)
            return
        order.is_ignored = True
        if self._is_spent(order):
            self._give_up(order)
        else:
            self._send(order)

    def _is_spent(self, order: Order) -> bool:
        return order.is_last or order.tries > self.plan.retries

    def _expire(self, order: Order) -> None:
        """Its whole time is over: waited for a link, or behind another command."""
        if order.is_over:
            return
        if order in self._under_way and self.is_open:
            self._give_up(order)
            return
        self._end(order, Result.FAILED, "no connection" if not self.is_open else "not sent in time")
        self._advance()

    def _give_up(self, order: Order) -> None:
        self._end(order, Result.FAILED, f"no acknowledgement in {order.tries} tries")
        self.reopen("no acknowledgement")

    def _overtake(self, by: CommandName) -> None:
        undone = _UNDONE_BY[by]
        for order in list(self._under_way):
            if order.command.name not in SAFE_COMMANDS:
                self._end(order, Result.FAILED, f"overtaken by {by}")
        for order in [order for order in self._waiting if order.command.name in undone]:
            self._end(order, Result.FAILED, f"overtaken by {by}")

    def _end(self, order: Order, result: Result, error: str | None) -> None:
        order.is_over = True
        for orders in (self._under_way, self._urgent, self._waiting):
            if order in orders:
                orders.remove(order)
        ignored = order.is_ignored and result is Result.FAILED
        self.finished(order.ticket, OutputAnswer(self.name, result, error, ignored=ignored))

    # The link

    def cut(self, reason: str) -> None:
        """The other end closes the link, or the wire breaks: what is on it is lost, and the daemon soon knows."""
        self._line += 1
        if self.is_open:
            self._agenda.after(self._random.randint(*NOTICE_US), self._noticed, (self._epoch, reason))

    def _noticed(self, what: tuple[int, str]) -> None:
        epoch, reason = what
        if epoch == self._epoch and self.is_open:
            self._close(reason)

    def _close(self, reason: str) -> None:
        self.is_open = False
        self._epoch += 1
        self.lost(self.name, reason)
        self._agenda.after(self._pause_us(), self._open, self._epoch)

    def _pause_us(self) -> int:
        if self._failures == 0:
            return REOPEN_US
        full_us = min(LAST_US, FIRST_US << min(self._failures - 1, 10))
        return full_us * self._random.randint(80, 120) // 100

    def _open(self, epoch: int) -> None:
        if epoch != self._epoch or self.is_open or not self._runs:
            return
        if self.troubles.unreachable or self.troubles.unpowered:
            self._failures += 1
            self._agenda.after(self._pause_us(), self._open, self._epoch)
            return
        self.is_open = True
        self._failures = 0
        self.connected(self.name)
        for order in list(self._under_way):
            if not self._is_spent(order):
                self._send(order)
        self._advance()

    def _put_on_wire(self, order: Order) -> None:
        if self.troubles.half_open or self.troubles.unpowered:
            return
        delay_us = self.plan.latency_us + self._random.randint(0, self.plan.jitter_us)
        self._arrives_us = max(self._arrives_us, self._agenda.now_us + delay_us)
        self._agenda.at(self._arrives_us, self._arrive, (order, self._epoch, self._line))

    # The device's end

    def _arrive(self, what: tuple[Order, int, int]) -> None:
        order, _, line = what
        if line != self._line or self.troubles.silent or self.troubles.unpowered:
            return
        self.arrived(order.command, order.decided_us)
        done_us = max(self._done_us, self._agenda.now_us) + self.plan.work_us + self.troubles.slow_us
        self._done_us = done_us
        self._agenda.at(done_us, self._do, what)

    def _do(self, what: tuple[Order, int, int]) -> None:
        order, _, line = what
        if self.troubles.unpowered or order.command.name in self.troubles.refuses:
            return
        self._obey(self.name, order.command)
        if not (self.troubles.answer_lost or self.troubles.half_open or line != self._line):
            self._agenda.after(self.plan.latency_us + self._random.randint(0, self.plan.jitter_us), self._answer, what)

    def _answer(self, what: tuple[Order, int, int]) -> None:
        order, epoch, line = what
        if epoch != self._epoch or line != self._line or order.is_over or self.troubles.half_open:
            return
        self._end(order, Result.ACKNOWLEDGED, None)
        self._advance()

    def ask_readings(self, _: object = None) -> None:
        """Ask for its readings, now and then again."""
        self._agenda.after(self.plan.readings_every_us, self.ask_readings)
        troubles = self.troubles
        mute = troubles.silent or troubles.unpowered or troubles.half_open or troubles.answer_lost
        if self.is_open and not mute and not self._under_way:
            self._agenda.after(2 * self.plan.latency_us + self.plan.work_us, self._tell, (self._epoch, self.meters()))

    def _tell(self, what: tuple[int, Readings]) -> None:
        epoch, readings = what
        if epoch == self._epoch:
            self.told(self.name, readings)
