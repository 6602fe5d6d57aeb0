"""What went wrong, for programs and people: problem details for HTTP APIs (RFC 9457)."""

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from aiohttp import web

PROBLEM = "application/problem+json"
SAFE_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "Server": "qsyd",
    "X-Content-Type-Options": "nosniff",
}
"""What every answer carries: nothing is kept by caches, embedded by strangers or guessed at."""


class ProblemError(Exception):
    """A request that cannot be served. `detail` is for the person behind it; `more` are further members."""

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None, **more: Any) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = dict(headers or {})
        self.more = more

    @property
    def body(self) -> dict[str, Any]:
        """The members of the problem."""
        return {"type": "about:blank", "title": title(self.status), "status": self.status, "detail": self.detail} | (
            self.more
        )

    def response(self) -> web.Response:
        """The problem as an answer."""
        data = json.dumps(self.body).encode()
        return web.Response(body=data, status=self.status, content_type=PROBLEM, headers=self.headers)

    def bytes(self) -> bytes:
        """The whole answer for where no request could be read; the connection is closed after it."""
        data = json.dumps(self.body).encode()
        head = [f"HTTP/1.1 {self.status} {title(self.status)}", f"Content-Type: {PROBLEM}"]
        head += [f"{name}: {value}" for name, value in (SAFE_HEADERS | self.headers).items()]
        head += [f"Content-Length: {len(data)}", "Connection: close", "", ""]
        return "\r\n".join(head).encode("ascii") + data


def title(status: int) -> str:
    """The registered phrase of a status (RFC 9110, section 15)."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Problem"
