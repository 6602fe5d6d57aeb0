"""Links over real pseudo-terminals and real TCP: bytes, losses, locks, and the keeping of a link.

Sources: termios(3) and ioctl_tty(2) for terminal settings, proc(5) and the kernel's `proc_net_tcp` for what the kernel
tells of locks and connections. Levels of DTR and RTS cannot be seen on a pseudo-terminal, which has no such lines.
"""

import asyncio
import errno
import fcntl
import os
import random
import re
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from qsyd_daemon.links import tcp
from qsyd_daemon.links.keeper import Backoff, KeptLink, Opener, open_link
from qsyd_daemon.links.link import Address, Link, SerialAddress, TcpAddress
from qsyd_daemon.links.off_loop import off_loop
from qsyd_daemon.links.open_error import OpenError
from qsyd_daemon.links.serial_port import open_serial
from qsyd_daemon.links.tcp import open_tcp

TIOCGEXCL = 0x80045440
"""Asks whether a tty is in exclusive mode; ioctl_tty(2), number from asm-generic/ioctls.h, from memory."""
CFLAG, OSPEED, CC = 2, 5, 6
SOON = Backoff(immediate_s=0.001, first_s=0.001, last_s=0.002)


class FarEnd:
    """The other side of a serial port: the master of a pseudo-terminal, reachable at `path`, a symbolic link."""

    def __init__(self, path: Path) -> None:
        self.descriptor, port = os.openpty()
        tty.setraw(port)
        self.port = os.ttyname(port)
        os.close(port)
        os.set_blocking(self.descriptor, False)
        self._path = path
        path.unlink(missing_ok=True)
        path.symlink_to(self.port)

    def send(self, data: bytes) -> None:
        assert os.write(self.descriptor, data) == len(data)

    def read(self) -> bytes:
        """What has come; nothing too while nobody has the port open, when Linux says EIO."""
        try:
            return os.read(self.descriptor, 65536)
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EIO):
                raise
            return b""

    def unplug(self) -> None:
        self.close()
        self._path.unlink()

    def close(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


class Listener:
    """Speaks over links and remembers all that it was told, as a list of words."""

    def __init__(self) -> None:
        self.link: Link | None = None
        self.data = bytearray()
        self.told: list[str] = []
        self.closed_at_s = 0.0

    def link_opened(self, link: Link) -> None:
        self.link = link
        self.told.append("opened")

    def bytes_received(self, data: bytes) -> None:
        assert self.link is not None, "bytes before the link was opened"
        self.data += data

    def link_closed(self, reason: str) -> None:
        self.link = None
        self.closed_at_s = time.monotonic()
        self.told.append(f"closed: {reason}")


class Lines:
    """A log that keeps its lines."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict[str, object]]] = []

    def info(self, event: str, **fields: object) -> None:
        self.lines.append((event, fields))

    warning = error = info

    def events(self) -> list[str]:
        return [event for event, _ in self.lines]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "port"


@pytest.fixture
def far(path: Path) -> Iterator[FarEnd]:
    end = FarEnd(path)
    yield end
    end.close()


@asynccontextmanager
async def tcp_server() -> AsyncIterator[tuple[TcpAddress, "asyncio.Queue[socket.socket]"]]:
    """A listening socket; what it accepts comes out of the queue, non-blocking."""
    loop = asyncio.get_running_loop()
    accepted: asyncio.Queue[socket.socket] = asyncio.Queue()
    kept: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)

        def accept() -> None:
            connection, _ = server.accept()
            connection.setblocking(False)
            kept.append(connection)
            accepted.put_nowait(connection)

        loop.add_reader(server.fileno(), accept)
        try:
            yield TcpAddress("127.0.0.1", server.getsockname()[1]), accepted
        finally:
            loop.remove_reader(server.fileno())
            for connection in kept:
                connection.close()


async def until(happened: Callable[[], bool], within_s: float = 2.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not happened():
        assert time.monotonic() < deadline_s, "did not happen in time"
        await asyncio.sleep(0.001)


async def read_from(far: FarEnd, length: int) -> bytes:
    """All that has come, once that is `length` bytes."""
    data = bytearray()

    def all_there() -> bool:
        data.extend(far.read())
        return len(data) >= length

    await until(all_there)
    return bytes(data)


async def cpu_share(over_s: float) -> float:
    """The part of one core that this process uses while the loop has nothing to do."""
    before_s = time.process_time()
    await asyncio.sleep(over_s)
    return (time.process_time() - before_s) / over_s


async def worst_lag_s(work: Callable[[], bool]) -> float:
    """Call `work` in turns of the loop until it returns true; the longest that a 1 ms sleep was late."""
    worst_s = 0.0
    while not work():
        before_s = time.monotonic()
        await asyncio.sleep(0.001)
        worst_s = max(worst_s, time.monotonic() - before_s - 0.001)
    return worst_s


def held() -> tuple[int, int, int]:
    """Open descriptors, tasks and threads of this process."""
    return open_descriptors(), len(asyncio.all_tasks()), threading.active_count()


async def until_none_is_left_of(before: tuple[int, int, int]) -> None:
    """Ports close in threads of their own, so it may take a while, and `before` may count one of an earlier test."""
    await until(lambda: all(now <= then for now, then in zip(held(), before, strict=True)))


def no_bytes(data: bytes) -> None:
    pytest.fail(f"received {data!r}")


def no_loss(reason: str) -> None:
    pytest.fail(f"lost: {reason}")


def descriptor_of(port: str) -> int:
    """The one descriptor of this process for `port`."""
    (descriptor,) = (int(entry.name) for entry in os.scandir("/proc/self/fd") if os.path.realpath(entry) == port)
    return descriptor


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


# Serial ports


async def test_every_byte_passes_unchanged_both_ways_over_a_serial_port(path: Path, far: FarEnd) -> None:
    received, every_byte = bytearray(), bytes(range(256))
    link = await open_serial(SerialAddress(str(path)), received.extend, no_loss)

    far.send(every_byte)
    link.write(every_byte)

    await until(lambda: received == every_byte)
    assert await read_from(far, len(every_byte)) == every_byte
    link.close()


async def test_far_end_that_closes_is_noticed_at_once_and_the_loop_does_not_spin(path: Path, far: FarEnd) -> None:
    """A hung-up descriptor left with the loop is ready for ever."""
    reasons = list[str]()
    link = await open_serial(SerialAddress(str(path)), no_bytes, reasons.append)

    far.close()

    await until(lambda: bool(reasons), within_s=0.25)
    assert reasons[0].startswith(f"{path}: ")
    assert await cpu_share(0.3) < 0.05
    link.write(b"dropped in silence")
    link.close()
    await asyncio.sleep(0)
    assert len(reasons) == 1


async def test_write_to_a_port_just_hung_up_tells_the_loss_later_not_within_the_write(path: Path, far: FarEnd) -> None:
    reasons = list[str]()
    link = await open_serial(SerialAddress(str(path)), no_bytes, reasons.append)
    far.close()

    link.write(b"x")

    assert not reasons
    await until(lambda: bool(reasons), within_s=0.25)


async def test_far_end_that_never_reads_ends_in_a_closed_link_and_never_stalls_the_loop(
    path: Path, far: FarEnd
) -> None:
    reasons, written = list[str](), 0
    link = await open_serial(SerialAddress(str(path)), no_bytes, reasons.append)

    def write_a_mebibyte() -> bool:
        nonlocal written
        link.write(bytes(4096))
        written += 4096
        return written >= 1 << 20

    assert await worst_lag_s(write_a_mebibyte) < 0.25
    assert reasons == [f"{path}: the far end takes no bytes, 64 KiB are waiting"]


async def test_what_a_slow_far_end_cannot_take_yet_arrives_later_in_order(path: Path, far: FarEnd) -> None:
    link = await open_serial(SerialAddress(str(path)), no_bytes, no_loss)
    data = random.Random(7).randbytes(60_000)

    link.write(data[:40_000])
    link.write(data[40_000:])

    assert await read_from(far, len(data)) == data
    assert await cpu_share(0.1) < 0.1, "the writer stayed with the loop"
    link.close()


async def test_close_drops_unsent_bytes_and_tells_nobody(path: Path, far: FarEnd) -> None:
    link = await open_serial(SerialAddress(str(path)), no_bytes, no_loss)
    link.write(bytes(60_000))
    far.send(b"too late")

    link.close()
    link.close()

    await asyncio.sleep(0.02)


async def test_port_is_set_up_raw_with_its_speed_and_stop_bits_and_no_hang_up_at_close(path: Path, far: FarEnd) -> None:
    """Eight data bits, no parity, and DTR and RTS left as they are at close (HUPCL); termios(3)."""
    observer = os.open(far.port, os.O_RDWR | os.O_NOCTTY)
    link = await open_serial(SerialAddress(str(path), baud=4800, stop_bits=2), no_bytes, no_loss)

    settings = termios.tcgetattr(observer)

    assert settings[OSPEED] == termios.B4800
    assert settings[CFLAG] & termios.CSIZE == termios.CS8
    assert settings[CFLAG] & termios.CSTOPB
    assert not settings[CFLAG] & (termios.PARENB | termios.HUPCL | termios.CRTSCTS)
    assert settings[CC][termios.VMIN] == 1
    link.close()
    os.close(observer)


async def test_bytes_from_before_the_opening_are_thrown_away(path: Path, far: FarEnd) -> None:
    observer = os.open(far.port, os.O_RDWR | os.O_NOCTTY)  # else Linux discards them by itself
    received = bytearray()
    far.send(b"stale;")

    link = await open_serial(SerialAddress(str(path)), received.extend, no_loss)
    far.send(b"fresh;")

    await until(lambda: received.endswith(b"fresh;"))
    assert received == b"fresh;"
    link.close()
    os.close(observer)


async def test_second_open_is_refused_naming_the_holder_and_succeeds_once_that_has_closed(
    path: Path, far: FarEnd
) -> None:
    address = SerialAddress(str(path))
    first = await open_serial(address, no_bytes, no_loss)

    with pytest.raises(OpenError, match=rf"in use by .+ \(process {os.getpid()}\)"):
        await open_serial(address, no_bytes, no_loss)

    first.close()
    second = await open_serial(address, no_bytes, no_loss)
    second.close()


async def test_port_whose_close_hangs_in_the_driver_can_be_opened_again_meanwhile(path: Path, far: FarEnd) -> None:
    """A second descriptor for the same open port stands for the close that does not get through."""
    link = await open_serial(SerialAddress(str(path)), no_bytes, no_loss)
    hanging = os.dup(descriptor_of(far.port))

    link.close()

    again = await open_serial(SerialAddress(str(path)), no_bytes, no_loss)
    again.close()
    os.close(hanging)


HOLD_PORT = """
import asyncio, sys
from qsyd_daemon.links.link import SerialAddress
from qsyd_daemon.links.serial_port import open_serial
async def hold():
    link = await open_serial(SerialAddress(sys.argv[1]), print, print)
    print("held", flush=True)
    await asyncio.sleep(60)
asyncio.run(hold())
"""


def python_environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}


async def test_holder_that_is_killed_does_not_keep_the_port(path: Path, far: FarEnd) -> None:
    """The far end stays open all the while, which is what keeps a tty's exclusive mode alive."""
    holder = await asyncio.create_subprocess_exec(
        sys.executable, "-c", HOLD_PORT, str(path), stdout=subprocess.PIPE, env=python_environment()
    )
    assert holder.stdout is not None
    assert await holder.stdout.readline() == b"held\n"
    with pytest.raises(OpenError, match=rf"\(process {holder.pid}\)"):
        await open_serial(SerialAddress(str(path)), no_bytes, no_loss)
    holder.kill()
    await holder.wait()

    link = await open_serial(SerialAddress(str(path)), no_bytes, no_loss)

    observer = os.open(far.port, os.O_RDWR | os.O_NOCTTY)
    exclusive = fcntl.ioctl(observer, TIOCGEXCL, bytes(4))
    assert not any(exclusive), "would lock out the next start, if this process were killed"
    link.close()
    os.close(observer)


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        ("absent", "no such port {path}"),
        ("file", "{path} is not a serial port"),
        ("file/below", "no such port {path}"),
        (".", "{path} is not a serial port"),
    ],
)
async def test_what_is_no_port_is_refused_with_words(tmp_path: Path, place: str, reason: str) -> None:
    (tmp_path / "file").touch()
    path = tmp_path / place
    before = open_descriptors()

    with pytest.raises(OpenError) as refusal:
        await open_serial(SerialAddress(str(path)), no_bytes, no_loss)

    assert str(refusal.value) == reason.format(path=path)
    assert open_descriptors() <= before  # fewer, when an earlier test's port was still closing


