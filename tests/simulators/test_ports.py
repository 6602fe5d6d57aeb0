"""The voices on real pseudo-terminals and real TCP. Every wait has an end; no descriptor blocks the loop."""

import asyncio
import os
import select
import socket
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
import serial

from qsyd_simulators.amplifier_box import AmplifierBox
from qsyd_simulators.amplifier_wire import AmplifierWire
from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.ci_v_voice import CiVVoice
from qsyd_simulators.pty_port import PtyPort
from qsyd_simulators.switch_box import SwitchBox
from qsyd_simulators.switch_wire import SwitchWire
from qsyd_simulators.tcp_port import TcpPort
from qsyd_simulators.transceiver import Transceiver

ANSWER = b"FA00014195000;"
PATIENCE_S = 2.0


@pytest.fixture
def rig() -> Transceiver:
    return Transceiver(14_195_000)


@pytest.fixture
async def pty_port(rig: Transceiver, tmp_path: Path) -> AsyncIterator[PtyPort]:
    port = PtyPort(AsciiCatVoice(rig), tmp_path / "rig")
    await port.start()
    yield port
    await port.close()


@pytest.fixture
async def tcp_port(rig: Transceiver) -> AsyncIterator[TcpPort]:
    port = TcpPort(lambda: AsciiCatVoice(rig))
    await port.start()
    yield port
    await port.close()


def ask_serial(path: str, question: bytes, size: int) -> bytes:
    """One visit with a serial library: open, ask, read `size` bytes, close. Blocks; at most `PATIENCE_S`."""
    with serial.Serial(path, 38_400, timeout=PATIENCE_S, write_timeout=PATIENCE_S, exclusive=True) as line:
        line.write(question)
        return bytes(line.read(size))


class Client:
    """A TCP client whose reads give up in time."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    @classmethod
    async def at(cls, port: TcpPort) -> "Client":
        return cls(*await asyncio.wait_for(asyncio.open_connection("127.0.0.1", port.port), PATIENCE_S))

    async def ask(self, question: bytes, size: int) -> bytes:
        self.writer.write(question)
        return await self.read(size)

    async def read(self, size: int) -> bytes:
        return await asyncio.wait_for(self.reader.readexactly(size), PATIENCE_S)

    async def says_nothing(self, for_s: float = 0.05) -> bool:
        try:
            await asyncio.wait_for(self.reader.readexactly(1), for_s)
        except TimeoutError:
            return True
        return False

    async def is_dropped(self) -> bool:
        try:
            return await asyncio.wait_for(self.reader.read(), PATIENCE_S) == b""
        except ConnectionResetError:
            return True

    async def close(self) -> None:
        self.writer.close()
        try:
            await self.writer.wait_closed()
        except ConnectionError:
            return


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - the condition has no event to wait for
            await asyncio.sleep(0.002)


# Pseudo-terminals.


async def test_serial_line_answers_again_and_again_after_the_far_end_closed(pty_port: PtyPort) -> None:
    for _ in range(3):
        assert await asyncio.to_thread(ask_serial, pty_port.path, b"FA;", 14) == ANSWER


async def test_far_end_that_closed_does_not_keep_the_loop_busy(pty_port: PtyPort) -> None:
    """A hung-up descriptor left with the loop would spin."""
    await asyncio.to_thread(ask_serial, pty_port.path, b"FA;", 14)
    spent_s = time.process_time()
    await asyncio.sleep(0.2)

    assert time.process_time() - spent_s < 0.1


async def test_serial_line_carries_every_byte_as_it_is(rig: Transceiver, tmp_path: Path) -> None:
    """Raw mode: no echo of the kernel's, no LF for CR, and FF, 11, 13 are bytes like others."""
    rig.tune(13_111_304)  # 04 13 11 13 00 on the wire: XON and XOFF among it
    port = PtyPort(CiVVoice(rig), tmp_path / "rig")
    await port.start()
    read = bytes.fromhex("FF 0D 0A 11 13 03 04 1A FD FE FE 94 E0 03 FD")

    heard = await asyncio.to_thread(ask_serial, port.path, read, len(read) + 11)
    await port.close()
    assert heard == read + bytes.fromhex("FE FE E0 94 03 04 13 11 13 00 FD")


