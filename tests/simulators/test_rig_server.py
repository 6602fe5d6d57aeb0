"""The transceiver to connect to, and what is typed on its console."""

import asyncio
import os
import pty
from pathlib import Path

import pytest

from qsyd_simulators.console_lines import console_lines
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.frequency_text import frequency_from, frequency_text
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.rig_server import obey, serve_rig
from qsyd_simulators.transceiver import Transceiver


@pytest.mark.parametrize(
    ("text", "frequency_hz"),
    [
        ("14.205 MHz", 14_205_000),
        ("14.205MHz", 14_205_000),
        ("7100 kHz", 7_100_000),
        ("7100.5 khz", 7_100_500),
        ("7100500 Hz", 7_100_500),
        ("7100500.0 Hz", 7_100_500),
        (" 50.000001 mhz ", 50_000_001),
        ("1.8400000 MHz", 1_840_000),
    ],
)
def test_frequencies_as_they_are_typed(text: str, frequency_hz: int) -> None:
    assert frequency_from(text) == frequency_hz
    assert frequency_from(frequency_text(frequency_hz)) == frequency_hz


@pytest.mark.parametrize("text", ["", "14.205", "MHz", "14,205 MHz", "-7 MHz", "7 GHz", "1e7 Hz", "٧ MHz", "7.1.2 MHz"])
def test_what_is_no_frequency(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no frequency; write it like 14\.205 MHz, 7100 kHz or 7100500 Hz"):
        frequency_from(text)


def test_finer_than_a_hertz_is_no_frequency() -> None:
    with pytest.raises(ValueError, match="finer than 1 Hz"):
        frequency_from("14.2050001 MHz")


def test_console_works_the_front_panel() -> None:
    rig = Transceiver(14_205_000)
    for line in ("tune 14.195 MHz", "other 14.250 MHz", "split on", "mode cw-r", "KEY", "push off", "silent on"):
        obey(line, rig)
    assert (rig.vfo_a_hz, rig.vfo_b_hz, rig.transmit_hz) == (14_195_000, 14_250_000, 14_250_000)
    assert (rig.mode, rig.keyed, rig.keyed_by_cat) == (RigMode.CW_R, True, 0)
    assert (rig.push_permitted, rig.faults.silent) == (False, True)
    assert obey("show", rig) == (
        "VFO A 14.195000 MHz, cw-r, other VFO 14.250000 MHz, split on, would transmit on 14.250000 MHz, keyed, "
        "push off, silent"
    )

    for line in ("unkey", "split off", "push on", "silent off"):
        obey(line, rig)
    assert (rig.keyed, rig.split, rig.push_permitted, rig.faults.silent) == (False, False, True, False)


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("tune", "is no frequency"),
        ("tune 14.205", "is no frequency"),
        ("tune 144.2 MHz", "outside what this set tunes"),
        ("split", "write 'split on' or 'split off'"),
        ("silent maybe", "write 'silent on' or 'silent off'"),
        ("mode ssb", "'ssb' is no mode; there are lsb, usb"),
        ("key now", "'key now' is not understood; help lists what is"),
        ("explode", "'explode' is not understood"),
        ("", "is not understood"),
    ],
)
def test_bad_line_is_answered_in_plain_words_and_changes_nothing(line: str, answer: str) -> None:
    rig = Transceiver(14_205_000)
    before = obey("show", rig)

    assert answer in obey(line, rig)
    assert obey("show", rig) == before


def test_help_names_every_command_and_mode() -> None:
    text = obey("help", Transceiver())

    assert all(word in text for word in ("tune", "other", "split", "mode", "unkey", "push", "silent", "show", *RigMode))


class Served:
    """`serve_rig` running in a task, and what it has said."""

    def __init__(self) -> None:
        self.said: list[str] = []

    async def until_said(self, count: int) -> None:
        async with asyncio.timeout(2.0):
            while len(self.said) < count:  # noqa: ASYNC110 - what is said has no event to wait for
                await asyncio.sleep(0.002)

    def port(self) -> int:
        return int(self.said[0].rpartition(":")[2])


