"""The control socket: HTTP over a Unix socket that only this user may open. GET never acts."""

import json
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from aiohttp import web

from qsyd_daemon.control_path import control_path
from qsyd_daemon.lockout_file import LockoutError
from qsyd_daemon.preset_table import PresetTableError, preset_from_json, preset_to_json
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.service import Service
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.tune_up_desk import TuneUpDesk, numbers_of
from qsyd_rules.effect import Answer
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.tune_up import TuneWord
from qsyd_rules.tune_up_steps import TuneRefusedError

BODY_MAX = 8 * 1024 * 1024
"""Largest request in bytes: a table of presets."""


class Refused(Exception):  # noqa: N818 - reads as what it says
    """A request that cannot be done, in words for the operator."""


class ControlSocket:
    """Serves one service to the commands of the same user."""

    def __init__(self, service: Service, desk: TuneUpDesk, status: Callable[[], dict[str, Any]]) -> None:
        self._service = service
        self._desk = desk
        self._status = status
        self._runner: web.AppRunner | None = None
        self._path: Path | None = None

    async def start(self, directory: Path) -> None:
        """Open the socket in the state directory, which must be locked: an old one is in nobody's use."""
        application = web.Application(client_max_size=BODY_MAX, middlewares=[_problems])
        application.add_routes(
            [
                web.get("/v1/status", self._get_status),
                web.get("/v1/tube", self._get_tube),
                web.post("/v1/amplifier", self._ask_amplifier),
                web.post("/v1/acknowledge", self._acknowledge),
                web.post("/v1/lockout", self._lock_out),
                web.get("/v1/tune", self._get_tune),
                web.post("/v1/tune", self._tune),
                web.get("/v1/presets", self._get_presets),
                web.post("/v1/presets", self._save_presets),
                web.post("/v1/presets/remove", self._remove_preset),
            ]
        )
        self._runner = web.AppRunner(application, handle_signals=False, access_log=None, shutdown_timeout=1.0)
        await self._runner.setup()
        self._path = control_path(directory)
        self._path.unlink(missing_ok=True)
        listener = _listen(self._path)
        await web.SockSite(self._runner, listener).start()

    async def close(self) -> None:
        """Stop serving and remove the socket."""
        if self._runner is not None:
            await self._runner.cleanup()
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    async def _get_status(self, request: web.Request) -> web.Response:
        return web.json_response(self._status())

    async def _get_tube(self, request: web.Request) -> web.Response:
        return web.json_response(self._service.experience.tube_to_json(monotonic_us()))

    async def _ask_amplifier(self, request: web.Request) -> web.Response:
        asked = await _body(request)
        word = asked.get("request")
        if word not in list(AmplifierRequest):
            raise Refused(f"the amplifier may be asked for {', '.join(AmplifierRequest)}")
        answer = await self._service.ask(AmplifierRequest(word), _operator(request))
        return _answered(answer)

    async def _get_tune(self, request: web.Request) -> web.Response:
        return web.json_response({"tune_up": self._desk.shown()})

    async def _tune(self, request: web.Request) -> web.Response:
        asked = await _body(request)
        word, antenna, segment = asked.get("say"), asked.get("antenna"), asked.get("segment")
        if not all(each is None or isinstance(each, str) for each in (antenna, segment)):
            raise Refused("antenna and segment are names")
        try:
            if word == "begin":
                everything = asked.get("everything") is True
                self._desk.begin(antenna, segment, everything=everything, operator=_operator(request))
            elif word == "numbers":
                self._desk.give(numbers_of(asked.get("numbers")))
            elif word in list(TuneWord):
                self._desk.say(TuneWord(word))
            else:
                raise Refused(f"say begin, numbers, {', '.join(TuneWord)}")
        except TuneRefusedError as refused:
            return web.json_response({"text": str(refused), "tune_up": self._desk.shown()}, status=409)
        return web.json_response({"tune_up": self._desk.shown()})

    async def _acknowledge(self, request: web.Request) -> web.Response:
        asked = await _body(request)
        number, reason = asked.get("number"), asked.get("reason")
        if not (number is None or (isinstance(number, int) and not isinstance(number, bool))):
            raise Refused("a fault is named by its number")
        if not (reason is None or isinstance(reason, str)):
            raise Refused("the reason must be text")
        answer = await self._service.acknowledge(number, _operator(request), _words(reason) if reason else None)
        return _answered(answer)

    async def _lock_out(self, request: web.Request) -> web.Response:
        asked = await _body(request)
        if asked.get("on") is False:
            return web.json_response({"text": await self._service.end_lockout()})
        reason, name = asked.get("reason"), asked.get("name") or _operator(request)
        if asked.get("on") is not True or not isinstance(reason, str) or not isinstance(name, str):
            raise Refused("a lockout needs a reason and a name")
        if not _words(reason) or not _words(name):
            raise Refused("a lockout needs a reason and a name, not empty ones")
        return web.json_response({"text": await self._service.lock_out(_words(name), _words(reason))})

    async def _get_presets(self, request: web.Request) -> web.Response:
        presets = self._service.store.presets()
        return web.json_response({"presets": [preset_to_json(presets[key]) for key in sorted(presets)]})

    async def _save_presets(self, request: web.Request) -> web.Response:
        given = (await _body(request)).get("presets")
        if not isinstance(given, list):
            raise Refused("presets must be a list")
        presets = self._service.with_edges([preset_from_json(each) for each in given])
        await self._service.save_presets(presets)
        return web.json_response({"saved": [preset_to_json(preset) for preset in presets]})

    async def _remove_preset(self, request: web.Request) -> web.Response:
        asked = await _body(request)
        antenna, segment = asked.get("antenna"), asked.get("segment")
        if not isinstance(antenna, str) or not isinstance(segment, str):
            raise Refused("a preset is named by antenna and segment")
        if not await self._service.remove_preset(antenna, segment):
            return web.json_response({"text": f"there is no preset for {antenna} on {segment}"}, status=404)
        return web.json_response({"removed": {"antenna": antenna, "segment": segment}})


