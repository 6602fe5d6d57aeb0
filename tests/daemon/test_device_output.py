"""A line device over real sockets and a real pseudo-terminal, its link kept by the real keeper."""

import asyncio
import os
import re
import socket
import time
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
import structlog

from qsyd_daemon.links.keeper import Backoff, KeptLink
from qsyd_daemon.links.link import Address, SerialAddress, Speaker, TcpAddress
from qsyd_daemon.outputs.device import LineDevice, address_text
from qsyd_daemon.outputs.output import DeviceOutput, Performed
from qsyd_daemon.outputs.template import Template
from qsyd_rules.command import (
    AmplifierStandby,
    CommandName,
    InhibitTransmit,
    RecallPreset,
    SelectAntenna,
)
from qsyd_rules.words import Result

TIMEOUT_US = 100_000
BOUND_S = 3 * TIMEOUT_US / 1_000_000
SOON_S = 0.05

SELECT = SelectAntenna("main", "harbour-wire", 2)
RECALL = RecallPreset("harbour-wire", "80m/1", 1204, 388)
INHIBIT = InhibitTransmit(("change-over",))

TEXTS = {
    CommandName.SELECT_ANTENNA: "PORT {port}\n",
    CommandName.RECALL_PRESET: "TANK {tune} {load}\n",
    CommandName.INHIBIT_TRANSMIT: "HOLD\n",
    CommandName.AMPLIFIER_STANDBY: "LINE 0\n",
}


class Switch:
    """A device at the far end: what it hears, and what it answers to each line."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.answer: Callable[[bytes], bytes | None] = lambda line: b"OK\n"
        self.delay_s = 0.0
        self.connections = 0
        self.port = 0
        self._server: asyncio.Server | None = None
        self._writers: list[asyncio.StreamWriter] = []

    async def listen(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """Stop listening and cut who is connected."""
        assert self._server is not None
        self._server.close()
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.append(writer)
        try:
            while line := await reader.readline():
                self.heard.append(line)
                answer = self.answer(line)
                if answer is not None:
                    asyncio.get_running_loop().call_later(self.delay_s, writer.write, answer)
        except ConnectionError:
            pass
        finally:
            writer.close()


class Calls:
    """What the service would hear of the link."""

    def __init__(self) -> None:
        self.seen: list[tuple[str, ...]] = []

    def connected(self, name: str) -> None:
        self.seen.append(("connected", name))

    def lost(self, name: str, reason: str) -> None:
        self.seen.append(("lost", name, reason))


class Recorder:
    """An open link that notes what is written."""

    def __init__(self, written: list[bytes]) -> None:
        self._written = written

    def write(self, data: bytes) -> None:
        self._written.append(data)

    def close(self) -> None:
        """Nothing is open."""


def keep_link(address: Address, speaker: Speaker) -> KeptLink:
    quick = Backoff(immediate_s=0.01, first_s=0.01, last_s=0.02)
    return KeptLink(address, speaker, structlog.get_logger(), "switch", backoff=quick)


def device(address: Address, acknowledge: str | None = "^OK", texts: dict[CommandName, str] = TEXTS) -> LineDevice:
    templates = {name: Template.parse(text) for name, text in texts.items()}
    pattern = None if acknowledge is None else re.compile(acknowledge)
    return LineDevice("switch", address, templates, keep_link, acknowledge=pattern, timeout_us=TIMEOUT_US)


async def until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(2):
        while not is_so():  # noqa: ASYNC110 - what is waited for happens at the far end
            await asyncio.sleep(0.001)


@asynccontextmanager
async def running(output: LineDevice, calls: Calls | None = None) -> AsyncIterator[LineDevice]:
    calls = calls or Calls()
    output.start(calls.connected, calls.lost)
    try:
        yield output
    finally:
        await output.close()


@pytest.fixture
async def switch() -> AsyncIterator[Switch]:
    far_end = Switch()
    await far_end.listen()
    yield far_end
    await far_end.unplug()


@asynccontextmanager
async def connected(switch: Switch, acknowledge: str | None = "^OK") -> AsyncIterator[LineDevice]:
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", switch.port), acknowledge), calls) as output:
        await until(lambda: calls.seen == [("connected", "switch")])
        yield output


async def test_fulfils_what_the_service_asks_of_a_device_output(switch: Switch) -> None:
    async with connected(switch) as output:
        as_output: DeviceOutput = output

        assert as_output.commands == frozenset(TEXTS)
        assert await as_output.perform(SELECT) == Performed(Result.ACKNOWLEDGED)
        assert await as_output.perform(RECALL) == Performed(Result.ACKNOWLEDGED)
        assert switch.heard == [b"PORT 2\n", b"TANK 1204 388\n"]


@asynccontextmanager
async def bare_socket() -> AsyncIterator[tuple[LineDevice, socket.socket]]:
    """A connected device whose far end is a blocking socket: while the test reads from it, the loop stands still."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        calls = Calls()
        async with running(device(TcpAddress(*server.getsockname())), calls) as output:
            await until(lambda: bool(calls.seen))
            far_end = server.accept()[0]
            far_end.settimeout(0.5)
            with far_end:
                yield output, far_end


