"""Who calls: a user of this machine by the kernel's word, or whoever shows a token."""

import pwd
import socket
import struct
import time

from aiohttp import web

from qsyd_daemon.api.attempts import Attempts
from qsyd_daemon.api.problem import ProblemError
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.route import Caller
from qsyd_daemon.api.token_file import Token
from qsyd_daemon.api.tokens import Tokens

TOKEN_WORDS = frozenset({"token", "access_token", "auth", "authorization", "key", "api_key"})
CHALLENGE = {"WWW-Authenticate": 'Bearer realm="qsyd"'}


def local_caller(request: web.BaseRequest) -> Caller:
    """A user who may open the control socket may do everything."""
    connection = request.transport.get_extra_info("socket") if request.transport else None
    if connection is None:
        return Caller(Role.ADMINISTER, "operator", is_local=True)
    credentials = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, user, _ = struct.unpack("3i", credentials)
    try:
        name = pwd.getpwuid(user).pw_name
    except KeyError:
        name = f"user {user}"
    return Caller(Role.ADMINISTER, name, is_local=True)


class Gatekeeper:
    """Tells callers over TCP apart. `open_to_visitors` where only this machine can reach the listener."""

    def __init__(self, tokens: Tokens, *, open_to_visitors: bool) -> None:
        self._tokens = tokens
        self._open = open_to_visitors
        self._attempts = Attempts()

    async def caller(self, request: web.BaseRequest) -> tuple[Caller, Token | None]:
        """Who this is. Raises `ProblemError`: 400 for a token in the address, 401, 429."""
        if any(name.lower() in TOKEN_WORDS for name in request.query):
            raise ProblemError(400, "a token never belongs in an address, where logs keep it; send it as a header")
        shown = request.headers.getall("Authorization", [])
        if not shown:
            if self._open:
                return Caller(Role.VISITOR, "visitor", is_local=False), None
            raise ProblemError(401, "this needs a token: Authorization: Bearer …", CHALLENGE)
        peer = peer_of(request)
        wait_s = self._attempts.wait_s(peer, time.monotonic())
        if wait_s is not None:
            raise ProblemError(429, "too many wrong tokens from this address", {"Retry-After": str(int(wait_s) + 1)})
        scheme, _, secret = shown[0].partition(" ")
        token = None
        if len(shown) == 1 and scheme.lower() == "bearer" and secret and secret.isascii():
            token = await self._tokens.find(secret)
        if token is None:
            self._attempts.failed(peer, time.monotonic())
            raise ProblemError(401, "this token is not one of the station's", CHALLENGE)
        return Caller(token.role, token.name, is_local=False), token

    def still_holds(self, token: Token | None) -> bool:
        """Whether a caller who came with this may stay."""
        return token is None or self._tokens.holds(token)

    async def refresh(self) -> None:
        """Read the tokens again, where their file has changed."""
        await self._tokens.refresh()


def peer_of(request: web.BaseRequest) -> str:
    """The address that it comes from."""
    name = request.transport.get_extra_info("peername") if request.transport is not None else None
    return str(name[0]) if name else "unknown"