OPEN_AS_NOBODY = """
import asyncio, os, sys
from qsyd_daemon.links.link import SerialAddress
from qsyd_daemon.links.serial_port import open_serial
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
asyncio.run(open_serial(SerialAddress(sys.argv[1]), print, print))
"""


def test_port_of_a_group_one_is_not_in_is_refused_naming_that_group(far: FarEnd) -> None:
    os.chmod(far.port, 0o060)  # keeps out its owner too, where the test does not run as root

    command = [sys.executable, "-c", OPEN_AS_NOBODY, far.port]
    run = subprocess.run(command, check=False, capture_output=True, text=True, env=python_environment(), timeout=10)

    assert re.search(rf"OpenError: permission denied for {far.port}: join group \w+\n", run.stderr)


# TCP


async def test_every_byte_passes_unchanged_both_ways_over_tcp() -> None:
    received, every_byte = bytearray(), bytes(range(256)) * 40
    async with tcp_server() as (address, accepted):
        link = await open_tcp(address, received.extend, no_loss)
        far = await accepted.get()

        far.send(every_byte)
        link.write(every_byte)

        await until(lambda: received == every_byte)
        loop, sent = asyncio.get_running_loop(), b""
        while len(sent) < len(every_byte):
            sent += await loop.sock_recv(far, 65536)
        assert sent == every_byte
        link.close()
        assert await loop.sock_recv(far, 1) == b""