async def test_line_is_raw_for_who_opens_it_without_a_serial_library(rig: Transceiver, pty_port: PtyPort) -> None:
    """Else the kernel would hold back what has no line end, and echo the set's own words to it."""
    line = os.open(pty_port.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    os.write(line, b"FA;")
    await until(lambda: bool(select.select([line], [], [], 0)[0]))
    assert os.read(line, 100) == ANSWER
    await asyncio.sleep(0.02)
    assert [heard.text for heard in rig.heard] == ["FA;"]
    os.close(line)


async def test_serial_line_carries_reports_at_once(rig: Transceiver, pty_port: PtyPort) -> None:
    with serial.Serial(pty_port.path, timeout=PATIENCE_S) as line:
        line.write(b"AI2;AI;")
        assert await asyncio.to_thread(line.read, 4) == b"AI2;"

        turned_at = time.monotonic()
        rig.tune(14_200_000)
        assert await asyncio.to_thread(line.read, 14) == b"FA00014200000;"
        assert time.monotonic() - turned_at < 0.5


async def test_pulled_cable_is_a_hang_up_and_can_be_plugged_in_again(pty_port: PtyPort) -> None:
    line = serial.Serial(pty_port.path, timeout=PATIENCE_S)
    await pty_port.close()
    assert not os.path.lexists(pty_port.path)  # noqa: ASYNC240
    with pytest.raises(serial.SerialException):
        await asyncio.to_thread(line.read, 1)
    line.close()

    await pty_port.start()
    assert await asyncio.to_thread(ask_serial, pty_port.path, b"FA;", 14) == ANSWER


async def test_nobody_reading_does_not_stop_the_set(rig: Transceiver, pty_port: PtyPort) -> None:
    with serial.Serial(pty_port.path, timeout=0) as line:
        line.write(b"AI2;")
        await until(lambda: len(rig.heard) == 1)
        for step in range(20_000):
            rig.tune(14_000_000 + step)

    assert pty_port.lost_bytes > 0
    assert await asyncio.to_thread(ask_serial, pty_port.path, b"AI0;FB;", 14) == b"FB00014195000;"


async def test_link_left_by_a_crash_is_replaced_and_a_file_is_not(rig: Transceiver, tmp_path: Path) -> None:
    left = tmp_path / "left"
    left.symlink_to("/dev/pts/gone")
    port = PtyPort(AsciiCatVoice(rig), left)
    await port.start()
    assert await asyncio.to_thread(ask_serial, str(left), b"FA;", 14) == ANSWER
    await port.close()
    await port.close()

    precious = tmp_path / "log.txt"
    precious.write_text("worked on Tuesday")
    with pytest.raises(FileExistsError, match=r"log\.txt exists and is no symbolic link"):
        await PtyPort(AsciiCatVoice(rig), precious).start()
    assert precious.read_text() == "worked on Tuesday"


async def test_missing_directory_leaves_no_descriptor_open(rig: Transceiver, tmp_path: Path) -> None:
    descriptors = len(os.listdir("/proc/self/fd"))
    with pytest.raises(FileNotFoundError):
        await PtyPort(AsciiCatVoice(rig), tmp_path / "nowhere" / "rig").start()

    assert len(os.listdir("/proc/self/fd")) == descriptors


# TCP.


async def test_each_client_has_a_line_of_its_own(rig: Transceiver, tcp_port: TcpPort) -> None:
    one, other = await Client.at(tcp_port), await Client.at(tcp_port)
    assert await one.ask(b"AI2;AI;F", 4) == b"AI2;"
    assert await other.ask(b"AI;", 4) == b"AI0;"

    rig.tune(14_200_000)
    assert await one.ask(b"A;", 28) == b"FA00014200000;" * 2
    assert await other.says_nothing()

    await one.close()
    await until(lambda: tcp_port.clients == 1)
    rig.tune(14_210_000)
    assert await other.ask(b"FA;", 14) == b"FA00014210000;"
    await other.close()


async def test_voice_of_a_client_that_left_no_longer_follows_the_set(rig: Transceiver) -> None:
    voices: list[AsciiCatVoice] = []

    def new_voice() -> AsciiCatVoice:
        voices.append(AsciiCatVoice(rig))
        return voices[-1]

    port = TcpPort(new_voice)
    await port.start()
    client = await Client.at(port)
    assert await client.ask(b"AI2;AI;", 4) == b"AI2;"
    await client.close()
    await until(lambda: port.clients == 0)
    rig.tune(14_200_000)

    assert [(voice.on_report, voice.reports()) for voice in voices] == [(None, b"")]
    await port.close()


async def test_shared_wire_reports_to_all_and_answers_who_asked(rig: Transceiver) -> None:
    port = TcpPort(CiVVoice(rig, echo=True))
    await port.start()
    one, other = await Client.at(port), await Client.at(port)
    await until(lambda: port.clients == 2)
    rig.tune(7_010_000)
    broadcast = bytes.fromhex("FE FE 00 94 00 00 00 01 07 00 FD")
    assert [await client.read(11) for client in (one, other)] == [broadcast, broadcast]

    read = bytes.fromhex("FE FE 94 E0 03 FD")
    assert await one.ask(read, 17) == read + bytes.fromhex("FE FE E0 94 03 00 00 01 07 00 FD")
    assert await other.says_nothing()
    await port.close()
    assert await one.is_dropped()
    assert await other.is_dropped()
    await one.close()
    await other.close()


async def test_refused_connections_leave_who_is_connected_and_come_back(tcp_port: TcpPort) -> None:
    client = await Client.at(tcp_port)
    tcp_port.refuse_connections()
    with pytest.raises(ConnectionRefusedError):
        await Client.at(tcp_port)
    assert await client.ask(b"FA;", 14) == ANSWER

    number = tcp_port.port
    await tcp_port.accept_connections()
    assert tcp_port.port == number
    second = await Client.at(tcp_port)
    assert await second.ask(b"FA;", 14) == ANSWER
    tcp_port.close_all()
    assert await client.is_dropped()
    assert await second.is_dropped()
    await client.close()
    await second.close()


async def test_stalled_port_is_half_open_until_it_is_not(rig: Transceiver, tcp_port: TcpPort) -> None:
    client = await Client.at(tcp_port)
    assert await client.ask(b"FA;", 14) == ANSWER
    tcp_port.stall(True)
    late = await Client.at(tcp_port)
    client.writer.write(b"FB;")
    late.writer.write(b"FB;")
    assert await client.says_nothing()
    assert await late.says_nothing()
    assert len(rig.heard) == 1

    tcp_port.stall(False)
    assert await client.read(14) == b"FB00014195000;"
    assert await late.read(14) == b"FB00014195000;"
    await client.close()
    await late.close()


async def test_client_that_does_not_read_costs_bounded_memory(rig: Transceiver, tcp_port: TcpPort) -> None:
    with socket.create_connection(("127.0.0.1", tcp_port.port), PATIENCE_S) as deaf:
        deaf.sendall(b"AI2;")
        await until(lambda: len(rig.heard) == 1)
        began = time.monotonic()
        for step in range(30_000):
            rig.tune(14_000_000 + step)
        assert time.monotonic() - began < 5.0

        client = await Client.at(tcp_port)
        assert await client.ask(b"FB;", 14) == b"FB00014195000;"
        await client.close()


# Faults that need time.


async def test_late_answers_keep_their_order(rig: Transceiver, tcp_port: TcpPort) -> None:
    rig.faults.answer_delay_s = 0.1
    client = await Client.at(tcp_port)
    asked_at = time.monotonic()
    client.writer.write(b"FA;")
    await until(lambda: len(rig.heard) == 1)
    rig.faults.answer_delay_s = 0.0

    assert await client.ask(b"ID;", 20) == ANSWER + b"ID999;"
    assert time.monotonic() - asked_at >= 0.1
    await client.close()


async def test_fragments_arrive_apart(rig: Transceiver, tcp_port: TcpPort) -> None:
    rig.faults.fragment_bytes = 5
    client = await Client.at(tcp_port)
    client.writer.write(b"FA;")
    pieces: list[bytes] = []
    while sum(map(len, pieces)) < len(ANSWER):
        pieces.append(await asyncio.wait_for(client.reader.read(100), PATIENCE_S))

    assert b"".join(pieces) == ANSWER
    assert len(pieces) > 1
    await client.close()


async def test_closing_forgets_answers_that_were_still_to_come(rig: Transceiver, tcp_port: TcpPort) -> None:
    rig.faults.answer_delay_s = 0.05
    client = await Client.at(tcp_port)
    client.writer.write(b"FA;")
    await until(lambda: len(rig.heard) == 1)
    tcp_port.close_all()

    assert await client.is_dropped()
    await asyncio.sleep(0.06)
    assert tcp_port.clients == 0
    await client.close()


# Boxes.


async def test_switch_on_tcp_moves_in_real_time() -> None:
    box = SwitchBox()
    port = TcpPort(SwitchWire(box))
    await port.start()
    client = await Client.at(port)
    assert await client.ask(b"PORT 3\nPORT?\n", 10) == b"OK\nPORT 0\n"
    await asyncio.sleep(0.03)
    assert await client.ask(b"PORT?\n", 7) == b"PORT 3\n"

    box.faults.slow_ack_s = 0.05
    asked_at = time.monotonic()
    assert await client.ask(b"PORT 2\n", 3) == b"OK\n"
    assert time.monotonic() - asked_at >= 0.05
    await port.close()
    await client.close()


async def test_amplifier_on_a_serial_line(tmp_path: Path) -> None:
    port = PtyPort(AmplifierWire(AmplifierBox()), tmp_path / "amp")
    await port.start()

    assert await asyncio.to_thread(ask_serial, port.path, b"HOLD\nMETERS\n", 18) == b"OK\nF0 R0 G0 T0 L0\n"
    await port.close()
