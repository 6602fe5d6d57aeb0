"""The follower between a real link and a small protocol of this file's own, `?` answered by `F<hertz>;`."""

import asyncio
import os
import time
import tty
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from qsyd_daemon.links.link import Link, SerialAddress
from qsyd_daemon.links.serial_port import open_serial
from qsyd_daemon.protocols.session import RigReading
from qsyd_daemon.rig_follower import RigFollower, monotonic_us

POLL_US = 50_000
SILENT_US = 500_000


@dataclass
class AskingSession:
    """Asks `?` every `poll_us`, one query under way at a time; remembers when it was called.

    `woken_us` are the calls of `due` that nothing but time has caused: when, and when it was wanted.
    """

    poll_us: int = POLL_US
    open_since_us: list[int] = field(default_factory=list)
    due_at_us: list[int] = field(default_factory=list)
    woken_us: list[tuple[int, int]] = field(default_factory=list)
    wanted_us: int = 0
    told: bool = False
    next_us: int = 0
    asked_us: int | None = None
    buffer: bytearray = field(default_factory=bytearray)

    @property
    def errors(self) -> dict[str, int]:
        return {"damaged": 0}

    def opened(self, at_us: int) -> None:
        self.told = True
        self.open_since_us.append(at_us)
        self.next_us, self.asked_us = at_us, None
        self.buffer.clear()

    def received(self, data: bytes, at_us: int) -> list[RigReading]:
        self.told = True
        self.buffer += data
        *answers, rest = self.buffer.split(b";")
        self.buffer = bytearray(rest)
        asked_us, self.asked_us = self.asked_us, None
        return [RigReading(int(answer[1:]), int(answer[1:]), False, None, None, asked_us) for answer in answers]

    def read_now(self, at_us: int) -> None:
        self.told = True
        self.next_us = at_us

    def set_frequency(self, frequency_hz: int, at_us: int) -> str | None:
        raise AssertionError("nobody asks for that here")

    def due(self, at_us: int) -> bytes:
        self.due_at_us.append(at_us)
        if not self.told:
            self.woken_us.append((at_us, self.wanted_us))
        self.told = False
        if at_us < self.next_us:
            return b""
        self.next_us, self.asked_us = at_us + self.poll_us, at_us
        return b"?"

    def wake_at_us(self, at_us: int) -> int:
        self.wanted_us = self.next_us if self.asked_us is None else self.asked_us + SILENT_US
        return self.wanted_us


class Rig:
    """Answers each `?` at once, at the far end of a serial port."""

    def __init__(self, path: Path) -> None:
        self.frequency_hz = 14_205_000
        self.asked_at_us: list[int] = []
        self.path = path
        self.descriptor, port = os.openpty()
        tty.setraw(port)
        path.symlink_to(os.ttyname(port))
        self._port = port  # held, so that the rig can listen before anybody has opened the port
        asyncio.get_running_loop().add_reader(self.descriptor, self._answer)

    def _answer(self) -> None:
        for _ in os.read(self.descriptor, 4096):
            self.asked_at_us.append(monotonic_us())
            os.write(self.descriptor, b"F%d;" % self.frequency_hz)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self.descriptor)
        os.close(self.descriptor)
        os.close(self._port)