async def test_bytes_are_written_before_perform_returns() -> None:
    async with bare_socket() as (output, far_end):
        end = output.perform(SELECT)
        assert far_end.recv(100) == b"PORT 2\n"

        safe_end = output.perform(INHIBIT)
        assert far_end.recv(100) == b"HOLD\n"

        far_end.sendall(b"OK\nOK\n")
        assert await end == Performed(Result.FAILED, "overtaken by inhibit-transmit")
        assert await safe_end == Performed(Result.ACKNOWLEDGED)


async def test_command_ends_in_the_very_call_that_brings_its_acknowledgement() -> None:
    output = device(TcpAddress("127.0.0.1", 1))
    written: list[bytes] = []
    output.link_opened(Recorder(written))
    end = asyncio.ensure_future(output.perform(SELECT))
    await asyncio.sleep(0)

    output.bytes_received(b"OK\n")
    await asyncio.sleep(0)
    await asyncio.sleep(0)

    assert written == [b"PORT 2\n"]
    assert end.done()
    assert end.result() == Performed(Result.ACKNOWLEDGED)
    await output.close()


async def test_without_a_pattern_the_result_is_assumed_though_nobody_answers(switch: Switch) -> None:
    switch.answer = lambda line: None
    async with connected(switch, acknowledge=None) as output:
        assert await output.perform(SELECT) == Performed(Result.ASSUMED)
        assert await output.perform(INHIBIT) == Performed(Result.ASSUMED)
        await until(lambda: switch.heard == [b"PORT 2\n", b"HOLD\n"])


async def test_late_ok_does_not_confirm_the_next_command(switch: Switch) -> None:
    """Each line is answered 150 ms late; the recall's are refused. Only the select may count as acknowledged."""
    switch.delay_s = 0.15
    switch.answer = lambda line: b"OK\n" if line.startswith(b"PORT") else b"ERR busy\n"
    async with connected(switch) as output:
        selected, recalled = await asyncio.gather(output.perform(SELECT), output.perform(RECALL))
        assert selected.result is Result.ACKNOWLEDGED
        assert switch.heard.count(b"PORT 2\n") == 2

        assert recalled.result is Result.FAILED
        later = await output.perform(RECALL)
        assert later.result is Result.FAILED
        assert "last heard 'ERR busy'" in str(later.error)


async def test_silent_device_fails_in_time_and_its_link_is_opened_anew(switch: Switch) -> None:
    switch.answer = lambda line: None
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", switch.port)), calls) as output:
        await until(lambda: bool(calls.seen))
        started_s = time.monotonic()
        performed = await output.perform(SELECT)
        took_s = time.monotonic() - started_s

        assert performed.result is Result.FAILED
        assert str(performed.error).endswith("within 100 ms, heard nothing")
        assert BOUND_S <= took_s < BOUND_S + SOON_S
        assert switch.heard == [b"PORT 2\n"] * 3
        await until(lambda: switch.connections == 2 and len(calls.seen) == 3)
        assert calls.seen[1:] == [("lost", "switch", "no acknowledgement"), ("connected", "switch")]

        switch.answer = lambda line: b"OK\n"
        assert (await output.perform(SELECT)).result is Result.ACKNOWLEDGED


async def test_command_without_a_connection_fails_in_time_saying_why() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", port)), calls) as output:
        started_s = time.monotonic()
        both = await asyncio.gather(output.perform(SELECT), output.perform(INHIBIT))
        took_s = time.monotonic() - started_s

    assert [performed.result for performed in both] == [Result.FAILED, Result.FAILED]
    assert both[0].error == f"no connection to tcp:127.0.0.1:{port}: nobody listens there"
    assert BOUND_S <= took_s < BOUND_S + SOON_S
    assert calls.seen == []