def _listen(path: Path) -> socket.socket:
    """Bind with the mode already right: there is no instant at which others could connect."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    mask = os.umask(0o177)
    try:
        listener.bind(str(path))
    finally:
        os.umask(mask)
    return listener


def _answered(answer: Answer) -> web.Response:
    body = {"accepted": answer.accepted, "text": answer.text, "ready_in_s": answer.ready_in_s}
    return web.json_response(body, status=200 if answer.accepted else 409)


def _words(text: str) -> str:
    """Text of an operator on one line, without what a terminal would obey."""
    return "".join(character if character.isprintable() else " " for character in text).strip()[:200]


async def _body(request: web.Request) -> dict[str, Any]:
    if request.content_type != "application/json":
        raise Refused("requests are JSON: content type application/json")
    try:
        body = json.loads(await request.text())
    except (ValueError, RecursionError):
        raise Refused("the request is not JSON") from None
    if not isinstance(body, dict):
        raise Refused("the request must be a JSON object")
    return body


def _operator(request: web.Request) -> str:
    """The name of the user who asks, as the kernel tells it."""
    connection = request.transport.get_extra_info("socket") if request.transport else None
    if connection is None:
        return "operator"
    credentials = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, user, _ = struct.unpack("3i", credentials)
    try:
        return pwd.getpwuid(user).pw_name
    except KeyError:
        return f"user {user}"


@web.middleware
async def _problems(
    request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> web.StreamResponse:
    try:
        return await handler(request)
    except Refused as refused:
        return web.json_response({"text": str(refused)}, status=400)
    except PresetTableError as error:
        return web.json_response({"text": "; ".join(error.errors)}, status=400)
    except (StoreError, LockoutError) as error:
        return web.json_response({"text": str(error)}, status=507)
