"""Requests made from the description of the API, right and wrong, by somebody else's program (schemathesis).

None may break the station: no answer of 5xx but those that say what is full (503), each answer as the description has
it, nothing done for a role that may not, and the station goes on. `QSYD_LONG=1` makes thousands of each.
"""

import os
from collections import Counter
from collections.abc import Iterator
from typing import Any

import hypothesis
import pytest
import requests
import schemathesis
from api_station import ROLES, ApiStation, running_station
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from qsyd_daemon.api.role import Role

LONG = bool(os.environ.get("QSYD_LONG"))
EXAMPLES = int(os.environ.get("QSYD_FUZZ_EXAMPLES", "1000" if LONG else "30"))
"""Requests of each kind to one route by one role."""
STREAMS = frozenset({"/v1/events", "/v1/tap"})
FULL = 503
CHECKED = [response_schema_conformance, content_type_conformance, status_code_conformance]
LIMIT_S = 10.0


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStation]:
    with running_station(tmp_path_factory.mktemp("fuzz")) as running:
        yield running
        _, health = running.local("GET", "/healthz")
        assert health == {"healthy": True}
        assert running.daemon.process.poll() is None


def described(station: ApiStation) -> dict[str, Any]:
    """The description, with names of this station beside any text, so that requests get further."""
    document: dict[str, Any] = station.peer.ask("GET", "/openapi.json").json
    names = {
        "antenna": ["hill-beam", "long-wire", "low-loop"],
        "segment": ["20m/1", "40m/1", "80m/1"],
        "output": ["notes"],
        "for": ["30 min", "1 s", "24 h", "0 s", "-1 s"],
        "frequency": ["14.205 MHz", "7100 kHz", "0 Hz", "1e400 MHz"],
        "rig": ["main"],
        "since": ["15 min", "2026-05-01T14:30Z", "2026-13-41"],
        "at": ["22:30", "24:00"],
        "presets": [[{"antenna": "hill-beam", "segment": "20m/1", "tune": 100, "load": 200}]],
    }
    schemas = document["components"]["schemas"].values()
    for properties in (schema.get("properties", {}) for schema in schemas):
        for name in names.keys() & properties.keys():
            properties[name] = {"anyOf": [properties[name], {"enum": names[name]}]}
    for path in document["paths"].values():
        for operation in path.values():
            operation.pop("security")  # else tokens are left out at random: `test_api_attacks` does that
        for parameter in path.get("get", {}).get("parameters", ()):
            if parameter["name"] in names:
                parameter["schema"] = {"anyOf": [parameter["schema"], {"enum": names[parameter["name"]]}]}
    return document


class Prober:
    """Sends what is made up, as one role; judges every answer."""

    def __init__(self, station: ApiStation, role: Role) -> None:
        self.statuses: Counter[int] = Counter()
        self._station = station
        self._role = role
        self._session = requests.Session()
        self._session.trust_env = False
        self._headers = {"Authorization": f"Bearer {station.tokens[role.word]}"}

    def try_all(self) -> None:
        """Every route, with requests that the description allows and such that it does not."""
        schema = schemathesis.openapi.from_dict(described(self._station))
        for result in schema.get_all_operations():
            assert isinstance(result, Ok), result
            operation = result.ok()
            for mode in schemathesis.GenerationMode:
                if operation.path in STREAMS and mode is schemathesis.GenerationMode.POSITIVE:
                    continue  # they would not end
                self._try_one(operation, mode)

    def _try_one(self, operation: Any, mode: schemathesis.GenerationMode) -> None:
        needed = Role[operation.definition.raw["x-role"].upper()]
        may = self._role >= needed
        count = EXAMPLES if may else max(2, EXAMPLES // 8)

        @hypothesis.settings(
            max_examples=count,
            deadline=None,
            database=None,
            derandomize=not LONG,
            suppress_health_check=list(hypothesis.HealthCheck),
            phases=[hypothesis.Phase.generate],
        )
        @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
        def ask(case: schemathesis.Case[Any]) -> None:
            answer = case.call(
                base_url=f"http://{self._station.peer.authority}",
                session=self._session,
                headers=self._headers,
                timeout=LIMIT_S,
            )
            self.statuses[answer.status_code] += 1
            self._judge(case, answer, may=may)

        try:
            ask()
        except hypothesis.errors.Unsatisfiable:
            assert mode is schemathesis.GenerationMode.NEGATIVE, operation.path  # nothing wrong can be said of it

    def _judge(self, case: schemathesis.Case[Any], answer: Any, *, may: bool) -> None:
        shown = f"{case.as_curl_command()} -> {answer.status_code} {answer.text[:500]}"
        assert answer.status_code < 500 or answer.status_code == FULL, shown
        case.validate_response(answer, checks=CHECKED)
        if not may:
            assert answer.status_code == 403, shown
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == ["application/problem+json"], shown
            assert answer.json()["status"] == answer.status_code
            assert answer.json()["detail"], shown


@pytest.mark.timeout(0 if LONG else 120)
@pytest.mark.parametrize("role", ROLES)
def test_requests_made_from_the_description_break_nothing(station: ApiStation, role: str) -> None:
    prober = Prober(station, Role[role.upper()])
    prober.try_all()
    print(role, sum(prober.statuses.values()), "requests:", dict(sorted(prober.statuses.items())))
    assert prober.statuses[200] > 0
    if role != "administer":
        assert prober.statuses[403] > 0
