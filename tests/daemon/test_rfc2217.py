"""Links to serial ports behind a network server (RFC 2217): live, against pyserial's own server side, and bad servers.

Sources: RFC 854 for Telnet (255 is IAC and doubled as data, 250 SB, 240 SE), RFC 2217 for the port (option 44, its codes
and that the server acknowledges each setting). The server that is spoken to is `serial.rfc2217.PortManager`, which
shares no code with the client but the numbers.
"""

import asyncio
import contextlib
import os
import random
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import rfc2217_server
import structlog
from foreign_devices import ForeignDevice
from foreign_rigs import ForeignRig, TcpWire
from foreign_voices import CiV, ElevenDigits, Panel, Voice
from rfc2217_server import PortServer, ServedWire
from running_daemon import RunningDaemon, line_output, write_station

from qsyd_daemon.links import rfc2217_client
from qsyd_daemon.links.keeper import Backoff, KeptLink
from qsyd_daemon.links.link import Link, Rfc2217Address
from qsyd_daemon.links.open_error import OpenError
from qsyd_daemon.links.rfc2217 import open_rfc2217
from qsyd_daemon.links.rfc2217_client import ARRIVED_BYTES_MAX
from qsyd_daemon.outputs.device import address_text
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.station_file.settings import DeviceSettings

EVERY_BYTE = bytes(range(256))
SOON = Backoff(immediate_s=0.001, first_s=0.001, last_s=0.002)
WORST_LAG_S = 0.2
"""What a busy machine and two more threads may cost a sleep; what pyserial waits for takes 0.3 to 3 s, in seconds."""

# Telnet (RFC 854) and the port (RFC 2217), in bytes.
IAC, SE, SB, WILL, DO, DONT, PORT = b"\xff", b"\xf0", b"\xfa", b"\xfb", b"\xfd", b"\xfe", b"\x2c"
WILLING = IAC + WILL + PORT + IAC + DO + PORT


class Listener:
    """Speaks over links and remembers all that it was told."""

    def __init__(self) -> None:
        self.link: Link | None = None
        self.data = bytearray()
        self.lost: list[str] = []
        self.opened = 0

    def link_opened(self, link: Link) -> None:
        self.link = link
        self.opened += 1

    def bytes_received(self, data: bytes) -> None:
        self.data += data

    def link_closed(self, reason: str) -> None:
        self.link = None
        self.lost.append(reason)


@pytest.fixture
def port() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: its near end, non-blocking, and the path of the far one."""
    near, far = os.openpty()
    tty.setraw(far)
    os.set_blocking(near, False)
    yield near, os.ttyname(far)
    os.close(near)
    os.close(far)


@pytest.fixture
def server(port: tuple[int, str]) -> Iterator[PortServer]:
    with PortServer(port[1]) as serving:
        yield serving


@pytest.fixture(autouse=True)
async def nothing_left() -> AsyncIterator[None]:
    """No thread outlives its link by more than pyserial's pause of 0.3 s after closing."""
    before = threading.active_count()
    yield
    await until(lambda: threading.active_count() <= before)


