"""The API of one station: every request over the control socket or TCP comes through here.

In this order: who may be reached (Host, Origin), who asks (token), what is asked (route, role), what is given (body);
only then does a handler see it. A request that is refused changes nothing.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from aiohttp import web
from pydantic import BaseModel, ValidationError
from structlog.typing import FilteringBoundLogger

from qsyd_daemon.api.acting import Acting
from qsyd_daemon.api.broadcast import Broadcast
from qsyd_daemon.api.caller import CHALLENGE, Gatekeeper, local_caller, peer_of
from qsyd_daemon.api.door import Door, DoorServer, Doorway, Limits
from qsyd_daemon.api.event_stream import stream
from qsyd_daemon.api.listener import TcpDoor, bind_unix
from qsyd_daemon.api.openapi import document
from qsyd_daemon.api.opening import Opening
from qsyd_daemon.api.origin import Authority, Border
from qsyd_daemon.api.page import Page
from qsyd_daemon.api.problem import PROBLEM, SAFE_HEADERS, ProblemError
from qsyd_daemon.api.refusals import Refusals
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.route import JSON, Call, Caller, Route
from qsyd_daemon.api.routes import table
from qsyd_daemon.api.station_view import StationView
from qsyd_daemon.api.strict_json import parse_object
from qsyd_daemon.api.tokens import Tokens
from qsyd_daemon.api.watching import Watching
from qsyd_daemon.control_path import control_path
from qsyd_daemon.lockout_file import LockoutError
from qsyd_daemon.store.errors import StoreError

LARGE_BODY = 8 * 1024 * 1024
"""Largest body of the control socket, in bytes, where a table of presets belongs."""
ONLY_TLS = "max-age=31536000"
"""A browser comes back over TLS only, for a year (RFC 6797, section 6.1)."""
REFRESH_S = 1.0
SHUTDOWN_S = 1.0


class Api:
    """Serves one station. `start`, then `close`."""

    def __init__(self, view: StationView, opening: Opening | None, log: FilteringBoundLogger) -> None:
        """`opening` is the TCP listener, bound already, with what the station file says of it."""
        self._view = view
        self._log = log
        self._opening = opening
        limits = opening.limits if opening is not None else Limits()
        self.unix = Doorway(limits, is_tcp=False)
        self.tcp = Doorway(limits, is_tcp=True)
        self._act = Acting(view)
        self._watching = Watching(view)
        self._broadcast = Broadcast(view.ring)
        self.routes = table(self._watching, self._act, self._events, self._metrics, self._openapi)
        self._by_path: dict[str, dict[str, Route]] = {}
        for route in self.routes:
            self._by_path.setdefault(route.path, {})[route.method] = route
        self._servers: list[DoorServer] = []
        self._listening: asyncio.Server | None = None
        self._tcp_door: TcpDoor | None = None
        self._gate: Gatekeeper | None = None
        self._border: Border | None = None
        self._page = Page()
        self._refreshing: asyncio.Task[None] | None = None
        self._path: Path | None = None
        self._description: bytes | None = None
        self._turns = asyncio.Lock()
        self._refusals = Refusals(log)

    @property
    def leases(self) -> list[str]:
        """Who holds a lease."""
        return self._act.leases.holders

    def renew_leases_within(self, lease_s: float) -> None:
        """Leases have to be renewed so often from their next renewal on."""
        self._act.leases.renew_within_s = lease_s

    @property
    def address(self) -> str | None:
        """Where it is reached over TCP; None where it is not."""
        if self._tcp_door is None or self._opening is None:
            return None
        host, port = self._tcp_door.address
        scheme = "https" if self._opening.tls is not None else "http"
        return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}"

    async def start(self, directory: Path) -> None:
        """Open the socket in the state directory, which must be locked: an old one is in nobody's use."""
        loop = asyncio.get_running_loop()
        server = DoorServer(self.unix, self._serve_local)
        self._path = control_path(directory)
        self._path.unlink(missing_ok=True)
        self._listening = await loop.create_unix_server(server, sock=bind_unix(self._path))
        self._servers.append(server)
        if self._opening is not None:
            await self._open_tcp(self._opening)

    async def close(self) -> None:
        """End every stream and connection, stop listening, and remove the socket."""
        self._act.leases.close()
        self._broadcast.close()
        if self._listening is not None:
            self._listening.close()
        if self._refreshing is not None:
            self._refreshing.cancel()
        if self._tcp_door is not None:
            self._tcp_door.close()
        self._refusals.close()
        await asyncio.gather(*(server.shutdown(SHUTDOWN_S) for server in self._servers))
        for doorway in (self.unix, self.tcp):
            doorway.close()
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    async def _open_tcp(self, opening: Opening) -> None:
        service = self._view.service
        tokens = Tokens(opening.tokens, lambda text: service.warn_soon("api-tokens", text))
        self._gate = Gatekeeper(tokens, open_to_visitors=opening.is_loopback)
        await self._gate.refresh()
        names = frozenset(Authority(host, port) for host, port in opening.names)
        self._border = Border("https" if opening.tls is not None else "http", names)
        server = DoorServer(self.tcp, self._serve_tcp)
        self._servers.append(server)
        self._tcp_door = TcpDoor(opening.listener, opening.tls, self.tcp, server)
        self._tcp_door.start()
        self._refreshing = asyncio.get_running_loop().create_task(self._refresh())
        self._log.info("api", address=self.address)

    async def _refresh(self) -> None:
        """Whoever follows the events leaves when their token is taken back."""
        while True:
            await asyncio.sleep(REFRESH_S)
            if self._gate is not None and self.tcp.streams:
                await self._gate.refresh()

    # A request

    async def _serve_local(self, request: web.BaseRequest) -> web.StreamResponse:
        return await self._serve(request, self._answer_local)

    async def _serve_tcp(self, request: web.BaseRequest) -> web.StreamResponse:
        response = await self._serve(request, self._answer_tcp)
        if response.status >= 400:
            self._refusals.turned_away(response.status, peer_of(request))
        if self._opening is not None and self._opening.tls is not None and not response.prepared:
            response.headers["Strict-Transport-Security"] = ONLY_TLS
        return response

    async def _serve(
        self, request: web.BaseRequest, answer: Callable[[web.BaseRequest], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        door = request.protocol
        assert isinstance(door, Door)
        may_go_on = door.request_began()
        try:
            response = await answer(request)
        except ProblemError as problem:
            response = problem.response()
        except (StoreError, LockoutError) as error:
            response = ProblemError(507, str(error)).response()
        if response.prepared:
            return response
        for name, value in SAFE_HEADERS.items():
            response.headers.setdefault(name, value)
        if response.content_type in {JSON, PROBLEM}:
            response.headers.setdefault("Content-Disposition", 'attachment; filename="api.json"')
        if not may_go_on or not request.content.is_eof():
            response.force_close()
        else:
            door.request_ended()
        return response

    async def _answer_local(self, request: web.BaseRequest) -> web.StreamResponse:
        return await self._answer(request, local_caller(request), _always)

    async def _answer_tcp(self, request: web.BaseRequest) -> web.StreamResponse:
        assert self._gate is not None
        assert self._border is not None
        local = request.transport.get_extra_info("sockname") if request.transport is not None else None
        if local is None:
            raise ProblemError(400, "the connection is gone")
        hosts, origins = request.headers.getall("Host", []), request.headers.getall("Origin", [])
        self._border.check(hosts, origins, (local[0], local[1]))
        page = self._page.answer(request)
        if page is not None:
            return page
        caller, token = await self._gate.caller(request)
        return await self._answer(request, caller, partial(self._gate.still_holds, token))

    async def _answer(
        self, request: web.BaseRequest, caller: Caller, may_stay: Callable[[], bool]
    ) -> web.StreamResponse:
        if not (1, 0) <= request.version <= (1, 1):
            raise ProblemError(505, "this speaks HTTP/1.1")
        route = self._route(request)
        if caller.role < route.role:
            if caller.role is Role.VISITOR:
                raise ProblemError(401, f"this needs a token to {route.role.word}", CHALLENGE)
            raise ProblemError(403, f"this needs a token to {route.role.word}; this one is to {caller.role.word}")
        if route.method == "GET":
            given = _query(request, route.takes)
        else:
            given = await self._body(request, route, caller)
            if self._gate is not None:
                await self._gate.refresh()  # the body may have taken its time
            if not may_stay():
                raise ProblemError(401, "this token has been taken back", CHALLENGE)
        if not caller.is_local:
            async with self._turns:
                await asyncio.sleep(0)  # one request a turn of the loop: the station's own events come in between
        telling = self._view.service.telling
        telling.rest()  # what is answered, and where a stream begins, is behind all that has happened
        answer = await route.run(Call(request, caller, given, may_stay))
        telling.rest()
        return answer

    def _route(self, request: web.BaseRequest) -> Route:
        methods = self._by_path.get(request.path)
        if methods is None or request.raw_path.partition("?")[0] != request.path:
            raise ProblemError(404, "there is nothing here; /openapi.json says what there is")
        route = methods.get(request.method)
        if route is None:
            raise ProblemError(405, f"this can be asked by {', '.join(methods)}", {"Allow": ", ".join(methods)})
        return route

    async def _body(self, request: web.BaseRequest, route: Route, caller: Caller) -> BaseModel:
        if request.query_string:
            raise ProblemError(400, "what is asked belongs in the body, not in the address")
        if request.content_type != "application/json":
            raise ProblemError(415, "requests are JSON: content type application/json")
        if "Content-Encoding" in request.headers:
            raise ProblemError(415, "requests are not compressed")
        if "Expect" in request.headers:
            raise ProblemError(417, "send the body without waiting")
        limits = self.tcp.limits
        most = LARGE_BODY if route.large and caller.is_local else limits.body_bytes
        data = await _read(request, most, limits.body_s)
        body = await asyncio.to_thread(parse_object, data) if len(data) > limits.body_bytes else parse_object(data)
        assert route.takes is not None
        return _validated(route.takes, body)

    # The routes that concern the server itself

    async def _events(self, call: Call) -> web.StreamResponse:
        return await stream(call, self._broadcast, self._view.status)

    async def _metrics(self, call: Call) -> web.StreamResponse:
        streams = self.unix.streams + self.tcp.streams
        return await self._watching.metrics(call, streams, self.tcp.connections)

    async def _openapi(self, call: Call) -> web.StreamResponse:
        if self._description is None:
            name = self._view.service.core.atlas.station.name
            self._description = await asyncio.to_thread(lambda: json.dumps(document(self.routes, name)).encode())
        return web.Response(body=self._description, content_type=JSON)


def _always() -> bool:
    return True


def _query(request: web.BaseRequest, model: type[BaseModel] | None) -> BaseModel | None:
    names = [name for name, _ in request.query.items()]
    if len(names) != len(set(names)):
        raise ProblemError(400, "a parameter is given twice")
    if model is None:
        if names:
            raise ProblemError(400, f"this takes no parameters, not {', '.join(names)[:100]!r}")
        return None
    return _validated(model, dict(request.query))


def _validated(model: type[BaseModel], given: dict[str, Any]) -> BaseModel:
    try:
        return model.model_validate(given)
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=False, include_input=False)
        errors = [{"field": ".".join(map(str, each["loc"]))[:100], "text": each["msg"]} for each in found[:20]]
        said = "; ".join(f"{each['field'] or 'request'}: {each['text']}" for each in errors)
        raise ProblemError(400, said, errors=errors) from None


async def _read(request: web.BaseRequest, most: int, within_s: float) -> bytes:
    """The body, bounded in size and time. Raises `ProblemError`."""
    too_large = ProblemError(413, f"the request has more than {most // 1024} KiB")
    if request.content_length is not None and request.content_length > most:
        raise too_large
    data = bytearray()
    try:
        async with asyncio.timeout(within_s):
            async for chunk in request.content.iter_any():
                data += chunk
                if len(data) > most:
                    raise too_large
    except TimeoutError:
        raise ProblemError(408, f"the request has not come within {within_s:g} s") from None
    except (web.PayloadAccessError, web.RequestPayloadError, ConnectionError):
        raise ProblemError(400, "the request has ended early") from None
    return bytes(data)
