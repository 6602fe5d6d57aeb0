"""A device spoken to in lines over a link of its own: the asyncio side of `line_exchange`."""

import asyncio
import re
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from typing import Any, Protocol

from qsyd_daemon.links.link import Address, Link, Rfc2217Address, SerialAddress, Speaker, TcpAddress
from qsyd_daemon.outputs.line_effect import Effect, Finished, Reopen, Send, Told
from qsyd_daemon.outputs.line_exchange import LineExchange
from qsyd_daemon.outputs.meter_questions import MeterCounts, MeterQuestions, MeterSettings
from qsyd_daemon.outputs.output import Performed
from qsyd_daemon.outputs.renewal import Lease, Renewal
from qsyd_daemon.outputs.template import Template, TemplateError
from qsyd_rules.command import COMMAND_FIELDS, Command, CommandName
from qsyd_rules.readings import Readings
from qsyd_rules.words import Result

TIMEOUT_US = 500_000
"""Default time a device has to acknowledge one line, in microseconds."""

RETRIES = 2
"""Default number of times a command is sent again: three tries in all."""


class KeepsLink(Protocol):
    """What is asked of the keeper of a link."""

    closed_because: str | None
    """Why the link is not open; None while it is, and before the first attempt has ended."""

    def start(self) -> object:
        """Open the link, and open it again whenever it is lost."""

    def reopen(self, reason: str, *, answered: bool = False) -> object:
        """Close the link and open it again; the speaker hears `link_closed` at once or a little later."""

    def close(self) -> Awaitable[object]:
        """Close the link for good."""