def kernel_timer(port: int) -> tuple[str, str]:
    """Kind and remaining time of the timer that the kernel runs for the established connection to `port`."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text(encoding="utf-8").splitlines()[1:]]
    (timer,) = (row[5] for row in rows if row[2].endswith(f":{port:04X}") and row[3] == "01")
    kind, left = timer.split(":")
    return kind, left


async def test_tcp_link_keeps_itself_alive_after_five_seconds_of_silence() -> None:
    """In /proc/net/tcp, timer 02 is the keep-alive timer, its time in hundredths of a second (proc_net_tcp)."""
    async with tcp_server() as (address, accepted):
        link = await open_tcp(address, no_bytes, no_loss)
        await accepted.get()

        timer, left = kernel_timer(address.port)

        assert timer == "02"
        assert 400 < int(left, 16) <= 500
        link.close()


async def test_tcp_far_end_that_closes_is_noticed_at_once_and_the_loop_does_not_spin() -> None:
    reasons = list[str]()
    async with tcp_server() as (address, accepted):
        link = await open_tcp(address, no_bytes, reasons.append)

        (await accepted.get()).close()

        await until(lambda: bool(reasons), within_s=0.25)
        assert reasons == [f"127.0.0.1:{address.port}: the far end closed the connection"]
        assert await cpu_share(0.3) < 0.05
        link.write(b"dropped in silence")
        link.close()


async def test_tcp_far_end_that_never_reads_ends_in_a_closed_link_and_never_stalls_the_loop() -> None:
    """What the kernels of both sides take on their own comes on top, so the mebibyte is written until it ends."""
    reasons = list[str]()
    async with tcp_server() as (address, accepted):
        link = await open_tcp(address, no_bytes, reasons.append)
        await accepted.get()

        def write_until_closed() -> bool:
            link.write(bytes(1 << 16))
            return bool(reasons)

        assert await worst_lag_s(write_until_closed) < 0.25
        assert reasons == [f"127.0.0.1:{address.port}: the far end takes no bytes, over 64 KiB are waiting"]


async def test_tcp_port_where_nobody_listens_is_refused_with_words() -> None:
    async with tcp_server() as (address, _):
        pass
    before = open_descriptors()

    with pytest.raises(OpenError, match=rf"^127.0.0.1:{address.port}: nobody listens there$"):
        await open_tcp(address, no_bytes, no_loss)

    assert open_descriptors() <= before


async def test_what_is_no_host_name_is_refused_with_words() -> None:
    with pytest.raises(OpenError, match=r"^no\.\.name:5001: not a host name$"):
        await open_tcp(TcpAddress("no..name", 5001), no_bytes, no_loss)


async def test_tcp_host_that_drops_every_packet_is_given_up_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A full accept queue: Linux then drops the SYN, as a host that is switched off would."""
    monkeypatch.setattr(tcp, "CONNECT_S_MAX", 0.2)
    with socket.socket() as server, socket.socket() as first, socket.socket() as second:
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        for client in (first, second):
            client.setblocking(False)
            client.connect_ex(server.getsockname())
        began_s = time.monotonic()

        with pytest.raises(OpenError, match="no answer within"):
            await open_tcp(TcpAddress(*server.getsockname()), no_bytes, no_loss)

        assert 0.2 <= time.monotonic() - began_s < 2


