"""Follows the bytes of one link, both ways, as they pass; whoever reads slowly loses some and is told how many.

What passes is only noted in the call that carries it; everything else is made of it later, by whoever follows.
"""

import asyncio
import contextlib
import datetime
import difflib
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from aiohttp import web

from qsyd_daemon.api.broadcast import PING
from qsyd_daemon.api.door import Door
from qsyd_daemon.api.event_ring import block
from qsyd_daemon.api.event_stream import RETRY
from qsyd_daemon.api.problem import SAFE_HEADERS, ProblemError
from qsyd_daemon.api.route import Call
from qsyd_daemon.links.keeper import KeptLink
from qsyd_daemon.rig_follower import monotonic_us

CHUNKS_MAX = 2_000
"""Pieces that may wait for one reader."""
BYTES_MAX = 256 * 1024
LOOK_S = 0.5
"""How often it is looked whether the link is open, and still the one of this name."""


class Tap:
    """What has passed and was not read yet."""

    def __init__(self, woken: Callable[[], None]) -> None:
        self._woken = woken
        self._chunks: deque[tuple[int, bool, bytes]] = deque()
        self._bytes = 0
        self._dropped = 0

    def passed(self, sent: bool, data: bytes) -> None:
        """Some bytes have passed, sent by this end or received. Within the call that carries them."""
        if len(self._chunks) >= CHUNKS_MAX or self._bytes + len(data) > BYTES_MAX:
            self._dropped += len(data)
            return
        self._chunks.append((monotonic_us(), sent, bytes(data)))
        self._bytes += len(data)
        if len(self._chunks) == 1:
            self._woken()

    def take(self) -> list[tuple[str, Mapping[str, Any]]]:
        """What waits, as events by name; what was lost is told behind it."""
        told: list[tuple[str, Mapping[str, Any]]] = []
        behind_us = monotonic_us()
        now = datetime.datetime.now(datetime.UTC)
        for at_us, sent, data in self._chunks:
            time = now - datetime.timedelta(microseconds=behind_us - at_us)
            told.append(
                (
                    "bytes",
                    {
                        "at": at_us / 1e6,
                        "time": time.isoformat(timespec="microseconds").replace("+00:00", "Z"),
                        "direction": "sent" if sent else "received",
                        "hex": data.hex(),
                    },
                )
            )
        if self._dropped:
            told.append(("dropped", {"bytes": self._dropped}))
        self._chunks.clear()
        self._bytes = self._dropped = 0
        return told


async def tap(
    call: Call, name: str, links: Callable[[], Mapping[str, KeptLink]], closed: Callable[[], bool]
) -> web.StreamResponse:
    """The link as it is, then every byte, until the caller goes or `closed`. Raises `ProblemError`."""
    request, door = call.request, call.request.protocol
    assert isinstance(door, Door)
    doorway = door.doorway
    if name not in links():
        raise ProblemError(404, _unknown(name, tuple(links())))
    if doorway.streams >= doorway.limits.streams_max:
        raise ProblemError(503, f"{doorway.streams} callers follow something already", {"Retry-After": "10"})
    response = web.StreamResponse(headers=SAFE_HEADERS | {"Content-Type": "text/event-stream"})
    response.force_close()
    doorway.streams += 1
    follower = _Follower(name, links)
    try:
        await response.prepare(request)
        await response.write(RETRY)
        await follower.follow(response, lambda: not closed() and call.may_stay(), doorway.limits.ping_s)
    except ConnectionError:
        pass  # they have left, or were cut
    finally:
        follower.leave()
        doorway.streams -= 1
    return response


class _Follower:
    """Stays with the link of one name, also when a reload puts another in its place."""

    def __init__(self, name: str, links: Callable[[], Mapping[str, KeptLink]]) -> None:
        self._name = name
        self._links = links
        self._woken = asyncio.Event()
        self._tap = Tap(self._woken.set)
        self._link: KeptLink | None = None
        self._shown: object = None

    def leave(self) -> None:
        """Follow no longer."""
        for link in (self._link, self._links().get(self._name)):  # which may be another one by now, with this tap
            if link is not None:
                link.end_tap(self._tap.passed)
        self._link = None

    async def follow(self, response: web.StreamResponse, may_stay: Callable[[], bool], ping_s: float) -> None:
        loop = asyncio.get_running_loop()
        ping_at_s = loop.time() + ping_s
        while may_stay():
            told = [*self._state(), *self._tap.take()]
            if not told and self._link is None:
                return
            if told or loop.time() >= ping_at_s:
                await response.write(b"".join(block(event, data) for event, data in told) or PING)
                ping_at_s = loop.time() + ping_s
            self._woken.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self._woken.wait()

    def _state(self) -> list[tuple[str, Mapping[str, Any]]]:
        """Whether the link is open, on each change; at last that there is none of this name any more."""
        link = self._links().get(self._name)
        if link is not self._link:
            self._link = None
            if link is None:
                return [("gone", {"link": self._name})]
            self._link, self._shown = link, None
            link.begin_tap(self._tap.passed)
        if link is None:
            return []
        state = {"link": self._name, "open": link.is_open, "because": link.closed_because}
        if state == self._shown:
            return []
        self._shown = state
        return [("link", state)]


def _unknown(name: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.4)
    near = near or [each for each in known if name and name.lower() in each.lower()]
    shown = "".join(character if character.isprintable() else "?" for character in name[:64])
    hint = f"did you mean {', or '.join(near)}?" if near else f"there are: {', '.join(known) or 'none'}"
    return f"there is no link {shown!r}; {hint}"
