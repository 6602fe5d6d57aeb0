"""A link that is kept: opened, watched, and opened again, whatever happens.

The loop that reopens lives outside of whatever speaks over the link. Nothing that an attempt raises ends it; only
`close` does. When a port's file appears anew (an adapter plugged in again, a new target behind its symlink), the next
attempt does not wait for the backoff.
"""

import asyncio
import os
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from enum import Enum, auto
from functools import partial
from typing import assert_never

from qsyd_daemon.links.guard import Guard
from qsyd_daemon.links.link import Address, Link, Rfc2217Address, SerialAddress, Speaker, TcpAddress
from qsyd_daemon.links.link_log import LinkLog, Log
from qsyd_daemon.links.open_error import OpenError
from qsyd_daemon.links.rfc2217 import Rfc2217Link, open_rfc2217
from qsyd_daemon.links.serial_port import SerialLink, open_serial
from qsyd_daemon.links.tcp import TcpLink, open_tcp

Opener = Callable[[Address, Callable[[bytes], None], Callable[[str], None]], Awaitable[Link]]

Tapping = Callable[[bool, bytes], None]
"""Is shown whether this end has sent the bytes, and the bytes."""

LOOK_EVERY_S = 1.0
"""How often a port that cannot be opened is looked for on the file system, in seconds: a bare `stat`."""


async def open_link(address: Address, received: Callable[[bytes], None], closed: Callable[[str], None]) -> Link:
    """Open whatever kind of address this is; raises OpenError."""
    match address:
        case SerialAddress():
            return await open_serial(address, received, closed)
        case TcpAddress():
            return await open_tcp(address, received, closed)
        case Rfc2217Address():
            return await open_rfc2217(address, received, closed)
        case _:
            assert_never(address)


@dataclass(frozen=True, slots=True)
class Backoff:
    """How long to wait before the next attempt, in seconds.

    At once (`immediate_s`) after a link that had been useful; else `first_s`, doubling to `last_s`, each varied by
    up to `spread` of itself so that many links do not retry in step.
    """

    immediate_s: float = 0.05
    first_s: float = 0.5
    last_s: float = 30.0
    spread: float = 0.2

    def delay_s(self, failures: int, jitter: random.Random) -> float:
        """The wait after so many lives in a row that were of no use, 0 or more."""
        if failures == 0:
            return self.immediate_s
        # The exponent is bounded, for a link may fail for years.
        full_s = min(self.last_s, self.first_s * 2.0 ** min(failures - 1, 30))
        return full_s * jitter.uniform(1 - self.spread, 1 + self.spread)


class KeptLink:
    """Keeps the link at `address` open for `speaker`, from `start` to `close`.

    The speaker is told `link_opened`, then bytes, then `link_closed`, always in pairs; failures to open are not told,
    they are `closed_because` and in the log. A life of the link counts as useful when bytes have arrived and it has
    been open for `useful_after_s`. Repeats in the log are gathered for `summary_every_s`.
    """

    def __init__(
        self,
        address: Address,
        speaker: Speaker,
        log: Log,
        name: str,
        *,
        backoff: Backoff = Backoff(),
        useful_after_s: float = 5.0,
        summary_every_s: float = 60.0,
        opener: Opener = open_link,
        jitter: random.Random | None = None,
    ) -> None:
        self._address = address
        self._speaker = speaker
        self._name = name
        self._backoff = backoff
        self._useful_after_s = useful_after_s
        self._opener = opener
        self._jitter = jitter or random.Random()
        self._log = LinkLog(log, name, summary_every_s)
        self._life: _Life | None = None
        self._task: asyncio.Task[None] | None = None
        self._taps: tuple[Tapping, ...] = ()
        self.closed_because: str | None = None
        """Why the link is not open, for the operator; None while it is, and before the first attempt has ended."""

    @property
    def is_open(self) -> bool:
        """Whether bytes can be written now."""
        return self._life is not None and not self._life.is_over.done()

    def start(self) -> None:
        """Begin to open the link. Once only; needs a running event loop."""
        assert self._task is None, f"link {self._name} has been started before"
        self._task = asyncio.get_running_loop().create_task(self._keep(), name=f"link {self._name}")

    async def close(self) -> None:
        """Close for good; the speaker is not called again."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait([self._task])
        self._log.close()

    def reopen(self, reason: str, *, answered: bool = False) -> None:
        """The speaker finds the link silent or useless: close it now, open it again after the backoff.

        `answered` says that the other end is there all the same, so that the backoff stays at a second.
        The speaker gets its `link_closed` a little later, not within this call. Does nothing when no link is open.
        """
        if self._life is not None:
            self._life.answered = answered
            self._life.end(reason)

    def begin_tap(self, tapping: Tapping) -> None:
        """Show every byte that passes from now on, over this life of the link and those to come. It must not raise."""
        if tapping not in self._taps:
            self._taps = (*self._taps, tapping)
        if self._life is not None:
            self._life.tap(self._taps)

    def end_tap(self, tapping: Tapping) -> None:
        """Show it no longer."""
        self._taps = tuple(each for each in self._taps if each != tapping)
        if self._life is not None:
            self._life.tap(self._taps)

    def take_taps(self, other: "KeptLink") -> None:
        """Whoever is shown what passes over another link is shown this one too, from its first byte on."""
        for tapping in other._taps:
            self.begin_tap(tapping)

    async def _keep(self) -> None:
        failures = 0
        while True:
            before = _presence(self._address)
            try:
                use = await self._live_once()
            except Exception as error:  # noqa: BLE001 - not even a failing log ends this loop
                self.closed_because = f"mistake in this program: {type(error).__name__}: {error}"
                use = _Use.NONE
            match use:
                case _Use.FULL:
                    failures = 0
                case _Use.SOME:
                    failures = min(failures + 1, 2)
                case _Use.NONE:
                    failures += 1
            if await self._pause(self._backoff.delay_s(failures, self._jitter), before):
                failures = min(failures, 2)  # not zero: an adapter with a loose plug comes and goes all day

    async def _live_once(self) -> "_Use":
        """Open, and serve until the link is lost; of what use it was."""
        life = _Life(self._speaker, self._log)
        try:
            link = await self._opener(self._address, life.received, life.lost)
        except asyncio.CancelledError:
            if _is_cancelled():
                raise
            return self._failed("the attempt was cancelled")
        except OpenError as error:
            return self._failed(str(error))
        except Exception as error:  # noqa: BLE001 - a driver or library may raise anything
            return self._failed(f"{type(error).__name__}: {error}")
        opened_at_s = asyncio.get_running_loop().time()
        try:
            self._life = life
            self.closed_because = None
            self._log.opened()
            life.begin(link, self._taps)
            reason = await life.is_over
        finally:
            self._life = None
            link.close()
        self.closed_because = reason
        life.tell_closed(reason)
        self._log.lost(reason)
        if life.heard and asyncio.get_running_loop().time() - opened_at_s >= self._useful_after_s:
            return _Use.FULL
        return _Use.SOME if life.answered else _Use.NONE

    def _failed(self, reason: str) -> "_Use":
        self.closed_because = reason
        self._log.cannot_open(reason)
        return _Use.NONE

    async def _pause(self, delay_s: float, before: "_Presence | None") -> bool:
        """Wait; true when cut short because the port's file is there and not the one that it was `before`."""
        if not isinstance(self._address, SerialAddress):
            await asyncio.sleep(delay_s)
            return False
        loop = asyncio.get_running_loop()
        until_s = loop.time() + delay_s
        while (left_s := until_s - loop.time()) > 0:
            await asyncio.sleep(min(left_s, LOOK_EVERY_S))
            now = _presence(self._address)
            if now is not None and now != before:
                return True
        return False