# Blocking calls


async def test_result_of_a_blocking_call_nobody_waits_for_any_more_is_given_back() -> None:
    """An open that was cancelled must not leave its descriptor behind."""
    release, given_back = threading.Event(), list[str]()

    def work() -> str:
        release.wait(5)
        return "descriptor"

    opening = asyncio.create_task(off_loop(work, given_back.append))
    await asyncio.sleep(0.01)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    assert not given_back

    release.set()

    await until(lambda: given_back == ["descriptor"])


# Keeping a link


@asynccontextmanager
async def kept(link: KeptLink) -> AsyncIterator[KeptLink]:
    link.start()
    try:
        yield link
    finally:
        await link.close()


async def test_port_that_returns_behind_its_symbolic_link_is_opened_again_with_long_waits_left(
    path: Path, far: FarEnd
) -> None:
    """An adapter plugged in again gets another device name; the link to it keeps its own."""
    listener, log = Listener(), Lines()
    long_waits = Backoff(immediate_s=0.05, first_s=20.0, last_s=20.0)
    async with kept(KeptLink(SerialAddress(str(path)), listener, log, "rig", backoff=long_waits)) as link:
        await until(lambda: link.is_open)
        far.unplug()
        await until(lambda: not link.is_open, within_s=0.25)
        await asyncio.sleep(0.2)

        returned = FarEnd(path)

        await until(lambda: link.is_open, within_s=2.0)
        returned.send(b"hello")
        await until(lambda: listener.data == b"hello")
        returned.close()
    assert [word.split(":")[0] for word in listener.told] == ["opened", "closed", "opened"]