async def ask(port: int, question: bytes, size: int) -> bytes:
    async with asyncio.timeout(2.0):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(question)
        answer = await reader.readexactly(size)
        writer.close()
        await writer.wait_closed()
        return answer


async def test_served_rig_answers_obeys_its_console_and_ends_when_cancelled(tmp_path: Path) -> None:
    served = Served()
    typed, keyboard = os.pipe()
    link = str(tmp_path / "rig")
    task = asyncio.create_task(
        serve_rig(
            "ascii-cat", 9, 0x94, 0, link, 7_100_500, True, None, say=served.said.append, lines=console_lines(typed)
        )
    )
    await served.until_said(3)
    assert served.said[0].startswith("SIMULATED transceiver, ASCII CAT with 9 digits: tcp:127.0.0.1:")
    assert served.said[1] == f"SIMULATED transceiver, ASCII CAT with 9 digits: serial:{link}"
    assert await ask(served.port(), b"FA;", 12) == b"FA007100500;"

    os.write(keyboard, b"tune 14.205 MHz\r\n\nne")
    os.write(keyboard, b"ver\n")
    await served.until_said(5)
    assert served.said[4] == "'never' is not understood; help lists what is"
    assert await ask(served.port(), b"FA;", 12) == b"FA014205000;"

    os.close(keyboard)
    assert await ask(served.port(), b"FB;", 12) == b"FB007100500;"  # the end of the console does not end the set
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert not os.path.lexists(link)  # noqa: ASYNC240
    with pytest.raises(ConnectionRefusedError):
        await ask(served.port(), b"FA;", 12)
    os.close(typed)


async def test_served_rig_speaks_ci_v_with_its_faults() -> None:
    served = Served()
    refusing = RigFaults(refuse={b"\x03"})
    task = asyncio.create_task(serve_rig("ci-v", 11, 0x70, 0, None, 7_100_500, False, refusing, say=served.said.append))
    await served.until_said(1)
    assert served.said[0].startswith("SIMULATED transceiver, CI-V at address 0x70: tcp:127.0.0.1:")
    read = bytes.fromhex("FE FE 70 E0 03 FD")
    assert await ask(served.port(), read, 12) == read + bytes.fromhex("FE FE E0 70 FA FD")

    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.mark.parametrize(
    ("protocol", "digits", "address", "tcp_port", "message"),
    [
        ("morse", 11, 0x94, 0, "protocol 'morse' is not simulated; there are ascii-cat and ci-v"),
        ("ascii-cat", 10, 0x94, 0, "10 frequency digits"),
        ("ci-v", 11, 0xFE, 0, "address 0xfe"),
        ("ci-v", 11, 0x94, None, "needs a TCP port or a path"),
    ],
)
async def test_rig_that_cannot_be_served_says_why_at_once(
    protocol: str, digits: int, address: int, tcp_port: int | None, message: str
) -> None:
    said: list[str] = []
    with pytest.raises(ValueError, match=message):
        await serve_rig(protocol, digits, address, tcp_port, None, 7_100_000, True, None, say=said.append)
    assert said == []


async def lines_of(descriptor: int) -> list[str]:
    async with asyncio.timeout(2.0):
        return [line async for line in console_lines(descriptor)]


async def test_console_may_be_a_file_or_nothing(tmp_path: Path) -> None:
    script = tmp_path / "script"
    script.write_bytes(b"split on\n\xff\nshow")
    for path, lines in ((script, ["split on", "\ufffd", "show"]), (Path(os.devnull), [])):
        descriptor = os.open(path, os.O_RDONLY)
        assert await lines_of(descriptor) == lines
        os.close(descriptor)


async def test_console_may_be_a_terminal_that_goes_away() -> None:
    keyboard, screen = pty.openpty()
    os.write(keyboard, b"split on\nshow\n")
    lines = console_lines(screen)
    async with asyncio.timeout(2.0):
        assert [await anext(lines), await anext(lines)] == ["split on", "show"]
        os.close(keyboard)
        assert [line async for line in lines] == []
    os.close(screen)


async def test_console_that_is_closed_has_ended() -> None:
    read, write = os.pipe()
    os.close(read)
    os.close(write)

    assert await lines_of(read) == []