class _Use(Enum):
    """Of what use one life of a link was: `SOME` where the other end answered, and the speaker gave it up."""

    FULL = auto()
    SOME = auto()
    NONE = auto()


class _Life:
    """One opened link, from the attempt to its loss: passes on what happens to the speaker, in order."""

    __slots__ = ("_early", "_guard", "_link", "_speaker", "_taps", "answered", "heard", "is_over")

    def __init__(self, speaker: Speaker, log: LinkLog) -> None:
        self._speaker = speaker
        self._guard = Guard(log.broken_speaker)
        self._link: Link | None = None
        self._early: list[bytes] = []
        """What arrived before the speaker knew of the link."""
        self._taps: tuple[Tapping, ...] = ()
        self.heard = False
        self.answered = False
        self.is_over: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def begin(self, link: Link, taps: tuple[Tapping, ...]) -> None:
        self._link = link
        if taps:
            self.tap(taps)
        with self._guard:
            self._speaker.link_opened(link)
        for data in self._early:
            self.received(data)

    def tap(self, taps: tuple[Tapping, ...]) -> None:
        """Show what passes to these; what is written is seen by the link alone, so that it is asked for it."""
        self._taps = taps
        if isinstance(self._link, TcpLink | SerialLink | Rfc2217Link):
            self._link.tapped = partial(_show, taps, True) if taps else None

    def received(self, data: bytes) -> None:
        if self._link is None:
            self._early.append(data)
            return
        if self._taps:
            _show(self._taps, False, data)
        self.heard = True
        with self._guard:
            self._speaker.bytes_received(data)

    def lost(self, reason: str) -> None:
        if not self.is_over.done():
            self.is_over.set_result(reason)

    def end(self, reason: str) -> None:
        """Close the link from this side."""
        if self._link is not None:
            self._link.close()
        self.lost(reason)

    def tell_closed(self, reason: str) -> None:
        with self._guard:
            self._speaker.link_closed(reason)


def _show(taps: tuple[Tapping, ...], sent: bool, data: bytes) -> None:
    for tapping in taps:
        tapping(sent, data)


_Presence = tuple[int, int, int]


def _presence(address: Address) -> _Presence | None:
    """Which file is at the port's path now, links followed; None without one. `stat` in /dev never waits for a disk."""
    if not isinstance(address, SerialAddress):
        return None
    try:
        status = os.stat(address.path)
    except OSError:
        return None
    # The change time too: a port is often there some milliseconds before its permissions are.
    return status.st_dev, status.st_ino, status.st_ctime_ns


def _is_cancelled() -> bool:
    """Whether it is this task that is to end, and not just something that it waited for."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0