async def until(happened: Callable[[], bool], within_s: float = 3.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not happened():
        assert time.monotonic() < deadline_s, "did not happen in time"
        await asyncio.sleep(0.005)


async def bytes_at(near: int, length: int) -> bytes:
    """What the device at the near end gets, once that is `length` bytes."""
    data = bytearray()

    def all_there() -> bool:
        with contextlib.suppress(BlockingIOError):
            data.extend(os.read(near, 65536))
        return len(data) >= length

    await until(all_there)
    return bytes(data)


@asynccontextmanager
async def opened(address: Rfc2217Address) -> AsyncIterator[tuple[Link, bytearray, list[str]]]:
    """An open link, what it receives and why it was lost."""
    received, lost = bytearray(), list[str]()
    link = await open_rfc2217(address, received.extend, lost.append)
    try:
        yield link, received, lost
    finally:
        link.close()


def at(server: PortServer) -> Rfc2217Address:
    return Rfc2217Address("127.0.0.1", server.number)


@asynccontextmanager
async def laggard() -> AsyncIterator[list[float]]:
    """How late a sleep of 1 ms was, each time."""
    lags: list[float] = [0.0]

    async def measure() -> None:
        while True:
            before_s = time.monotonic()
            await asyncio.sleep(0.001)
            lags.append(time.monotonic() - before_s - 0.001)

    measuring = asyncio.create_task(measure())
    yield lags
    measuring.cancel()


# The port


async def test_every_byte_value_passes_both_ways_unchanged(port: tuple[int, str], server: PortServer) -> None:
    near, _ = port
    async with opened(at(server)) as (link, received, _lost):
        link.write(EVERY_BYTE)
        link.write(IAC * 3)
        assert await bytes_at(near, 259) == EVERY_BYTE + IAC * 3

        os.write(near, EVERY_BYTE + IAC * 3)
        await until(lambda: len(received) >= 259)
        assert bytes(received) == EVERY_BYTE + IAC * 3


async def test_the_port_is_set_up_as_asked_before_the_first_byte(port: tuple[int, str], server: PortServer) -> None:
    async with opened(replace(at(server), baud=4800, stop_bits=2, dtr_high=True)) as (link, _received, _lost):
        link.write(b"x")
        await bytes_at(port[0], 1)
    assert server.settings == [(4800, 2)]
    assert server.levels == [("dtr", True), ("rts", False)]


async def test_bytes_that_arrived_before_the_port_was_open_are_thrown_away(
    port: tuple[int, str], server: PortServer
) -> None:
    os.write(port[0], b"for an earlier user")
    async with opened(at(server)) as (_link, received, _lost):
        os.write(port[0], b"new")
        await until(lambda: bool(received))
        await asyncio.sleep(0.05)
        assert received == b"new"


async def test_a_loop_that_stands_still_makes_the_server_wait_and_then_gets_every_byte(server: PortServer) -> None:
    sent = random.Random(1).randbytes(100_000).replace(IAC, b"")
    pieces: list[bytes] = []
    link = await open_rfc2217(at(server), pieces.append, no_loss)
    assert server.client is not None
    sending = threading.Thread(target=server.client.sendall, args=(sent,))
    sending.start()
    time.sleep(0.5)  # noqa: ASYNC251 - the loop stands still
    await until(lambda: sum(map(len, pieces)) == len(sent), 5)
    sending.join()
    link.close()
    assert b"".join(pieces) == sent
    # pyserial reads 1 KiB at a time, so that is how much may come on top of what is too much already.
    assert max(map(len, pieces)) <= ARRIVED_BYTES_MAX + 1024


async def test_closing_ends_a_reading_that_waits_for_the_loop(server: PortServer) -> None:
    """That no thread is left is asserted of every test here."""
    link = await open_rfc2217(at(server), lambda data: None, no_loss)
    assert server.client is not None
    server.client.sendall(b"x" * 20_000)
    time.sleep(0.2)  # noqa: ASYNC251 - the loop stands still
    link.close()


async def test_a_line_that_is_not_acknowledged_keeps_the_link_closed_and_says_what_to_write(
    port: tuple[int, str],
) -> None:
    with PortServer(port[1], answers_lines=False) as server:
        with pytest.raises(OpenError, match="does not acknowledge DTR and RTS; `lines_answered: false` goes on"):
            await open_rfc2217(at(server), no_bytes, no_loss)

        async with opened(replace(at(server), lines_answered=False)) as (link, received, _lost):
            link.write(b"hello")
            assert await bytes_at(port[0], 5) == b"hello"
            os.write(port[0], b"ho")
            await until(lambda: received == b"ho")
        # Asked for all the same, and in that order.
        assert server.levels[-2:] == [("dtr", False), ("rts", False)]


def no_bytes(data: bytes) -> None:
    pytest.fail(f"received {data!r}")


def no_loss(reason: str) -> None:
    pytest.fail(f"lost: {reason}")


# Losses


async def test_a_server_that_hangs_up_is_told_within_a_quarter_of_a_second(server: PortServer) -> None:
    async with opened(at(server)) as (link, _received, lost):
        cut_s = time.monotonic()
        server.cut()
        await until(lambda: bool(lost))
        assert time.monotonic() - cut_s < 0.25
        assert lost == [f"127.0.0.1:{server.number}: the far end closed the connection"]
        link.write(b"dropped")
        await asyncio.sleep(0.05)
        assert len(lost) == 1


async def test_a_server_that_goes_and_comes_is_found_again_and_fifteen_times_leave_no_thread_or_descriptor(
    port: tuple[int, str], server: PortServer
) -> None:
    listener, cycles = Listener(), 15
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    kept = KeptLink(at(server), listener, structlog.get_logger(), "rig", backoff=SOON)
    kept.start()
    for cycle in range(cycles):
        await until(lambda: listener.link is not None)
        os.write(port[0], b"%d;" % cycle)
        await until(lambda cycle=cycle: listener.data.endswith(b"%d;" % cycle))  # type: ignore[misc]
        server.cut()
        await until(lambda cycle=cycle: len(listener.lost) == cycle + 1)  # type: ignore[misc]
        server.mend()
    await kept.close()

    await until(lambda: (len(os.listdir("/proc/self/fd")), threading.active_count()) <= before)
    assert listener.opened >= cycles


def kernel_timer(port: int) -> tuple[str, str]:
    """Kind and remaining time of the timer that the kernel runs for the established connection to `port`."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text(encoding="utf-8").splitlines()[1:]]
    (timer,) = (row[5] for row in rows if row[2].endswith(f":{port:04X}") and row[3] == "01")
    kind, left = timer.split(":")
    return kind, left


async def test_an_idle_link_keeps_itself_alive_after_five_seconds_of_silence(server: PortServer) -> None:
    """In /proc/net/tcp, timer 02 is the keep-alive timer, its time in hundredths of a second (proc_net_tcp)."""
    async with opened(at(server)):
        kind, left = kernel_timer(server.number)
        assert kind == "02"
        assert 400 < int(left, 16) <= 500


def _can_drop() -> bool:
    if not all(shutil.which(name) for name in ("unshare", "ip", "tc")):
        return False
    drop = "ip link set lo up && tc qdisc replace dev lo root tbf rate 8bit burst 10 latency 1ms"
    return subprocess.run(["unshare", "--net", "/bin/sh", "-c", drop], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not _can_drop(), reason="needs the right to make a network, and tc with its token bucket")
def test_a_half_open_link_that_is_written_to_is_lost_after_five_seconds() -> None:
    command = ["unshare", "--net", sys.executable, str(Path(rfc2217_server.__file__).with_name("swallowed_server.py"))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=40, check=False)
    assert done.returncode == 0, done.stderr
    after_s, _, reasons = done.stdout.partition(" ")
    assert re.fullmatch(r"\['127.0.0.1:[0-9]+: the far end has gone silent'\]\n", reasons), done.stdout
    assert 5 <= float(after_s) < 7  # TCP_USER_TIMEOUT of 5 s, tcp(7)


async def test_bytes_for_a_far_end_that_takes_none_are_bounded(server: PortServer) -> None:
    async with opened(at(server)) as (link, _received, lost):
        link.write(b"x" * 65_000)
        link.write(b"x" * 537)
        assert not lost, "not within the call"
        await until(lambda: bool(lost))
        assert lost == [f"127.0.0.1:{server.number}: the far end takes no bytes, 64 KiB are waiting"]


def test_a_far_end_that_takes_no_bytes_is_given_up_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rfc2217_client, "SEND_S_MAX", 0.2)
    with (
        socket.create_server(("127.0.0.1", 0)) as listening,
        socket.create_connection(listening.getsockname()) as connected,
    ):
        connection = rfc2217_client.Connection(connected, "far:1", rfc2217_client.Arrivals())
        begun_s = time.monotonic()
        with pytest.raises(TimeoutError):
            connection.sendall(bytes(100_000_000))
        assert 0.2 <= time.monotonic() - begun_s < 2
        assert connection.ended_because == "far:1: the far end has taken no bytes for 0 s"


async def test_a_tap_shows_the_bytes_of_the_device_not_those_of_telnet(
    port: tuple[int, str], server: PortServer
) -> None:
    listener, shown = Listener(), list[tuple[bool, bytes]]()
    kept = KeptLink(at(server), listener, structlog.get_logger(), "rig", backoff=SOON)
    kept.begin_tap(lambda sent, data: shown.append((sent, data)))
    kept.start()
    await until(lambda: listener.link is not None)
    assert listener.link is not None
    listener.link.write(b"\xfe\xff\x94")
    await bytes_at(port[0], 3)
    os.write(port[0], b"\xff;")
    await until(lambda: b"".join(data for sent, data in shown if not sent) == b"\xff;")
    assert [data for sent, data in shown if sent] == [b"\xfe\xff\x94"]
    await kept.close()


# Bad servers

Play = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def bad_server(play: Play) -> AsyncIterator[Rfc2217Address]:
    """What a server does with each client, until it returns; then it hangs up."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, asyncio.CancelledError):
            await play(reader, writer)
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as serving:
        yield Rfc2217Address("127.0.0.1", serving.sockets[0].getsockname()[1])


async def says_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(-1)


async def hangs_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    pass


async def hangs_up_amid_negotiation(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(WILLING)
    await reader.readuntil(SE)


async def is_a_login(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(IAC + DONT + PORT + b"login: ")
    await reader.read(-1)


async def is_of_the_web(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.read(10)
    writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")


async def answers_no_settings(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(WILLING)
    await reader.read(-1)


async def has_another_rate(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(WILLING)
    await reader.readuntil(SE)
    writer.write(IAC + SB + PORT + b"\x65\x00\x00\x25\x80" + IAC + SE)  # 101, SET-BAUDRATE: 9600
    await reader.read(-1)


async def ends_what_never_began(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(WILLING + IAC + SE)
    await reader.read(-1)


async def never_ends_what_it_began(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(IAC + SB + PORT)
    while True:
        writer.write(b"x" * 4096)
        await writer.drain()


GONE = "(the far end closed the connection|connection reset by peer) while the port was being opened$"


@pytest.mark.parametrize(
    ("play", "words", "within_s"),
    [
        (says_nothing, "no RFC 2217 is spoken there; for a server that passes raw bytes write tcp:HOST:PORT", 4.0),
        (hangs_up, GONE, 1.0),
        (hangs_up_amid_negotiation, GONE, 1.0),
        (is_a_login, "no RFC 2217 is spoken there", 1.0),
        (is_of_the_web, GONE, 1.0),
        (answers_no_settings, "does not answer what baud rate and bits it is asked for", 4.5),
        (has_another_rate, "the server refuses 38400 baud", 1.5),
        (ends_what_never_began, "what the server sends is not Telnet", 1.0),
        (never_ends_what_it_began, "what the server sends is not Telnet", 3.0),
    ],
    ids=lambda it: getattr(it, "__name__", None),
)
async def test_a_bad_server_is_told_in_words_and_never_holds_up_the_loop(
    play: Play, words: str, within_s: float
) -> None:
    async with bad_server(play) as address:
        begun_s = time.monotonic()
        async with laggard() as lags:
            with pytest.raises(OpenError) as refused:
                await open_rfc2217(address, no_bytes, no_loss)
        assert time.monotonic() - begun_s < within_s + 0.3  # pyserial pauses for 0.3 s after closing
        assert str(refused.value).startswith(f"127.0.0.1:{address.port}: ")
        assert re.search(words, str(refused.value))
        assert max(lags) < WORST_LAG_S


@pytest.mark.parametrize(("host", "words"), [("127.0.0.1", "nobody listens there"), ("no..name", "not a host name")])
async def test_where_there_is_no_server_that_is_said(host: str, words: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1]
    with pytest.raises(OpenError, match=f"^{host}:{number}: {words}"):
        await open_rfc2217(Rfc2217Address(host, number), no_bytes, no_loss)


@pytest.mark.parametrize("seed", range(6))
async def test_noise_on_an_open_link_ends_it_at_worst(port: tuple[int, str], seed: int) -> None:
    """Bytes that are mostly Telnet's own: whatever they come to, a link is open or lost in words, and nothing raises."""
    chance = random.Random(seed)
    noise = bytes(chance.choice((0xFF, 0xFF, 0xFA, 0xF0, 0xFB, 0xFE, 0x2C, 0x6B, 0x69, chance.randrange(256)))
                  for _ in range(5000))  # fmt: skip
    with PortServer(port[1]) as server:
        async with opened(at(server)) as (link, _received, lost):
            assert server.client is not None
            with contextlib.suppress(OSError):
                server.client.sendall(noise)
            link.write(b"x")
            await asyncio.sleep(0.2)
            server.cut()
            await until(lambda: bool(lost))
            assert lost[0].startswith(f"127.0.0.1:{server.number}: ")


@pytest.mark.parametrize("play", [says_nothing, answers_no_settings])
async def test_closing_does_not_wait_for_a_port_that_is_being_opened(play: Play) -> None:
    async with bad_server(play) as address:
        before = threading.active_count()
        kept = KeptLink(address, Listener(), structlog.get_logger(), "rig", backoff=SOON)
        kept.start()
        await asyncio.sleep(0.3)
        assert threading.active_count() > before

        begun_s = time.monotonic()
        await kept.close()
        assert time.monotonic() - begun_s < 0.25

        await until(lambda: threading.active_count() <= before, 0.7)


# The whole daemon


def station_file(path: Path, rig: str, switch: str) -> Path:
    return write_station(
        path,
        [
            "station: Sandbar End",
            "region: 2",
            f"rigs: {{main: {{{rig}, poll: 20 ms, lost_after: 1 s}}}}",
            "antennas:",
            "  hilltop-beam: {port: 1, bands: [20m, 15m, 10m]}",
            "  harbour-wire: {port: 2, bands: [80m, 40m]}",
            "outputs:",
            line_output("switch", switch, {"select-antenna": "PORT {port}"}),
        ],
    )


@pytest.mark.parametrize(
    ("voice", "protocol"),
    [(ElevenDigits, "protocol: ascii-cat, frequency_digits: 11"), (CiV, "protocol: ci-v, address: 0x94")],
)
def test_a_rig_behind_a_server_is_followed_through_change_over_loss_and_return(
    tmp_path: Path, voice: type[ElevenDigits | CiV], protocol: str
) -> None:
    wire = ServedWire(tmp_path / "port")
    with ForeignRig(voice(Panel()), wire) as rig, ForeignDevice() as switch:
        file = station_file(
            tmp_path / "s.yaml", f"link: '{rig.link}', {protocol}, baud: 9600, stop_bits: 2", switch.link
        )
        with RunningDaemon(file, tmp_path / "state") as daemon:
            daemon.wait_for("link-up", rig="main")
            rig.tune(7_150_000)
            daemon.wait_for("frequency", transmit_hz=7_150_000)
            switch.wait_for("PORT 2", 2)
            rig.tune(14_205_000)
            switch.wait_for("PORT 1", 2)
            assert daemon.named("placed")[-1]["antenna"] == "hilltop-beam"

            since = daemon.mark()
            wire.server.cut()
            lost = daemon.wait_for("link-lost", within_s=2, since=since, rig="main")
            assert wire.server.link.removeprefix("rfc2217:") in lost["reason"]
            rig.tune(3_790_000)
            wire.server.mend()
            daemon.wait_for("link-up", within_s=10, since=since, rig="main")
            switch.wait_for("PORT 2", 2)
            assert daemon.stop() == 0
    # RFC 2217: SET-BAUDRATE, SET-STOPSIZE and SET-CONTROL, in force before the first byte of data.
    assert set(wire.server.settings) == {(9600, 2)}
    assert set(wire.server.levels) == {("dtr", False), ("rts", False)}


class Box(Voice):
    """An antenna switch behind a serial port: takes lines, answers `OK`."""

    keying = re.compile(rb"(?!)")

    def __init__(self) -> None:
        super().__init__(Panel())
        self.lines: list[bytes] = []
        self._heard = b""

    def hear(self, data: bytes) -> list[bytes]:
        *lines, self._heard = (self._heard + data).split(b"\n")
        self.lines += lines
        return [b"OK\n"] * len(lines)

    def report(self) -> list[bytes]:
        return []


def test_a_device_behind_a_server_that_acknowledges_no_lines_is_told_what_to_do(tmp_path: Path) -> None:
    box = Box()
    wire = ServedWire(tmp_path / "port", answers_lines=False)
    with ForeignRig(ElevenDigits(Panel()), TcpWire()) as rig, ForeignRig(box, wire):
        switch = f"{wire.link}\n    lines_answered: false\n    baud: 9600\n    dtr: high"
        file = station_file(tmp_path / "s.yaml", f"link: '{rig.link}', frequency_digits: 11", switch)
        with RunningDaemon(file, tmp_path / "state") as daemon:
            daemon.wait_for("change-over-finished", antenna="hilltop-beam")
            assert box.lines == [b"PORT 1"]
            rig.tune(7_150_000)
            daemon.wait_for("change-over-finished", antenna="harbour-wire")
            assert box.lines[1:] == [b"PORT 2"]

            wire.server.cut()
            rig.tune(14_205_000)
            failed = daemon.wait_for("output-failed", command="select-antenna")
            assert failed["error"] == f"no connection to {wire.link}: nobody listens there"
    assert wire.server.settings[0] == (9600, 1.0)
    assert wire.server.levels[:2] == [("dtr", True), ("rts", False)]


@pytest.mark.skipif(shutil.which("ser2net") is None, reason="needs ser2net, Debian package of that name")
async def test_a_server_that_others_wrote_in_c_is_understood(tmp_path: Path, port: tuple[int, str]) -> None:
    """Over a pseudo-terminal it acknowledges no lines; all else it does (found out with 4.3.11)."""
    near, path = port
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1]
    lines = [
        "connection: &port",
        f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{number}",
        f"  connector: serialdev(nouucplock=true),{path},9600n81,local",
    ]
    file = write_station(tmp_path / "ser2net.yaml", lines)
    address = Rfc2217Address("127.0.0.1", number, 4800, 2)
    process = await asyncio.create_subprocess_exec("ser2net", "-d", "-c", str(file), stderr=subprocess.DEVNULL)
    try:
        refusal = await why_not_open(address)
        for _ in range(50):
            if "nobody listens there" not in refusal:
                break
            await asyncio.sleep(0.1)  # it has not begun yet
            refusal = await why_not_open(address)
        assert "does not acknowledge DTR and RTS; `lines_answered: false` goes on" in refusal
        async with opened(replace(address, lines_answered=False)) as (link, received, lost):
            link.write(EVERY_BYTE)
            assert await bytes_at(near, 256) == EVERY_BYTE
            os.write(near, EVERY_BYTE)
            await until(lambda: received == EVERY_BYTE)
            process.kill()
            await until(lambda: bool(lost), 0.5)
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def why_not_open(address: Rfc2217Address) -> str:
    with pytest.raises(OpenError) as refused:
        await open_rfc2217(address, no_bytes, no_loss)
    return str(refused.value)


# The station file


def test_what_a_file_says_of_such_a_link_is_what_is_opened(tmp_path: Path) -> None:
    rig = "link: 'rfc2217:[fe80::1%eth0]:2217', baud: 4800, stop_bits: 2, rts: high, lines_answered: false"
    file = load_station(station_file(tmp_path / "s.yaml", rig, "rfc2217:shack.example:2218"))
    assert file.rig_links["main"].address == Rfc2217Address("fe80::1%eth0", 2217, 4800, 2, False, True, False)
    (switch,) = file.outputs
    assert isinstance(switch, DeviceSettings)
    assert switch.address == Rfc2217Address("shack.example", 2218)
    assert address_text(switch.address) == "rfc2217:shack.example:2218"
    assert ("outputs.switch.lines_answered", "true") in file.defaults
    assert ("outputs.switch.baud", "38400") in file.defaults


def test_keys_of_such_a_link_are_no_defaults_of_others(tmp_path: Path) -> None:
    file = load_station(station_file(tmp_path / "s.yaml", "link: serial:/dev/serial/by-id/a", "tcp:127.0.0.1:1"))
    named = [key for key, _ in file.defaults]
    assert "rigs.main.dtr" in named
    assert not [key for key in named if key.endswith("lines_answered")]
