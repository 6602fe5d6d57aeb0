"""Reloads of a daemon in this process: its bounds, its messages to a service manager, and what it keeps in memory."""

import asyncio
import gc
import os
import socket
import threading
import tracemalloc
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import structlog

from qsyd_daemon.daemon import Daemon, Ways
from qsyd_daemon.links.link import TcpAddress
from qsyd_daemon.notify import Notifier
from qsyd_daemon.reload_outcome import Ending, Outcome
from qsyd_daemon.reloader import Reloader
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.station_file.settings import StationFile
from qsyd_daemon.store.store import Store
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas
from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.tcp_port import TcpPort
from qsyd_simulators.transceiver import Transceiver

RELOADS = 10_000 if os.environ.get("QSYD_LONG") else 300
GROWTH_BYTES_MAX = 100_000
"""What hundreds or thousands of reloads may leave behind; a single station of these takes more."""

STATION = """\
station: Gull Point
region: 2
rigs: {{main: {{link: simulated, poll: 50 ms}}}}
antennas:
  beam: {{port: {port}, bands: [20m, 15m]}}
  wire: {{port: 2, bands: [80m, 40m]}}
amplifier: {{warm_up: {warm_up}, bands: [80m, 40m, 20m]}}
segments: {{20m: {parts}}}
rules:
  - {{name: "{rule}", when: {{mode: data}}, then: {{drive: {drive} W, warn: "{rule}"}}}}
outputs: {{notes: {{kind: jsonl, path: {notes}}}}}
"""


def text(number: int) -> str:
    """One of many stations, each a little different from the one before."""
    return STATION.format(
        port=1 + 2 * (number % 2),
        warm_up=f"{150 + number % 7} s",
        parts=1 + number % 3,
        rule=f"rule {number}",
        drive=20 + number % 50,
        notes=f"notes-{number % 2}.jsonl",
    )


@dataclass
class Inside:
    daemon: Daemon
    transceiver: Transceiver
    file: Path

    @property
    def reloader(self) -> Reloader:
        return self.daemon.reloader

    async def reload(self, number: int, *, only_check: bool = False) -> Outcome:
        self.file.write_text(text(number))
        return await self.reloader.reload("a test", only_check=only_check)


@asynccontextmanager
async def inside(
    directory: Path, station: str | None = None, *, rest_within_s: float = 30.0, notify: str | None = None
) -> AsyncIterator[Inside]:
    state, path = directory / "state", directory / "station.yaml"
    state.mkdir()
    path.write_text(text(0) if station is None else station)
    transceiver = Transceiver()
    rig = TcpPort(lambda: AsciiCatVoice(transceiver, 11), port=0)
    await rig.start()
    ways = Ways(
        state,
        simulated={"main": TcpAddress("127.0.0.1", rig.port)},
        notifier=Notifier(notify),
        rest_within_s=rest_within_s,
    )
    daemon = Daemon(load_station(path), ways, Store.open(state), structlog.get_logger())
    await daemon.start()
    try:
        await until(lambda: daemon.service.state.station.rigs["main"].up)
        yield Inside(daemon, transceiver, path)
    finally:
        await daemon.close()
        await rig.close()


async def until(is_so: Callable[[], bool], within_s: float = 10.0) -> None:
    async with asyncio.timeout(within_s):
        while not is_so():  # noqa: ASYNC110 - the state of a station is no event
            await asyncio.sleep(0.01)


async def test_a_station_that_never_rests_is_left_as_it_is_and_says_why(tmp_path: Path) -> None:
    async with inside(tmp_path, rest_within_s=0.3) as it:
        it.transceiver.key()
        await until(lambda: it.daemon.service.state.station.keyed_since_us is not None)
        before = it.daemon.service.core
        outcome = await it.reload(1)
        assert outcome.ending is Ending.REFUSED
        assert outcome.text == "it has waited 0.3 s in vain for rig main to unkey; nothing was changed"
        assert it.daemon.service.core is before
        assert not it.reloader.is_ok
        it.transceiver.unkey()
        await until(lambda: it.daemon.service.state.station.keyed_since_us is None)
        assert (await it.reload(1)).ending is Ending.RELOADED
        assert it.reloader.is_ok


