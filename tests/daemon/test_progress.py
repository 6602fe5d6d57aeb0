"""Progress of the event loop: a loop that stands still loses its permit, and the service manager hears the truth.

Messages: sd_notify(3), from memory.
"""

import asyncio
import os
import socket
import termios
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import structlog
from modem_lines import RecordedLines
from running_daemon import RunningDaemon

from qsyd_daemon.links.keeper import KeptLink
from qsyd_daemon.links.line_port import LineOpener, OutputLine
from qsyd_daemon.links.link import Address, SerialAddress, Speaker
from qsyd_daemon.notify import Notifier
from qsyd_daemon.outputs.permit_line import PermitLine
from qsyd_daemon.progress import Progress
from qsyd_rules.command import ReleaseTransmit
from qsyd_rules.words import Result

RTS = termios.TIOCM_RTS


class Manager:
    """A service manager's end of the notification socket."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)

    def messages(self) -> list[str]:
        found = []
        while True:
            try:
                found.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager_and_address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Manager, str]]:
    address = str(tmp_path / "notify") if request.param == "path" else f"@qsyd-test-{os.getpid()}-{time.monotonic_ns()}"
    manager = Manager(address)
    yield manager, address
    manager.close()


def progress(
    lines: list[PermitLine],
    notifier: Notifier,
    stalls: list[tuple[int, int]],
    *,
    on_time: Callable[[], bool] = lambda: True,
    status: Callable[[], str] = lambda: "20m/2 on beam",
) -> Progress:
    return Progress(lines, notifier, lambda now_us: on_time(), lambda at, us: stalls.append((at, us)), status)


async def test_the_manager_hears_ready_progress_status_and_the_stop(manager_and_address: tuple[Manager, str]) -> None:
    manager, address = manager_and_address
    status = ["20m/2 on beam"]
    watched = progress([], Notifier(address, 600_000), [], status=lambda: status[0])
    watched.start()
    await asyncio.sleep(0.75)
    status[0] = "40m/1 on wire"
    await asyncio.sleep(0.5)
    watched.close()
    messages = manager.messages()

    assert messages[0] == "READY=1\nSTATUS=20m/2 on beam"
    assert messages[-1] == "STOPPING=1"
    assert messages.count("STATUS=40m/1 on wire") == 1
    assert 4 <= messages.count("WATCHDOG=1") <= 7


async def test_the_watchdog_starves_while_the_core_is_behind(manager_and_address: tuple[Manager, str]) -> None:
    """The loop turns all the while: a timer alone must not vouch for the core."""
    manager, address = manager_and_address
    is_on_time = [False]
    watched = progress([], Notifier(address, 300_000), [], on_time=lambda: is_on_time[0])
    watched.start()
    await asyncio.sleep(0.5)
    assert "WATCHDOG=1" not in manager.messages()

    is_on_time[0] = True
    await asyncio.sleep(0.3)
    assert "WATCHDOG=1" in manager.messages()
    watched.close()


def test_the_environment_says_where_the_manager_listens(tmp_path: Path) -> None:
    path = str(tmp_path / "notify")
    manager = Manager(path)
    here = Notifier.from_environment(
        {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}
    )
    foreign = Notifier.from_environment({"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"})
    here.send("READY=1")

    assert (here.watchdog_us, foreign.watchdog_us) == (30_000_000, None)
    assert manager.messages() == ["READY=1"]
    manager.close()


def test_a_manager_that_does_not_listen_is_no_matter(tmp_path: Path) -> None:
    Notifier(str(tmp_path / "nobody")).send("READY=1")
    silent = Notifier.from_environment({})
    silent.send("READY=1")

    assert not silent.is_heard


@asynccontextmanager
async def released(lines: RecordedLines) -> AsyncIterator[PermitLine]:
    """A permit line on a pseudo-terminal, released."""
    master, port = os.openpty()
    tty.setraw(port)

    def keep_link(address: Address, speaker: Speaker) -> KeptLink:
        return KeptLink(address, speaker, structlog.get_logger(), "ptt", opener=LineOpener(lines))

    opened = asyncio.Event()
    address = SerialAddress(os.ttyname(port), drop_on_close=True)
    output = PermitLine("ptt", address, OutputLine.RTS, True, keep_link, lambda text: None)
    output.start(lambda name: opened.set(), lambda name, reason: None)
    try:
        await asyncio.wait_for(opened.wait(), 2)
        assert (await output.perform(ReleaseTransmit())).result is Result.CONFIRMED
        yield output
    finally:
        await output.close()
        os.close(master)
        os.close(port)


async def test_a_loop_that_stands_still_loses_its_permit_and_is_told_afterwards() -> None:
    """Blocked for 0.8 s on purpose; the line has to be down within 0.6 s of that."""
    lines, stalls = RecordedLines(), list[tuple[int, int]]()
    async with released(lines) as output:
        watched = progress([output], Notifier(None), stalls)
        watched.start()
        await asyncio.sleep(0.25)
        assert lines.high == RTS
        moves = len(lines.moves)
        blocked_s = time.monotonic()
        time.sleep(0.8)  # noqa: ASYNC251 - this is the stall
        dropped = lines.moves[moves:]
        assert stalls == []

        late = output.perform(ReleaseTransmit())  # decided before anybody knew
        assert (await late).result is Result.FAILED
        await asyncio.sleep(0.15)
        assert [move[:2] for move in dropped] == [("clear", RTS)]
        assert 0.3 < dropped[0][2] - blocked_s < 0.6
        assert dropped[0][3] == "drop-ptt"
        assert len(stalls) == 1
        assert 750_000 < stalls[0][1] < 1_100_000
        assert lines.high == 0

        assert (await output.perform(ReleaseTransmit())).result is Result.CONFIRMED
        await asyncio.sleep(0.7)
        assert lines.high == RTS
        assert len(stalls) == 1
        watched.close()


async def test_a_loop_that_is_only_slow_keeps_its_permit() -> None:
    lines, stalls = RecordedLines(), list[tuple[int, int]]()
    async with released(lines) as output:
        watched = progress([output], Notifier(None), stalls)
        watched.start()
        for _ in range(3):
            await asyncio.sleep(0.12)
            time.sleep(0.3)  # noqa: ASYNC251 - slow, on purpose
        await asyncio.sleep(0.12)
        watched.close()

        assert lines.high == RTS
        assert stalls == []


async def test_a_driver_that_hangs_does_not_keep_another_line_from_dropping() -> None:
    stuck, well, stalls = RecordedLines(), RecordedLines(), list[tuple[int, int]]()
    async with released(stuck) as first, released(well) as second:
        watched = progress([first, second], Notifier(None), stalls)
        watched.start()
        await asyncio.sleep(0.15)
        stuck.hold = threading.Event()
        time.sleep(0.7)  # noqa: ASYNC251 - this is the stall
        assert well.high == 0
        stuck.hold.set()
        stuck.hold = None
        await asyncio.sleep(0.15)
        watched.close()

        assert stuck.high == 0
        assert len(stalls) == 1


async def test_no_thread_is_left_behind() -> None:
    watched = progress([], Notifier(None), [])
    watched.start()
    assert any(thread.name == "progress" for thread in threading.enumerate())
    watched.close()
    await asyncio.sleep(0.05)

    assert not any(thread.name == "progress" for thread in threading.enumerate())


STATION = """station: Saltmarsh Hill
region: 2
rigs:
  main: {link: simulated}
antennas:
  wire: {port: 1, bands: [80m, 40m, 20m]}
"""


def test_the_running_daemon_tells_its_manager(manager_and_address: tuple[Manager, str], tmp_path: Path) -> None:
    """Ready once it serves, fed by a third of the watchdog's time at the latest, and the end announced."""
    manager, address = manager_and_address
    station = tmp_path / "station.yaml"
    station.write_text(STATION)
    environ = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "900000"}
    with RunningDaemon(station, tmp_path / "state", environ=environ) as daemon:
        daemon.wait_for("placed")
        time.sleep(1.5)
        while_running = manager.messages()
        code = daemon.stop()
        at_the_end = manager.messages()

    assert code == 0
    assert while_running[0].startswith("READY=1\nSTATUS=")
    assert any(message.startswith("STATUS=20m/") and " on wire, transmit " in message for message in while_running)
    assert 3 <= while_running.count("WATCHDOG=1") <= 6
    assert at_the_end[-1] == "STOPPING=1"
