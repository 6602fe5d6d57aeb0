"""A small station with its API open over TCP: a process of its own, or in this process with shortened times."""

import json
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import structlog
from raw_http import Answer, Peer
from running_daemon import RunningDaemon, qsyd

from qsyd_daemon.api.door import Limits
from qsyd_daemon.api.opening import open_api
from qsyd_daemon.client import call
from qsyd_daemon.daemon import Daemon, Ways
from qsyd_daemon.links.link import TcpAddress
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.store.store import Store
from qsyd_simulators.rig_server import serve_on_loopback

STATION = """\
station: Heron Quay
region: 2
rigs: {main: {link: simulated, poll: 50 ms}}
antennas:
  hill-beam: {port: 1, bands: [20m, 15m, 10m]}
  long-wire: {port: 2, bands: [80m, 40m]}
  low-loop: {port: 3, bands: [40m, 20m], max_power: 500 W}
amplifier: {warm_up: 150 s, bands: [80m, 40m, 20m]}
segments: {20m: 1}
rules:
  - {name: wire at night, when: {band: 40m, between: 22:00..06:00}, then: {antenna: low-loop}}
outputs: {notes: {kind: jsonl}}
api: {listen: "127.0.0.1:0", lease: 3 s}
"""
ROLES = ("watch", "operate", "administer")
VOLATILE = ("left_s", "ready_in_s", "next_in_s", "since_ms")


@dataclass
class ApiStation:
    """A running station and its tokens by role."""

    daemon: RunningDaemon
    peer: Peer
    tokens: Mapping[str, str] = field(repr=False)

    @property
    def state(self) -> Path:
        return self.daemon.state

    def local(self, method: str, target: str, body: object = None) -> tuple[int, dict[str, Any]]:
        """The same asked over the control socket."""
        return call(self.daemon.state, method, target, body)

    def trace(self) -> tuple[Any, int]:
        """What a request without authority must leave as it is: the status, and how many events have been told."""
        _, status = self.local("GET", "/v1/status")
        return _steady(status), self.daemon.mark()

    def post(self, target: str, body: object, role: str = "operate", **options: Any) -> Answer:
        return self.peer.post(target, body, token=self.tokens[role], **options)


def _steady(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _steady(each) for key, each in value.items() if key not in VOLATILE}
    return value


def make_tokens(state: Path) -> dict[str, str]:
    """One of each role, as the command makes them."""
    made = {}
    for role in ROLES:
        done = qsyd("token", "new", role, "--name", f"{role}-one", "--state", str(state))
        assert done.returncode == 0, done.stderr
        made[role] = done.stdout.strip()
    return made


@contextmanager
def running_station(directory: Path, text: str = STATION, *, tokens: bool = True) -> Iterator[ApiStation]:
    """The daemon as its users run it."""
    state, file = directory / "state", directory / "station.yaml"
    file.write_text(text, encoding="utf-8")
    made = make_tokens(state) if tokens else {}
    with RunningDaemon(file, state) as daemon:
        daemon.wait_for("placed", 20)
        address = urlsplit(daemon.status()["api"]["address"])
        assert address.port is not None
        yield ApiStation(daemon, Peer(address.port), made)


@asynccontextmanager
async def near_station(directory: Path, limits: Limits, text: str = STATION) -> AsyncIterator[tuple[Daemon, Peer]]:
    """The same in this process, with other limits."""
    state, path = directory / "state", directory / "station.yaml"
    state.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    file = load_station(path)
    assert file.api is not None
    opening = replace(open_api(file.api, path, state), limits=limits)
    rig = await serve_on_loopback("ascii-cat", 11, 0x94)
    ways = Ways(state, simulated={"main": TcpAddress("127.0.0.1", rig.port)}, opening=opening)
    daemon = Daemon(file, ways, Store.open(state), structlog.get_logger())
    await daemon.start()
    try:
        yield daemon, Peer(opening.listener.getsockname()[1])
    finally:
        await daemon.close()
        await rig.close()


def dumps(value: object) -> bytes:
    return json.dumps(value).encode()