class LineDevice:
    """A device output. All of it runs on the event loop; bytes that arrive resolve the command they acknowledge."""

    def __init__(
        self,
        name: str,
        address: Address,
        commands: Mapping[CommandName, Template],
        keep_link: Callable[[Address, Speaker], KeepsLink],
        *,
        acknowledge: re.Pattern[str] | None = None,
        timeout_us: int = TIMEOUT_US,
        retries: int = RETRIES,
        meters: MeterSettings | None = None,
        lease: Lease | None = None,
        told: Callable[[str, Readings], None] = lambda name, readings: None,
    ) -> None:
        """`keep_link` makes the keeper of the link. A command's text is acknowledged once, however many lines it has.

        `acknowledge` is searched in each line that the device sends; without it commands are `assumed` once sent.
        With `meters` the device is also asked for its readings, and `told(name, readings)` hears them.
        """
        self.name = name
        self.commands = frozenset(commands)
        self._templates = dict(commands)
        self._address = address_text(address)
        questions = None if meters is None else MeterQuestions(meters, timeout_us)
        self.counts: MeterCounts | None = None if questions is None else questions.counts
        """What has come of the questions for readings; None for a device that is not asked."""
        renewal = None if lease is None else Renewal(lease)
        self._exchange = LineExchange(self._address, acknowledge, timeout_us, retries, questions, renewal)
        self._told = told
        self._keeper = keep_link(address, self)
        self._link: Link | None = None
        self._futures: dict[int, asyncio.Future[Performed]] = {}
        self._last_ticket = 0
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at_us: int | None = None
        self._is_connected = False  # as last told to `connected` and `lost`
        self._connected: Callable[[str], None] = lambda name: None
        self._lost: Callable[[str, str], None] = lambda name, reason: None

    def start(self, connected: Callable[[str], None], lost: Callable[[str, str], None]) -> None:
        """Begin to keep the link. Each callback comes once for each change: no `lost` while it was never connected."""
        self._connected = connected
        self._lost = lost
        self._keeper.start()

    def perform(self, command: Command) -> Coroutine[Any, Any, Performed]:
        """Send one command; await what is returned for its end, at most `timeout_us * (retries + 1)` later.

        Not a coroutine function: on an idle open link the bytes have been written when this call returns, and those of
        a safe command on any open link. To cancel the wait is to abandon the command: it will not be sent (again).
        """
        fields = {field: getattr(command, field) for field in COMMAND_FIELDS[command.name]}
        future: asyncio.Future[Performed] = asyncio.get_running_loop().create_future()
        self._last_ticket = ticket = self._last_ticket + 1
        try:
            data = self._templates[command.name].render(fields).encode(errors="replace")
        except TemplateError as error:
            future.set_result(Performed(Result.FAILED, f"{command.name} cannot be written: {error}"))
        else:
            self._futures[ticket] = future
            self._carry_out(self._exchange.submit(ticket, command.name, data, self._now_us()))
        return self._end_of(ticket, future)

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """Send none of these again, nor for the first time; one that was sent has until its time-out to be answered."""
        self._carry_out(self._exchange.send_no_more(names))

    async def close(self) -> None:
        """Close the link, at once. What is under way fails; bytes the link has not sent yet are lost."""
        self._carry_out(self._exchange.abandon_all("the output was closed"))
        self._link = None
        self._exchange.closed("the output was closed")
        self._set_timer()
        await self._keeper.close()

    def link_opened(self, link: Link) -> None:
        """The link is open: what waited for it goes out."""
        self._link = link
        self._carry_out(self._exchange.opened(self._now_us()))
        if not self._is_connected:
            self._is_connected = True
            self._connected(self.name)

    def bytes_received(self, data: bytes) -> None:
        """Take in what the device says; a command it acknowledges ends within this call."""
        at_us = self._now_us()
        self._carry_out(self._exchange.received(data, at_us), at_us)

    def link_closed(self, reason: str) -> None:
        """The link broke or could not be opened; the keeper goes on trying."""
        self._link = None
        self._carry_out(self._exchange.closed(self._without_address(reason)))
        if self._is_connected:
            self._is_connected = False
            self._lost(self.name, reason)

    async def _end_of(self, ticket: int, future: asyncio.Future[Performed]) -> Performed:
        try:
            return await future
        except asyncio.CancelledError:
            self._futures.pop(ticket, None)
            self._carry_out(self._exchange.abandon(ticket, "nobody waits for it any more"))
            raise

    def _carry_out(self, effects: list[Effect], heard_at_us: int | None = None) -> None:
        told: list[Readings] = []
        for effect in effects:
            match effect:
                case Send(data):
                    if self._link is not None:
                        self._link.write(data)
                case Finished(ticket, result, error, ignored):
                    future = self._futures.pop(ticket, None)
                    if future is not None and not future.done():
                        is_answer = result is Result.ACKNOWLEDGED  # else it ended by itself, whatever came just now
                        future.set_result(Performed(result, error, ignored, heard_at_us if is_answer else None))
                case Told(readings):
                    told.append(readings)
                case Reopen(reason, answered):
                    self.link_closed(reason)
                    self._keeper.reopen(reason, answered=answered)
        self._set_timer()
        # Last of all: who hears it may hand over a command, whose bytes must not get in before those above.
        for readings in told:
            self._told(self.name, readings)

    def _set_timer(self) -> None:
        wake_at_us = self._exchange.wake_at_us()
        if wake_at_us == self._timer_at_us:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._timer_at_us = wake_at_us
        if wake_at_us is not None:
            self._timer = asyncio.get_running_loop().call_at(wake_at_us / 1_000_000, self._wake)

    def _wake(self) -> None:
        self._timer = self._timer_at_us = None
        if self._link is None and self._keeper.closed_because is not None:
            # Failed attempts to open are not told; the last one is the reason that counts now.
            self._carry_out(self._exchange.closed(self._without_address(self._keeper.closed_because)))
        self._carry_out(self._exchange.due(self._now_us()))

    def _without_address(self, reason: str) -> str:
        """The reason for a message that names the address itself."""
        return reason.removeprefix(self._address.partition(":")[2] + ": ")

    @staticmethod
    def _now_us() -> int:
        return int(asyncio.get_running_loop().time() * 1_000_000)


def address_text(address: Address) -> str:
    """The address as a station file writes it."""
    match address:
        case SerialAddress(path=path):
            return f"serial:{path}"
        case TcpAddress(host=host, port=port):
            return f"tcp:{host}:{port}"
        case Rfc2217Address(host=host, port=port):
            return f"rfc2217:{host}:{port}"
