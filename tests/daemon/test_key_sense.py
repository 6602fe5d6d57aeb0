"""The sensed key line. The port is a real pseudo-terminal, its lines are recorded; see `test_permit_line`."""

import asyncio
import errno
import os
import resource
import termios
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager

import pytest
import structlog
from modem_lines import RecordedLines

from qsyd_daemon.key_sense import EVERY_S, KeySense
from qsyd_daemon.links.keeper import Backoff, KeptLink
from qsyd_daemon.links.line_port import InputLine, IoctlLines, LineOpener, ModemLines
from qsyd_daemon.links.link import Link, SerialAddress, Speaker

CTS, DSR = termios.TIOCM_CTS, termios.TIOCM_DSR


@pytest.fixture
def master_and_path() -> Iterator[tuple[int, str]]:
    master, port = os.openpty()
    tty.setraw(port)
    path = os.ttyname(port)
    os.close(port)
    yield master, path
    os.close(master)


@asynccontextmanager
async def sensing(
    path: str,
    lines: ModemLines,
    told: list[bool | None],
    line: InputLine = InputLine.CTS,
    *,
    active_high: bool = True,
    onward: Speaker | None = None,
) -> AsyncIterator[KeySense]:
    sense = KeySense(line, active_high, told.append, onward)
    quick = Backoff(immediate_s=0.01, first_s=0.01, last_s=0.02)
    link = KeptLink(SerialAddress(path), sense, structlog.get_logger(), "key", backoff=quick, opener=LineOpener(lines))
    link.start()
    try:
        await until(lambda: bool(told))
        yield sense
    finally:
        sense.stop()
        await link.close()


async def until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(2):
        while not is_so():  # noqa: ASYNC110 - what is waited for happens in another thread
            await asyncio.sleep(0.001)


@pytest.mark.parametrize(
    ("line", "bit", "active_high"),
    [
        (InputLine.CTS, CTS, True),
        (InputLine.DSR, DSR, True),
        (InputLine.CTS, CTS, False),
    ],
)
async def test_tells_at_opening_and_on_each_change(
    master_and_path: tuple[int, str], line: InputLine, bit: int, active_high: bool
) -> None:
    lines, told = RecordedLines(), list[bool | None]()
    keyed, unkeyed = (bit, 0) if active_high else (0, bit)
    lines.high = unkeyed
    async with sensing(master_and_path[1], lines, told, line, active_high=active_high):
        assert told == [False]
        lines.high = keyed
        await until(lambda: len(told) == 2)
        lines.high = unkeyed
        await until(lambda: len(told) == 3)
        looks = lines.looks
        await until(lambda: lines.looks >= looks + 5)

        assert told == [False, True, False]


async def test_another_line_does_not_count(master_and_path: tuple[int, str]) -> None:
    lines, told = RecordedLines(), list[bool | None]()
    async with sensing(master_and_path[1], lines, told):
        lines.high = DSR
        looks = lines.looks
        await until(lambda: lines.looks >= looks + 5)

        assert told == [False]


async def test_a_line_that_cannot_be_read_is_unknown_and_says_why(master_and_path: tuple[int, str]) -> None:
    lines, told = RecordedLines(high=CTS), list[bool | None]()
    async with sensing(master_and_path[1], lines, told) as sense:
        lines.get_error = OSError(errno.EIO, "Input/output error")
        await until(lambda: len(told) == 2)

        assert told == [True, None]
        assert sense.because == "cts cannot be read: Input/output error"
        lines.get_error = None
        await until(lambda: len(told) == 3)
        assert told[2] is True
        assert sense.because is None


async def test_a_real_port_without_lines_is_unknown(master_and_path: tuple[int, str]) -> None:
    """The real call, on a pseudo-terminal: Linux answers ENOTTY."""
    told: list[bool | None] = []
    async with sensing(master_and_path[1], IoctlLines(), told) as sense:
        assert told == [None]
        assert sense.because == "cts cannot be read: Inappropriate ioctl for device"


async def test_a_lost_port_makes_the_line_unknown_and_it_is_told_anew_when_the_port_is_back() -> None:
    master, port = os.openpty()
    tty.setraw(port)
    path = os.ttyname(port)
    os.close(port)
    lines, told = RecordedLines(high=CTS), list[bool | None]()
    async with sensing(path, lines, told) as sense:
        os.close(master)
        await until(lambda: len(told) == 2)

        assert told == [True, None]
        assert sense.because is not None
        assert sense.because.startswith(path)


class Follower:
    """Who speaks over the rig's own port."""

    def __init__(self) -> None:
        self.heard = b""
        self.link: Link | None = None

    def link_opened(self, link: Link) -> None:
        self.link = link

    def bytes_received(self, data: bytes) -> None:
        self.heard += data

    def link_closed(self, reason: str) -> None:
        self.link = None


async def test_the_rig_speaks_over_the_same_port(master_and_path: tuple[int, str]) -> None:
    master, path = master_and_path
    lines, told, follower = RecordedLines(), list[bool | None](), Follower()
    async with sensing(path, lines, told, onward=follower):
        assert follower.link is not None
        follower.link.write(b"IF;")
        os.write(master, b"FA00014205000;")
        await until(lambda: follower.heard == b"FA00014205000;")
        lines.high = CTS
        await until(lambda: told == [False, True])

        assert os.read(master, 100) == b"IF;"
        assert lines.moves == []


async def test_what_looking_at_the_line_costs(
    master_and_path: tuple[int, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Processor time of one second of looking, without the driver's own: a few tenths of a percent of a core."""
    lines, told = RecordedLines(), list[bool | None]()
    async with sensing(master_and_path[1], lines, told):
        before, looks = resource.getrusage(resource.RUSAGE_SELF), lines.looks
        await asyncio.sleep(1)
        after, looked = resource.getrusage(resource.RUSAGE_SELF), lines.looks - looks
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    with capsys.disabled():
        print(f"\nkey sense: {looked} looks a second, {used_s * 100:.2f} % of a core")

    assert 0.5 / EVERY_S <= looked <= 1 / EVERY_S
    assert used_s < 0.05
