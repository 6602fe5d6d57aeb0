"""`GET /v1/events`: what happens, as it happens, in server-sent events (WHATWG HTML, section 9.2)."""

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any

from aiohttp import web

from qsyd_daemon.api.door import Door
from qsyd_daemon.api.event_ring import EventRing, Follower, block
from qsyd_daemon.api.problem import SAFE_HEADERS, ProblemError
from qsyd_daemon.api.route import Call

RETRY = b"retry: 2000\n\n"
PING = b": ping\n\n"
CHECK_S = 1.0
"""How often it is looked at whether a stream's token is still in force."""


async def stream(call: Call, ring: EventRing, status: Callable[[], dict[str, Any]]) -> web.StreamResponse:
    """A snapshot, then every event. With `Last-Event-ID`: what was missed, then the snapshot, then every event."""
    request = call.request
    door = request.protocol
    assert isinstance(door, Door)
    doorway = door.doorway
    if doorway.streams >= doorway.limits.streams_max:
        raise ProblemError(503, f"{doorway.streams} callers follow the events already", {"Retry-After": "10"})
    last_id = request.headers.get("Last-Event-ID")
    response = web.StreamResponse(headers=SAFE_HEADERS | {"Content-Type": "text/event-stream"})
    response.force_close()
    doorway.streams += 1
    follower = ring.follow(doorway.limits.lag_events, doorway.limits.lag_bytes)
    try:
        first = [RETRY]
        if last_id is not None:
            missed = ring.since(last_id)
            first += [block("gap", {"last_event_id": last_id[:100]})] if missed is None else missed
        first.append(block("snapshot", status(), ring.last_id))
        await response.prepare(request)
        await response.write(b"".join(first))
        await _follow(response, ring, follower, doorway.limits.ping_s, call.may_stay)
    except ConnectionError:
        pass  # they have left, or were cut
    finally:
        ring.leave(follower)
        doorway.streams -= 1
    return response


async def _follow(
    response: web.StreamResponse, ring: EventRing, follower: Follower, ping_s: float, may_stay: Callable[[], bool]
) -> None:
    loop = asyncio.get_running_loop()
    ping_at_s = loop.time() + ping_s
    while not ring.closed and may_stay():
        with contextlib.suppress(asyncio.TimeoutError):
            async with asyncio.timeout(max(0.0, min(CHECK_S, ping_at_s - loop.time()))):
                await follower.woken.wait()
        if follower.lagged:
            await response.write(block("lagged", {"last_event_id": ring.last_id}))
            return
        data = follower.take()
        if not data and loop.time() >= ping_at_s:
            data = PING
        if data:
            await response.write(data)
            ping_at_s = loop.time() + ping_s
