"""`GET /v1/events`: what happens, as it happens, in server-sent events (WHATWG HTML, section 9.2)."""

import asyncio
from collections.abc import Callable
from typing import Any

from aiohttp import web

from qsyd_daemon.api.broadcast import Broadcast, Follower
from qsyd_daemon.api.door import Door
from qsyd_daemon.api.event_ring import block
from qsyd_daemon.api.problem import SAFE_HEADERS, ProblemError
from qsyd_daemon.api.route import Call

RETRY = b"retry: 2000\n\n"


async def stream(call: Call, broadcast: Broadcast, status: Callable[[], dict[str, Any]]) -> web.StreamResponse:
    """A snapshot, then every event. With `Last-Event-ID`: what was missed, then the snapshot, then every event."""
    request, ring = call.request, broadcast.ring
    door = request.protocol
    assert isinstance(door, Door)
    doorway = door.doorway
    if doorway.streams >= doorway.limits.streams_max:
        raise ProblemError(503, f"{doorway.streams} callers follow the events already", {"Retry-After": "10"})
    last_id = request.headers.get("Last-Event-ID")
    response = web.StreamResponse(headers=SAFE_HEADERS | {"Content-Type": "text/event-stream"})
    response.force_close()
    doorway.streams += 1
    follower: Follower | None = None
    try:
        first = [RETRY]
        if last_id is not None:
            missed = ring.since(last_id)
            first += [block("gap", {"last_event_id": last_id[:100]})] if missed is None else missed
        first.append(block("snapshot", status(), ring.last_id))
        loop = asyncio.get_running_loop()
        is_chunked = request.version >= (1, 1)  # as the response will be, having no length
        follower = Follower(door, ring.last, call.may_stay, chunked=is_chunked, now_s=loop.time())
        door.keep_little()
        await response.prepare(request)
        await response.write(b"".join(first))
        broadcast.join(follower)
        await follower.ended
    except ConnectionError:
        pass  # they have left, or were cut
    finally:
        if follower is not None:
            broadcast.leave(follower)
        doorway.streams -= 1
    return response