async def _answer_slowly(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while await reader.readline():
        await asyncio.sleep(0.2)
        writer.write(b"OK\n")
    writer.close()


AMP = """  amp:
    kind: device
    link: tcp:127.0.0.1:{port}
    acknowledge: ^OK
    timeout: {timeout} ms
    commands: {{inhibit-transmit: "HOLD\\n", release-transmit: "FREE\\n", amplifier-standby: "LINE 0\\n"}}
"""


async def test_an_exchange_that_comes_to_nothing_ends(tmp_path: Path) -> None:
    """The key goes down while the device is still being told to be safe: the station goes on with what it had."""
    device = await asyncio.start_server(_answer_slowly, "127.0.0.1", 0)
    port = device.sockets[0].getsockname()[1]
    plain = text(0).replace("outputs: {notes: {kind: jsonl, path: notes-0.jsonl}}\n", "outputs:\n")
    async with inside(tmp_path, plain + AMP.format(port=port, timeout=500), rest_within_s=0.6) as it:
        service = it.daemon.service
        await until(lambda: service.state.station.reasons is None)

        def key_down() -> None:
            if service.state.station.exchanging is not None:
                it.transceiver.key()

        service.watchers.append(key_down)
        it.file.write_text(plain + AMP.format(port=port, timeout=600))
        outcome = await it.reloader.reload("a test", only_check=False)
        assert outcome.ending is Ending.REFUSED
        assert "in vain for rig main to unkey" in outcome.text
        assert service.state.station.exchanging is None
        it.transceiver.unkey()
        await until(lambda: service.state.station.reasons is None)
    device.close()


async def test_a_service_manager_hears_of_a_reload_and_of_its_refusal(tmp_path: Path) -> None:
    """sd_notify(3), from memory: RELOADING=1 and MONOTONIC_USEC in one message, READY=1 when it is over."""
    address = str(tmp_path / "notify")
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(address)
    manager.setblocking(False)

    def messages() -> list[str]:
        found = []
        while True:
            try:
                found.append(manager.recv(4096).decode())
            except BlockingIOError:
                return found

    async with inside(tmp_path, notify=address) as it:
        messages()
        await it.reload(1, only_check=True)
        assert not [message for message in messages() if message.startswith("RELOADING")]
        before_us = int(asyncio.get_running_loop().time() * 1e6)
        await it.reload(1)
        began, ended = (message for message in messages() if message.startswith(("RELOADING", "READY")))
        first, second = began.split("\n")
        assert first == "RELOADING=1"
        assert before_us <= int(second.removeprefix("MONOTONIC_USEC=")) <= int(asyncio.get_running_loop().time() * 1e6)
        assert ended.startswith("READY=1\nSTATUS=")
        assert "refused" not in ended
        it.file.write_text("station: Gull Point\nregion: 9\n")
        await it.reloader.reload("a test", only_check=False)
        ended = next(message for message in messages() if message.startswith("READY"))
        assert ended.endswith(f"reload refused: {it.file}:1"), ended
    manager.close()


@pytest.mark.timeout(3600)
async def test_memory_threads_descriptors_and_tasks_stay_flat_over_many_reloads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each one changes a port, segments, a rule and an output of notices, which is closed and opened."""
    monkeypatch.setattr("qsyd_daemon.api.event_ring.KEPT", 20)  # else it fills for a thousand events, and then no more
    tracemalloc.start()
    async with inside(tmp_path) as it:
        for number in range(1, 51):
            assert (await it.reload(number)).ending is Ending.RELOADED
        before, held = _counted(), _held_bytes(it)
        for number in range(51, 51 + RELOADS):
            assert (await it.reload(number)).ending is Ending.RELOADED
        for _ in range(20):
            grown, after = _held_bytes(it) - held, _counted()
            if grown < GROWTH_BYTES_MAX:
                break
            await asyncio.sleep(0.5)  # on a busy machine the journal has still something to write
        stations = sum(isinstance(each, Atlas | StationFile | GuardedStation) for each in gc.get_objects())
    tracemalloc.stop()
    print(f"\n{RELOADS} reloads: {grown} bytes more, (threads, descriptors, tasks) {before} and {after}")
    assert grown < GROWTH_BYTES_MAX
    assert stations <= 6, "no station is kept but the one in force"
    assert all(now <= was + 2 for now, was in zip(after, before, strict=True))


def _counted() -> tuple[int, int, int]:
    return threading.active_count(), len(os.listdir("/proc/self/fd")), len(asyncio.all_tasks())


def _held_bytes(it: Inside) -> int:
    """What this program holds. Not of it: what the simulated rig has written down of all it was told, and the table of
    interned strings, which `pathlib` fills and which doubles now and then, whoever's strings are in it."""
    it.transceiver.heard.clear()
    gc.collect()
    others = ("*/qsyd_simulators/*", tracemalloc.__file__, "*/pathlib.py", "*/pathlib/*")
    kept = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(False, name) for name in others])
    return sum(each.size for each in kept.statistics("filename"))
