"""A control line of a serial port as transmit permit: asserted only while transmit is released.

The wire to the rig's inhibit input is this line, so what drops the line forbids transmitting: the command, the end of
the daemon in whatever way (with the high level releasing, the kernel takes the line low when the port is closed), a
pulled cable, lost power. Opening a port raises its lines for a moment before they can be taken low; no program can
stop Linux from that, which is why ports are kept open.

Setting a line may wait for the port's driver, so one thread does it, in the order of the commands. Whatever a release that hangs in a driver
does when it returns: it looks whether it is still wanted, and undoes itself.
"""

import asyncio
import contextlib
import errno
import threading
from collections.abc import Awaitable, Callable, Coroutine
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any

from qsyd_daemon.links.line_port import LinePort, OutputLine
from qsyd_daemon.links.link import Address, Link, SerialAddress, Speaker
from qsyd_daemon.outputs.device import KeepsLink
from qsyd_daemon.outputs.output import Performed
from qsyd_rules.command import Command, CommandName
from qsyd_rules.words import Result

TIMEOUT_S = 0.5
"""How long a command waits for the port to be open, and then for its driver, in seconds."""


class PermitLine:
    """The output: all of it runs on the event loop, but for `drop` and the calls into the driver."""

    def __init__(
        self,
        name: str,
        address: SerialAddress,
        line: OutputLine,
        active_high: bool,
        keep_link: Callable[[Address, Speaker], KeepsLink],
        warn: Callable[[str], None],
    ) -> None:
        """`keep_link` makes the keeper of a link that opens as a `LinePort`; `warn` hears of a port without lines."""
        self.name = name
        self.commands = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
        self._path = address.path
        self._line = line
        self._active_high = active_high
        self._keeper = keep_link(address, self)
        self._warn = warn
        self._port: LinePort | None = None
        self._opened = asyncio.Event()
        self._wants_release = False
        """Whether the newest word is to release; also read by the threads that move the line."""
        self.is_dropped = False
        """Whether `drop` has been called, and `allow` not since."""
        self._moves: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._connected: Callable[[str], None] = lambda name: None
        self._lost: Callable[[str, str], None] = lambda name, reason: None

    def start(self, connected: Callable[[str], None], lost: Callable[[str, str], None]) -> None:
        """Begin to keep the port open."""
        self._connected = connected
        self._lost = lost
        threading.Thread(target=self._work, name=f"line-{self.name}", daemon=True).start()
        self._keeper.start()

    def perform(self, command: Command) -> Coroutine[Any, Any, Performed]:
        """Move the line; await what is returned for its end, at most twice `TIMEOUT_S` later.

        Not a coroutine function: with the port open the move has begun when this call returns.
        """
        releases = command.name is CommandName.RELEASE_TRANSMIT
        if releases and self.is_dropped:
            return _at_once(Performed(Result.FAILED, f"{self._where} was dropped: the daemon had stood still"))
        self._wants_release = releases
        return self._end_of(releases, None if self._port is None else self._move(self._port, releases))

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """A permit is no contact that RF flows through, and a release gives itself up."""

    def drop(self) -> None:
        """Take the line to the level that inhibits, past everything else; transmit stays inhibited until `allow`.

        For any thread, and for when the event loop does not turn.
        """
        self.is_dropped = True
        self._wants_release = False
        port = self._port
        if port is not None:
            with contextlib.suppress(OSError):
                port.set_line(self._line, not self._active_high)

    def allow(self) -> None:
        """Whoever decides knows that the line was dropped: commands to release count again."""
        self.is_dropped = False

    async def close(self) -> None:
        """Inhibit, and close the port."""
        self._wants_release = False
        if self._port is not None:
            with contextlib.suppress(TimeoutError):
                await _outcome(self._move(self._port, releases=False))
        self._moves.put(None)
        await self._keeper.close()

    def link_opened(self, link: Link) -> None:
        """The port is open, its line inhibits; that it can be moved at all is tried at once."""
        assert isinstance(link, LinePort), "the keeper's opener makes ports with lines"
        self._port = link
        self._opened.set()
        if not self._wants_release:
            self._move(link, releases=False).add_done_callback(self._tried(asyncio.get_running_loop()))
        self._connected(self.name)

    def bytes_received(self, data: bytes) -> None:
        """Nobody speaks over this port: what comes is noise."""

    def link_closed(self, reason: str) -> None:
        """The port is gone: a line without power inhibits."""
        self._port = None
        self._opened.clear()
        self._wants_release = False
        self._lost(self.name, reason)

    @property
    def _where(self) -> str:
        return f"{self._line} of serial:{self._path}"

    async def _end_of(self, releases: bool, moving: Future[Performed] | None) -> Performed:
        try:
            if moving is None:
                async with asyncio.timeout(TIMEOUT_S):
                    await self._opened.wait()
                assert self._port is not None, "opened and closed follow each other on this loop"
                moving = self._move(self._port, releases)
            return await _outcome(moving)
        except TimeoutError:
            self._give_up(releases)
            if moving is None:
                because = self._keeper.closed_because or "not open yet"
                because = because.removeprefix(f"{self._path}: ")
                return Performed(Result.FAILED, f"no connection to serial:{self._path}: {because}")
            waited = f"the port's driver has not answered within {TIMEOUT_S * 1000:.0f} ms"
            return Performed(Result.FAILED, f"cannot set {self._where}: {waited}")
        except asyncio.CancelledError:
            self._give_up(releases)
            raise

    def _give_up(self, releases: bool) -> None:
        """Nobody waits for this command any more: a release must not come late."""
        if releases:
            self._wants_release = False

    def _move(self, port: LinePort, releases: bool) -> Future[Performed]:
        """Have the line moved."""
        outcome: Future[Performed] = Future()
        outcome.set_running_or_notify_cancel()

        def run() -> None:
            try:
                outcome.set_result(self._put(port, releases))
            except Exception as error:  # noqa: BLE001 - raised again where the command is awaited
                outcome.set_exception(error)

        self._moves.put(run)
        return outcome

    def _work(self) -> None:
        while (move := self._moves.get()) is not None:
            move()

    def _put(self, port: LinePort, releases: bool) -> Performed:
        high = releases is self._active_high
        if releases and not self._wants_release:
            return Performed(Result.FAILED, f"overtaken by {CommandName.INHIBIT_TRANSMIT}")
        try:
            port.set_line(self._line, high)
            if releases and not self._wants_release:
                port.set_line(self._line, not high)
                return Performed(Result.FAILED, f"overtaken by {CommandName.INHIBIT_TRANSMIT}, and undone")
        except OSError as error:
            return Performed(Result.FAILED, f"cannot set {self._where}: {_why(error)}")
        try:
            is_so = port.is_set(self._line, high)
        except OSError:
            return Performed(Result.ACKNOWLEDGED)  # a driver that sets lines and cannot say how they are
        if is_so:
            return Performed(Result.CONFIRMED)
        level = "low" if high else "high"
        return Performed(Result.FAILED, f"{self._where} was set {'high' if high else 'low'} and reads back {level}")

    def _tried(self, loop: asyncio.AbstractEventLoop) -> Callable[[Future[Performed]], None]:
        def tried(outcome: Future[Performed]) -> None:
            performed = outcome.result()
            if performed.error is not None:
                with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                    loop.call_soon_threadsafe(self._warn, f"{self.name}: {performed.error}")

        return tried


async def _at_once(performed: Performed) -> Performed:
    return performed


async def _outcome(moving: Future[Performed]) -> Performed:
    """The end of a move, which goes on when nobody waits any longer; raises TimeoutError."""
    awaited: Awaitable[Performed] = asyncio.wrap_future(moving)
    return await asyncio.wait_for(awaited, TIMEOUT_S)


def _why(error: OSError) -> str:
    # ENOTTY: "Inappropriate ioctl for device", which says nothing to an operator.
    if error.errno in (errno.ENOTTY, errno.EINVAL):
        return "this port has no control lines; use a serial port with RTS and DTR"
    return error.strerror or str(error)
