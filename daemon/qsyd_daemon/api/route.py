"""What a route of the API is, and what a handler is given."""

import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from aiohttp import web
from pydantic import BaseModel, ConfigDict

from qsyd_daemon.api.role import Role

JSON = "application/json"
Model = TypeVar("Model", bound=BaseModel)


class Query(BaseModel):
    """The parameters of a GET; they come as text."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Body(BaseModel):
    """The JSON object of a POST."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. `operator` is the name that events carry."""

    role: Role
    operator: str
    is_local: bool
    """Whether it comes over the control socket, as a user of this machine."""


@dataclass(frozen=True, slots=True)
class Call:
    """One request, checked."""

    request: web.BaseRequest
    caller: Caller
    given: BaseModel | None
    may_stay: Callable[[], bool]
    """Whether the caller's token is still in force; for answers that take long."""

    def as_(self, model: type[Model]) -> Model:
        """The parameters or the body, which the route has checked to be of this kind."""
        assert isinstance(self.given, model)
        return self.given


Handler = Callable[[Call], Awaitable[web.StreamResponse]]


@dataclass(frozen=True, slots=True)
class Route:
    """One method of one path."""

    method: str
    path: str
    role: Role
    """Who may, at least."""
    summary: str
    run: Handler
    takes: type[BaseModel] | None = None
    """A `Query` for GET, a `Body` for POST."""
    answers: str = JSON
    large: bool = False
    """Whether the control socket takes a large body here: a table of presets."""


def json_answer(body: Any, status: int = 200) -> web.Response:
    """An answer of JSON."""
    return web.Response(body=json.dumps(body).encode(), status=status, content_type=JSON)