@dataclass
class Core:
    """Who gets the readings."""

    readings: list[tuple[RigReading, int]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    crashes: list[Exception] = field(default_factory=list)
    raises: Exception | None = None

    def reading(self, reading: RigReading, at_us: int) -> None:
        self.readings.append((reading, at_us))
        if self.raises is not None:
            raise self.raises

    def opened(self) -> None:
        self.told.append("opened")

    def closed(self, reason: str) -> None:
        self.told.append(reason)

    def follower(self, session: AskingSession) -> RigFollower:
        return RigFollower("main", session, self.reading, self.closed, self.opened, crashed=self.crashes.append)


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    rig = Rig(tmp_path / "rig")
    yield rig
    rig.close()


@pytest.fixture
def core() -> Iterator[Core]:
    yield (core := Core())
    if core.raises is None:
        assert not core.crashes


async def connected(follower: RigFollower, rig: Rig) -> Link:
    link = await open_serial(SerialAddress(str(rig.path)), follower.bytes_received, follower.link_closed)
    follower.link_opened(link)
    return link


async def test_rig_is_asked_at_once_and_then_at_every_poll(rig: Rig, core: Core) -> None:
    session = AskingSession(poll_us=20_000)
    follower = core.follower(session)
    began_us = monotonic_us()

    link = await connected(follower, rig)
    await asyncio.sleep(0.3)
    link.close()

    assert core.told == ["opened"]
    assert session.open_since_us[0] - began_us < 50_000
    assert 8 <= len(rig.asked_at_us) <= 16
    reading, at_us = core.readings[0]
    assert reading.frequency_hz == 14_205_000
    assert reading.asked_at_us is not None
    assert reading.asked_at_us < at_us < reading.asked_at_us + 50_000


async def test_timer_wakes_the_session_when_it_wanted_and_never_early(rig: Rig, core: Core) -> None:
    session = AskingSession(poll_us=10_000)
    link = await connected(core.follower(session), rig)
    await asyncio.sleep(0.3)
    link.close()

    assert len(session.woken_us) >= 15
    assert all(at_us >= wanted_us for at_us, wanted_us in session.woken_us)


async def test_reading_at_once_does_not_wait_for_the_poll(rig: Rig, core: Core) -> None:
    follower = core.follower(AskingSession(poll_us=10_000_000))
    link = await connected(follower, rig)
    await asyncio.sleep(0.05)
    rig.frequency_hz = 7_030_000
    wanted_us = monotonic_us()

    follower.read_now()

    for _ in range(200):
        await asyncio.sleep(0.01)
        if len(core.readings) > 1:
            break
    assert [reading.frequency_hz for reading, _ in core.readings] == [14_205_000, 7_030_000]
    assert rig.asked_at_us[-1] - wanted_us < 5_000_000, "half of the poll, and no stopwatch on a busy machine"
    link.close()


async def test_earlier_wish_replaces_the_timer_and_a_later_one_does_not_touch_it(rig: Rig, core: Core) -> None:
    session = AskingSession(poll_us=10_000_000)
    follower = core.follower(session)
    link = await connected(follower, rig)
    await asyncio.sleep(0.05)

    session.next_us = monotonic_us() + 60_000
    os.write(rig.descriptor, b"F14205000;")  # pushed: the follower learns of the earlier wish
    await asyncio.sleep(0.02)
    session.next_us += 60_000
    os.write(rig.descriptor, b"F14205000;")  # and of the later one
    await asyncio.sleep(0.01)
    wanted_us = session.next_us
    await asyncio.sleep(0.2)

    assert len(rig.asked_at_us) == 2
    assert len(session.woken_us) == 1, "the first wish has gone, and its timer was not taken for the second"
    assert 0 <= rig.asked_at_us[1] - wanted_us < 40_000
    link.close()


async def test_session_starts_anew_with_every_link_and_asks_nothing_in_between(rig: Rig, core: Core) -> None:
    session = AskingSession(poll_us=10_000)
    follower = core.follower(session)
    link = await connected(follower, rig)
    await asyncio.sleep(0.03)
    link.close()
    follower.link_closed("cable pulled")
    calls = len(session.due_at_us)

    await asyncio.sleep(0.05)
    follower.read_now()

    assert len(session.due_at_us) == calls
    link = await connected(follower, rig)
    await asyncio.sleep(0.03)
    assert len(session.open_since_us) == 2
    assert len(session.due_at_us) > calls
    assert core.told == ["opened", "cable pulled", "opened"]
    link.close()


async def test_callback_that_raises_is_reported_and_the_rig_is_still_followed(rig: Rig, core: Core) -> None:
    core.raises = ZeroDivisionError("mistake in the core")
    link = await connected(core.follower(AskingSession(poll_us=10_000)), rig)

    await asyncio.sleep(0.1)

    assert len(core.readings) >= 3
    assert core.crashes == [core.raises] * len(core.readings)
    link.close()


async def test_session_that_raises_is_reported_and_not_called_in_a_circle(rig: Rig, core: Core) -> None:
    @dataclass
    class Broken(AskingSession):
        def due(self, at_us: int) -> bytes:
            super().due(at_us)
            raise LookupError("mistake in the protocol")

    core.raises = LookupError()
    session = Broken()
    link = await connected(core.follower(session), rig)

    await asyncio.sleep(0.05)

    assert [str(crash) for crash in core.crashes] == ["mistake in the protocol"]
    link.close()


async def test_session_that_wants_to_be_woken_in_the_past_does_not_take_the_whole_core(rig: Rig, core: Core) -> None:
    @dataclass
    class Impatient(AskingSession):
        def wake_at_us(self, at_us: int) -> int:
            return 0

    session = Impatient(poll_us=10_000_000)
    link = await connected(core.follower(session), rig)

    await asyncio.sleep(0.1)

    assert len(session.due_at_us) <= 110
    link.close()


async def test_twenty_polls_a_second_cost_little(rig: Rig, core: Core) -> None:
    """Rig and daemon in one process here, so this bounds both together."""
    session = AskingSession()
    link = await connected(core.follower(session), rig)
    await asyncio.sleep(0.1)
    before_s, polls = time.process_time(), len(rig.asked_at_us)

    await asyncio.sleep(1.0)

    assert 15 <= len(rig.asked_at_us) - polls <= 20
    assert time.process_time() - before_s < 0.04
    assert len(session.due_at_us) <= 2 * len(rig.asked_at_us) + 2, "more wake-ups than query and answer need"
    link.close()