async def test_link_lost_is_told_within_a_quarter_of_a_second(path: Path, far: FarEnd) -> None:
    listener = Listener()
    async with kept(KeptLink(SerialAddress(str(path)), listener, Lines(), "rig")) as link:
        await until(lambda: link.is_open)
        pulled_at_s = time.monotonic()

        far.close()

        await until(lambda: not link.is_open and listener.link is None)
        assert listener.closed_at_s - pulled_at_s < 0.25
        assert link.closed_because is not None


async def test_fifty_ports_lost_and_returned_leave_no_descriptor_task_or_thread(path: Path) -> None:
    listener, log, cycles = Listener(), Lines(), 50
    link = KeptLink(SerialAddress(str(path)), listener, log, "rig", backoff=SOON)
    before = held()
    async with kept(link):
        for cycle in range(cycles):
            far = FarEnd(path)
            await until(lambda: link.is_open)
            far.send(b"%d;" % cycle)
            await until(lambda cycle=cycle: listener.data.endswith(b"%d;" % cycle))  # type: ignore[misc]
            far.close()
            await until(lambda: not link.is_open)

    await until_none_is_left_of(before)
    assert listener.told.count("opened") == cycles
    assert len(listener.told) == 2 * cycles


async def test_fifty_connections_lost_leave_no_descriptor_or_task() -> None:
    listener = Listener()
    async with tcp_server() as (address, accepted):
        before = held()
        async with kept(KeptLink(address, listener, Lines(), "switch", backoff=SOON)):
            for _ in range(50):
                (await accepted.get()).close()
        while not accepted.empty():
            accepted.get_nowait().close()

        await until_none_is_left_of(before)


