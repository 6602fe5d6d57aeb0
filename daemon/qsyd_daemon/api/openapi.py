"""The description of the API (OpenAPI 3.1.0), made from the table of routes."""

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel

from qsyd_daemon import __version__
from qsyd_daemon.api.answers import ANSWERS
from qsyd_daemon.api.problem import PROBLEM
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.route import JSON, Route

_SCHEMAS = "#/components/schemas/{model}"
_PROBLEM: dict[str, Any] = {
    "type": "object",
    "description": "RFC 9457",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
    },
}


def document(routes: Iterable[Route], station: str) -> dict[str, Any]:
    """The whole description."""
    paths: dict[str, dict[str, Any]] = {}
    schemas: dict[str, Any] = {"Problem": _PROBLEM}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": f"qsyd at {station}",
            "version": __version__,
            "description": "A supervisor of an amateur-radio station, not an interlock: plate voltage and RF kill, "
            "and the hardware's own protection, local code and licensed practice come first.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _operation(route: Route, schemas: dict[str, Any]) -> dict[str, Any]:
    is_json = route.answers.startswith(JSON)
    answer = ANSWERS.get((route.method, route.path), {"type": "object"}) if is_json else {"type": "string"}
    content = {route.answers: {"schema": answer}}
    operation: dict[str, Any] = {
        "summary": route.summary,
        "operationId": f"{route.method.lower()}{route.path.replace('/', '-').replace('.', '-')}",
        "security": [{"token": []}] if route.role > Role.VISITOR else [{}, {"token": []}],
        "x-role": route.role.word,
        "responses": {
            "200": {"description": "done", "content": content},
            "default": {
                "description": "not done, and why",
                "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}},
            },
        },
    }
    if route.takes is not None and route.method == "GET":
        operation["parameters"] = _parameters(route.takes)
    elif route.takes is not None:
        schema = route.takes.model_json_schema(ref_template=_SCHEMAS)
        schemas |= schema.pop("$defs", {})
        schemas[route.takes.__name__] = schema
        reference = {"$ref": _SCHEMAS.format(model=route.takes.__name__)}
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": reference}}}
    return operation


def _parameters(model: type[BaseModel]) -> list[dict[str, Any]]:
    schema = model.model_json_schema()
    definitions, needed = schema.get("$defs", {}), schema.get("required", [])
    return [
        {"name": name, "in": "query", "required": name in needed, "schema": _inlined(value, definitions)}
        for name, value in schema["properties"].items()
    ]


def _inlined(schema: Any, definitions: dict[str, Any]) -> Any:
    if isinstance(schema, dict):
        if "$ref" in schema:
            return _inlined(definitions[schema["$ref"].rpartition("/")[2]], definitions)
        return {key: _inlined(value, definitions) for key, value in schema.items()}
    return [_inlined(each, definitions) for each in schema] if isinstance(schema, list) else schema