async def test_nothing_is_replayed_to_a_device_that_comes_back(switch: Switch) -> None:
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", switch.port)), calls) as output:
        await until(lambda: bool(calls.seen))
        await switch.unplug()
        await until(lambda: len(calls.seen) == 2)
        failed = await output.perform(SELECT)
        assert failed.result is Result.FAILED

        await switch.listen()
        await until(lambda: len(calls.seen) == 3)
        assert (await output.perform(RECALL)).result is Result.ACKNOWLEDGED

    assert switch.heard == [b"TANK 1204 388\n"]


async def test_link_lost_under_way_is_bridged_within_the_time_of_the_command(switch: Switch) -> None:
    switch.answer = lambda line: None
    async with connected(switch) as output:
        end = asyncio.ensure_future(output.perform(SELECT))
        await until(lambda: len(switch.heard) == 1)
        await switch.unplug()
        switch.answer = lambda line: b"OK\n"
        await switch.listen()

        assert await end == Performed(Result.ACKNOWLEDGED)
        assert switch.heard == [b"PORT 2\n"] * 2


async def test_cancelled_command_is_not_sent(switch: Switch) -> None:
    switch.answer = lambda line: None
    async with connected(switch) as output:
        first = asyncio.ensure_future(output.perform(SELECT))
        second = asyncio.ensure_future(output.perform(RECALL))
        await until(lambda: len(switch.heard) == 1)
        second.cancel()
        switch.answer = lambda line: b"OK\n"

        assert (await first).result is Result.ACKNOWLEDGED
        assert second.cancelled()
        assert b"TANK 1204 388\n" not in switch.heard


async def test_close_ends_what_is_under_way_at_once(switch: Switch) -> None:
    switch.answer = lambda line: None
    async with connected(switch) as output:
        ends = asyncio.gather(output.perform(SELECT), output.perform(RECALL))
        started_s = time.monotonic()
        await output.close()

        assert {performed.error for performed in await ends} == {"the output was closed"}
        assert time.monotonic() - started_s < SOON_S


async def test_no_value_of_a_command_can_begin_a_line_of_its_own(switch: Switch) -> None:
    texts = {CommandName.INHIBIT_TRANSMIT: "HOLD {reasons}\n", CommandName.RECALL_PRESET: "MATCH {matching}\n"}
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", switch.port), texts=texts), calls) as output:
        await until(lambda: bool(calls.seen))
        await output.perform(InhibitTransmit(("rule\nLINE 1\r\x1b[2J", "rig lost")))
        await output.perform(RecallPreset("harbour-wire", "80m/1", 1, 2, (7, 40)))

    assert switch.heard == [b"HOLD rule LINE 1  [2J; rig lost\n", b"MATCH 7 40\n"]


async def test_value_that_does_not_fit_its_format_fails_the_command_only(switch: Switch) -> None:
    texts = {CommandName.SELECT_ANTENNA: "PORT {port:02d}\n"}
    calls = Calls()
    async with running(device(TcpAddress("127.0.0.1", switch.port), texts=texts), calls) as output:
        await until(lambda: bool(calls.seen))
        failed = await output.perform(SelectAntenna("main", "harbour-wire", "B"))
        assert failed.result is Result.FAILED
        assert str(failed.error).startswith("select-antenna cannot be written: `B` does not fit")

        assert (await output.perform(SELECT)).result is Result.ACKNOWLEDGED
    assert switch.heard == [b"PORT 02\n"]


async def test_speaks_over_a_serial_port() -> None:
    """Noise and a half line stand before the answer, and the answer comes byte by byte."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    loop = asyncio.get_running_loop()
    heard = bytearray()

    def answer() -> None:
        heard.extend(os.read(master, 100))
        if heard.endswith(b"\n"):
            for number, byte in enumerate(b"\xfe\x00? \rOK 2\r\n"):
                loop.call_later(0.001 * number, os.write, master, bytes([byte]))

    loop.add_reader(master, answer)
    calls = Calls()
    try:
        async with running(device(SerialAddress(os.ttyname(slave))), calls) as output:
            await until(lambda: bool(calls.seen))
            assert await output.perform(SELECT) == Performed(Result.ACKNOWLEDGED)
            assert await output.perform(AmplifierStandby()) == Performed(Result.ACKNOWLEDGED)
    finally:
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)
    assert bytes(heard) == b"PORT 2\nLINE 0\n"


def test_addresses_read_as_in_a_station_file() -> None:
    assert address_text(TcpAddress("127.0.0.1", 5001)) == "tcp:127.0.0.1:5001"
    assert address_text(SerialAddress("/dev/serial/by-id/usb-amp")) == "serial:/dev/serial/by-id/usb-amp"