async def test_kept_link_to_a_port_that_is_not_there_costs_next_to_nothing(tmp_path: Path) -> None:
    async with kept(KeptLink(SerialAddress(str(tmp_path / "absent")), Listener(), Lines(), "rig")):
        assert await cpu_share(1.0) < 0.02


@pytest.mark.parametrize(
    ("failures", "full_s"), [(1, 0.5), (2, 1.0), (3, 2.0), (6, 16.0), (7, 30.0), (8, 30.0), (1_000_000_000, 30.0)]
)
def test_waits_double_up_to_half_a_minute_and_vary_by_a_fifth(failures: int, full_s: float) -> None:
    jitter = random.Random(1)

    waits_s = [Backoff().delay_s(failures, jitter) for _ in range(200)]

    assert 0.8 * full_s <= min(waits_s) < 0.85 * full_s
    assert 1.15 * full_s < max(waits_s) <= 1.2 * full_s


def test_link_that_had_been_useful_is_retried_at_once() -> None:
    assert Backoff().delay_s(0, random.Random(1)) <= 0.1


class Attempts:
    """An opener that fails as told, and opens the real address when it is told nothing."""

    def __init__(self, *failures: BaseException | None) -> None:
        self.failures = list(failures)
        self.at_s: list[float] = []

    async def __call__(
        self, address: Address, received: Callable[[bytes], None], closed: Callable[[str], None]
    ) -> Link:
        self.at_s.append(time.monotonic())
        failure = self.failures.pop(0) if self.failures else None
        if failure is not None:
            raise failure
        return await open_link(address, received, closed)


async def test_attempts_are_spaced_by_the_backoff() -> None:
    attempts = Attempts(*[OpenError("no")] * 100)
    backoff = Backoff(first_s=0.02, last_s=0.08)
    async with kept(
        KeptLink(TcpAddress("127.0.0.1", 1), Listener(), Lines(), "switch", backoff=backoff, opener=attempts)
    ):
        await until(lambda: len(attempts.at_s) == 6)

    pairs = zip(attempts.at_s, attempts.at_s[1:], [0.02, 0.04, 0.08, 0.08, 0.08], strict=False)
    for one_s, next_s, full_s in pairs:
        assert 0.8 * full_s <= next_s - one_s < 1.2 * full_s + 0.05


async def test_whatever_an_attempt_raises_is_a_failed_attempt_and_no_more(path: Path, far: FarEnd) -> None:
    """Reconnecting died of an unforeseen type of exception, or of a cancellation inside, in other people's daemons."""
    attempts = Attempts(OpenError("no"), RuntimeError("odd"), KeyError(1), asyncio.CancelledError(), MemoryError())
    log, address = Lines(), SerialAddress(str(path))
    async with kept(KeptLink(address, Listener(), log, "rig", backoff=SOON, opener=attempts)) as link:
        await until(lambda: link.is_open)

    assert [fields.get("reason") for event, fields in log.lines if event == "link cannot be opened"] == [
        "no",
        "RuntimeError: odd",
        "KeyError: 1",
        "the attempt was cancelled",
        "MemoryError: ",
    ]
    assert log.lines[5] == ("link opened", {"link": "rig", "failed_attempts": 5})


async def test_log_that_fails_does_not_end_the_keeping(path: Path, far: FarEnd) -> None:
    class Broken(Lines):
        def warning(self, event: str, **fields: object) -> None:
            raise BrokenPipeError("log is gone")

        error = warning

    attempts = Attempts(OpenError("no"))
    async with kept(
        KeptLink(SerialAddress(str(path)), Listener(), Broken(), "rig", backoff=SOON, opener=attempts)
    ) as link:
        await until(lambda: link.is_open)


async def test_repeated_failures_are_one_line_then_a_count_and_the_recovery_says_how_many(
    path: Path, far: FarEnd
) -> None:
    attempts, log = Attempts(*[OpenError("no")] * 1_000_000), Lines()
    address = SerialAddress(str(path))
    async with kept(
        KeptLink(address, Listener(), log, "rig", backoff=SOON, opener=attempts, summary_every_s=0.2)
    ) as link:
        await until(lambda: len(log.lines) == 3)
        attempts.failures.clear()
        await until(lambda: link.is_open)

    assert log.events() == ["link cannot be opened", "link repeats", "link repeats", "link opened"]
    counts = [fields["cannot_open"] for event, fields in log.lines if event == "link repeats"]
    assert all(isinstance(count, int) and count > 20 for count in counts)
    assert log.lines[1][1]["reason"] == "no"
    assert log.lines[3][1]["failed_attempts"] == len(attempts.at_s) - 1


async def test_link_that_flaps_writes_no_more_than_five_lines_of_a_kind_and_one_summary() -> None:
    listener, log = Listener(), Lines()
    async with (
        tcp_server() as (address, accepted),
        kept(KeptLink(address, listener, log, "switch", backoff=SOON, summary_every_s=30.0)),
    ):
        for _ in range(40):
            (await accepted.get()).close()
        await until(lambda: listener.told.count("opened") >= 40)

    assert log.events().count("link opened") == 5
    assert log.events().count("link lost") == 5
    assert log.events().count("link repeats") == 1
    told = log.lines[-1][1]
    assert told["opened"] == listener.told.count("opened") - 5


async def test_retry_after_a_useful_link_does_not_wait_for_the_backoff() -> None:
    listener = Listener()
    slow = Backoff(first_s=10.0)
    async with tcp_server() as (address, accepted):
        link = KeptLink(address, listener, Lines(), "switch", backoff=slow, useful_after_s=0.05)
        async with kept(link):
            far = await accepted.get()
            far.send(b"useful")
            await asyncio.sleep(0.1)

            far.close()

            await asyncio.wait_for(accepted.get(), 0.15)


async def test_link_that_never_gave_a_byte_waits_for_the_backoff_however_long_it_was_open() -> None:
    slow = Backoff(first_s=10.0)
    async with (
        tcp_server() as (address, accepted),
        kept(KeptLink(address, Listener(), Lines(), "switch", backoff=slow, useful_after_s=0.05)),
    ):
        far = await accepted.get()
        await asyncio.sleep(0.1)

        far.close()

        with pytest.raises(TimeoutError):
            await asyncio.wait_for(accepted.get(), 0.2)


async def test_speaker_that_asks_to_reopen_is_told_of_the_loss_afterwards_and_gets_another_link() -> None:
    listener, log = Listener(), Lines()
    async with (
        tcp_server() as (address, accepted),
        kept(KeptLink(address, listener, log, "switch", backoff=SOON)) as link,
    ):
        first = await accepted.get()
        await until(lambda: link.is_open)

        link.reopen("silent for 2 s")

        assert listener.told == ["opened"]
        assert not link.is_open
        second = await accepted.get()
        await until(lambda: link.is_open)
        assert listener.told == ["opened", "closed: silent for 2 s", "opened"]
        assert await asyncio.get_running_loop().sock_recv(first, 1) == b""
        second.send(b"x")
        await until(lambda: listener.data == b"x")
    assert log.events() == ["link opened", "link lost", "link opened"]


@pytest.mark.parametrize("answered", [True, False])
async def test_a_link_given_up_though_the_other_end_answered_is_opened_again_soon(answered: bool) -> None:
    """A device that ignores one command is not to be out of sight for long because of that; a silent one is."""
    backoff = Backoff(first_s=0.05, spread=0.0)
    async with (
        tcp_server() as (address, accepted),
        kept(KeptLink(address, Listener(), Lines(), "amp", backoff=backoff)) as link,
    ):
        begun_s = asyncio.get_running_loop().time()
        for _ in range(6):
            await accepted.get()
            await until(lambda: link.is_open)
            link.reopen("no acknowledgement", answered=answered)
        await accepted.get()
        took_s = asyncio.get_running_loop().time() - begun_s

    assert (took_s < 0.05 * (1 + 2 + 4 + 8 + 16 + 32)) is answered


async def test_reopen_without_a_link_does_nothing(tmp_path: Path) -> None:
    listener = Listener()
    async with kept(KeptLink(SerialAddress(str(tmp_path / "absent")), listener, Lines(), "rig")) as link:
        await until(lambda: link.closed_because is not None)
        link.reopen("silent")
        await asyncio.sleep(0.01)
    assert not listener.told


async def test_bytes_and_loss_that_come_before_the_opener_is_done_are_told_after_the_opening() -> None:
    async def hasty(address: Address, received: Callable[[bytes], None], closed: Callable[[str], None]) -> Link:
        received(b"early")
        closed("gone already")
        await asyncio.sleep(0.01)
        return SimpleNamespace(write=no_bytes, close=lambda: None)

    listener = Listener()
    slow = Backoff(first_s=10.0)
    async with kept(KeptLink(TcpAddress("x", 1), listener, Lines(), "switch", backoff=slow, opener=hasty)):
        await until(lambda: len(listener.told) == 2)
    assert listener.told == ["opened", "closed: gone already"]
    assert listener.data == b"early"


async def test_speaker_that_raises_is_in_the_log_and_the_link_lives_on(path: Path, far: FarEnd) -> None:
    class Raises(Listener):
        def bytes_received(self, data: bytes) -> None:
            super().bytes_received(data)
            raise ZeroDivisionError(data)

    listener, log = Raises(), Lines()
    async with kept(KeptLink(SerialAddress(str(path)), listener, log, "rig")) as link:
        await until(lambda: link.is_open)
        far.send(b"1")
        await until(lambda: listener.data == b"1")
        far.send(b"2")
        await until(lambda: listener.data == b"12")
    assert log.events() == ["link opened", "link handler failed", "link handler failed"]


@pytest.mark.parametrize("when", ["at once", "opening", "open", "waiting"])
async def test_close_ends_everything_whenever_it_comes_and_the_speaker_hears_no_more(
    path: Path, far: FarEnd, when: str
) -> None:
    async def never(*_: object) -> Link:
        await asyncio.sleep(60)
        raise AssertionError

    attempts = Attempts(OpenError("no"))
    openers: dict[str, Opener] = {"opening": never, "waiting": attempts}
    listener = Listener()
    before = held()
    link = KeptLink(SerialAddress(str(path)), listener, Lines(), "rig", opener=openers.get(when, open_link))
    link.start()
    if when == "open":
        await until(lambda: link.is_open)
    elif when != "at once":
        await asyncio.sleep(0.02)
    told = list(listener.told)

    await link.close()

    assert not link.is_open
    await until_none_is_left_of(before)
    assert listener.told == told
