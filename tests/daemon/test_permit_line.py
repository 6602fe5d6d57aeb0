"""The transmit permit on a control line: asserted only while released, and what happens when things go wrong.

No serial hardware is at hand here, and pseudo-terminals have no control lines. So the port is a real pseudo-terminal
(opening, hang-up, closing are real), and the calls that move lines are recorded at the boundary to the kernel; the
real calls are tried only where a pseudo-terminal refuses them. That the kernel takes the lines low when the last
descriptor closes (HUPCL, termios(3)) is checked as a setting, not on a wire.
"""

import asyncio
import errno
import os
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

from qsyd_daemon.daemon import Daemon, Ways
from qsyd_daemon.links.keeper import Backoff, KeptLink
from qsyd_daemon.links.line_port import IoctlLines, LineOpener, ModemLines, OutputLine
from qsyd_daemon.links.link import Address, SerialAddress, Speaker, TcpAddress
from qsyd_daemon.outputs.output import DeviceOutput, Performed
from qsyd_daemon.outputs.permit_line import TIMEOUT_S, PermitLine
from qsyd_daemon.station_file.load import station_from_text
from qsyd_daemon.store.store import Store
from qsyd_rules.command import CommandName, InhibitTransmit, ReleaseTransmit
from qsyd_rules.words import Result
from qsyd_simulators.rig_server import serve_on_loopback

RTS, DTR = termios.TIOCM_RTS, termios.TIOCM_DTR
INHIBIT = InhibitTransmit(("change-over",))
RELEASE = ReleaseTransmit()
CFLAG = 2


class Port:
    """A pseudo-terminal whose far end stands for the cable."""

    def __init__(self) -> None:
        self.master, port = os.openpty()
        tty.setraw(port)
        self.path = os.ttyname(port)
        self._keep: int | None = port  # so that its settings can be looked at

    def hangs_up_on_close(self) -> bool:
        assert self._keep is not None
        return bool(termios.tcgetattr(self._keep)[CFLAG] & termios.HUPCL)

    def unplug(self) -> None:
        for descriptor in (self.master, self._keep):
            if descriptor is not None and descriptor >= 0:
                os.close(descriptor)
        self.master, self._keep = -1, None


@pytest.fixture
def port() -> Iterator[Port]:
    far_end = Port()
    yield far_end
    far_end.unplug()


class Heard:
    """What the service would hear."""

    def __init__(self) -> None:
        self.links: list[str] = []
        self.warnings: list[str] = []


def permit(
    path: str, lines: ModemLines, heard: Heard, line: OutputLine = OutputLine.RTS, *, active_high: bool = True
) -> PermitLine:
    def keep_link(address: Address, speaker: Speaker) -> KeptLink:
        quick = Backoff(immediate_s=0.01, first_s=0.01, last_s=0.02)
        return KeptLink(address, speaker, structlog.get_logger(), "ptt", backoff=quick, opener=LineOpener(lines))

    address = SerialAddress(
        path,
        dtr_high=line is OutputLine.DTR and not active_high,
        rts_high=line is OutputLine.RTS and not active_high,
        drop_on_close=active_high,
    )
    return PermitLine("ptt", address, line, active_high, keep_link, heard.warnings.append)


@asynccontextmanager
async def running(output: PermitLine, heard: Heard) -> AsyncIterator[PermitLine]:
    output.start(lambda name: heard.links.append("connected"), lambda name, reason: heard.links.append(reason))
    try:
        await until(lambda: bool(heard.links))
        yield output
    finally:
        await output.close()


async def until(is_so: Callable[[], bool], within_s: float = 2.0) -> None:
    async with asyncio.timeout(within_s):
        while not is_so():  # noqa: ASYNC110 - what is waited for happens in another thread
            await asyncio.sleep(0.001)


async def test_carries_exactly_the_permit(port: Port) -> None:
    output: DeviceOutput = permit(port.path, RecordedLines(), Heard())

    assert output.commands == {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}


@pytest.mark.parametrize(("line", "bit"), [(OutputLine.RTS, RTS), (OutputLine.DTR, DTR)])
async def test_asserted_only_while_released(port: Port, line: OutputLine, bit: int) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard, line), heard) as output:
        assert await output.perform(INHIBIT) == Performed(Result.CONFIRMED)
        assert lines.high == 0
        assert await output.perform(RELEASE) == Performed(Result.CONFIRMED)
        assert lines.high == bit
        assert await output.perform(INHIBIT) == Performed(Result.CONFIRMED)
        assert lines.high == 0
    assert heard.warnings == []
    assert all(move[1] == bit for move in lines.moves[:4])


async def test_at_opening_the_line_is_taken_to_the_level_that_inhibits(port: Port) -> None:
    lines, heard = RecordedLines(high=RTS), Heard()  # as Linux raises it when the port is opened
    async with running(permit(port.path, lines, heard), heard):
        await until(lambda: lines.high == 0)
        assert port.hangs_up_on_close()


async def test_with_the_low_level_releasing_the_high_one_inhibits(port: Port) -> None:
    """The kernel can only take lines low when the daemon dies, so closing must not touch this one."""
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard, active_high=False), heard) as output:
        await until(lambda: lines.high == RTS)
        assert not port.hangs_up_on_close()
        assert (await output.perform(RELEASE)).result is Result.CONFIRMED
        assert lines.high == 0
    await until(lambda: lines.high == RTS)


async def test_closing_inhibits(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(RELEASE)
        assert lines.high == RTS

    assert lines.high == 0


async def test_a_line_that_cannot_be_read_back_is_only_acknowledged(port: Port) -> None:
    lines, heard = RecordedLines(get_error=OSError(errno.EINVAL, "Invalid argument")), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        assert await output.perform(RELEASE) == Performed(Result.ACKNOWLEDGED)


async def test_a_line_that_reads_back_otherwise_has_failed(port: Port) -> None:
    lines, heard = RecordedLines(stuck=RTS), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        performed = await output.perform(RELEASE)

    assert performed == Performed(Result.FAILED, f"rts of serial:{port.path} was set high and reads back low")


async def test_a_driver_that_fails_says_so(port: Port) -> None:
    lines, heard = RecordedLines(error=OSError(errno.EIO, "Input/output error")), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        performed = await output.perform(INHIBIT)
        await until(lambda: bool(heard.warnings))

    assert performed == Performed(Result.FAILED, f"cannot set rts of serial:{port.path}: Input/output error")
    assert heard.warnings == [f"ptt: cannot set rts of serial:{port.path}: Input/output error"]


async def test_a_real_port_without_control_lines_fails_in_plain_words(port: Port) -> None:
    """The real calls, on a pseudo-terminal: Linux answers ENOTTY."""
    heard = Heard()
    async with running(permit(port.path, IoctlLines(), heard), heard) as output:
        released, inhibited = await output.perform(RELEASE), await output.perform(INHIBIT)
        await until(lambda: bool(heard.warnings))

    error = f"cannot set rts of serial:{port.path}: this port has no control lines; use a serial port with RTS and DTR"
    assert released == inhibited == Performed(Result.FAILED, error)
    assert heard.warnings == [f"ptt: {error}"]


@pytest.mark.parametrize(
    "call",
    [
        lambda descriptor: IoctlLines().set(descriptor, RTS),
        lambda descriptor: IoctlLines().clear(descriptor, RTS),
        lambda descriptor: IoctlLines().get(descriptor),
    ],
    ids=["set", "clear", "get"],
)
def test_the_real_calls_raise_on_what_has_no_lines(port: Port, call: Callable[[int], object]) -> None:
    with pytest.raises(OSError, match="Inappropriate ioctl") as caught:
        call(port.master)

    assert caught.value.errno == errno.ENOTTY


async def test_a_pulled_cable_is_noticed_without_a_command(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(RELEASE)
        port.unplug()
        await until(lambda: len(heard.links) == 2)
        performed = await output.perform(INHIBIT)

    assert heard.links[0] == "connected"
    assert heard.links[1].startswith(f"{port.path}: ")
    assert performed.result is Result.FAILED
    assert str(performed.error).startswith(f"no connection to serial:{port.path}: no such port")
    await until(lambda: lines.high == 0)


async def test_without_a_port_a_command_fails_in_time_and_nothing_is_released_later(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    output = permit(port.path, lines, heard)
    started_s = time.monotonic()
    performed = await output.perform(RELEASE)  # not started: nobody opens the port

    assert TIMEOUT_S <= time.monotonic() - started_s < TIMEOUT_S + 0.2
    assert performed == Performed(Result.FAILED, f"no connection to serial:{port.path}: not open yet")
    async with running(output, heard):
        await output.perform(INHIBIT)
        assert ("set", RTS) not in [move[:2] for move in lines.moves]


async def test_a_release_that_hangs_in_the_driver_undoes_itself_when_it_returns(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(INHIBIT)
        lines.hold = threading.Event()
        started_s = time.monotonic()
        released = await output.perform(RELEASE)
        took_s = time.monotonic() - started_s
        lines.hold.set()
        lines.hold = None
        inhibited = await output.perform(INHIBIT)

        assert (
            released.error == f"cannot set rts of serial:{port.path}: the port's driver has not answered within 500 ms"
        )
        assert took_s < TIMEOUT_S + 0.2
        assert inhibited.result is Result.CONFIRMED
        assert [move[:2] for move in lines.moves[-3:]] == [("set", RTS), ("clear", RTS), ("clear", RTS)]
        assert lines.high == 0


async def test_inhibit_overtakes_a_release_under_way(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(INHIBIT)
        released, inhibited = await asyncio.gather(output.perform(RELEASE), output.perform(INHIBIT))

        assert released.result is Result.FAILED
        assert str(released.error).startswith("overtaken by inhibit-transmit")
        assert inhibited.result is Result.CONFIRMED
        assert lines.high == 0


async def test_what_was_dropped_stays_so_until_it_is_allowed_again(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(RELEASE)
        await asyncio.to_thread(output.drop)
        assert lines.high == 0
        refused = await output.perform(RELEASE)
        inhibited = await output.perform(INHIBIT)
        output.allow()
        released = await output.perform(RELEASE)

        assert refused == Performed(Result.FAILED, f"rts of serial:{port.path} was dropped: the daemon had stood still")
        assert inhibited.result is Result.CONFIRMED
        assert released.result is Result.CONFIRMED
        assert lines.high == RTS


async def test_bytes_from_the_port_change_nothing(port: Port) -> None:
    lines, heard = RecordedLines(), Heard()
    async with running(permit(port.path, lines, heard), heard) as output:
        await output.perform(RELEASE)
        os.write(port.master, b"noise\n" * 100)
        await asyncio.sleep(0.02)

        assert lines.high == RTS
        assert heard.links == ["connected"]


STATION = """station: Saltmarsh Hill
region: 2
rigs:
  main: {link: simulated}
antennas:
  wire: {port: 1, bands: [80m, 40m, 20m]}
outputs:
"""
HOLD = "commands: {inhibit-transmit: HOLD, release-transmit: FREE}"


@pytest.mark.parametrize(
    ("outputs", "guard"),
    [
        ("  box: {kind: device, link: tcp:127.0.0.1:1, commands: {select-antenna: '{port}'}}", "unguarded"),
        (f"  box: {{kind: device, link: tcp:127.0.0.1:1, {HOLD}}}", "unguarded on crash"),
        (f"  box: {{kind: device, link: tcp:127.0.0.1:1, {HOLD}, lease: {{renew: KEEP}}}}", "guarded"),
        ("  ptt: {kind: line, link: serial:/dev/none, line: rts}", "guarded"),
        ("  ptt: {kind: line, link: serial:/dev/none, line: rts, active: low}", "unguarded on crash"),
    ],
)
async def test_the_status_says_how_well_transmitting_can_be_forbidden(tmp_path: Path, outputs: str, guard: str) -> None:
    file = station_from_text(STATION + outputs + "\n", tmp_path / "station.yaml")
    store = Store.open(tmp_path, lambda healthy, text: None)
    daemon = Daemon(file, Ways(tmp_path, simulated={"main": TcpAddress("127.0.0.1", 1)}), store, structlog.get_logger())
    try:
        assert daemon.status()["guard"] == guard
    finally:
        await asyncio.to_thread(store.close)


async def test_the_station_holds_the_line_while_transmit_is_released(port: Port, tmp_path: Path) -> None:
    """The whole daemon with a simulated rig; only the calls that move the line are recorded."""
    lines = RecordedLines(high=RTS)
    ptt = f"  ptt: {{kind: line, link: 'serial:{port.path}', line: rts}}\n"
    file = station_from_text(STATION + ptt, tmp_path / "station.yaml")
    rig = await serve_on_loopback("ascii-cat", 11, 0x94)
    store = await asyncio.to_thread(Store.open, tmp_path, lambda healthy, text: None)
    ways = Ways(tmp_path, simulated={"main": TcpAddress("127.0.0.1", rig.port)}, lines=lines)
    daemon = Daemon(file, ways, store, structlog.get_logger())
    await daemon.start()
    try:
        await until(lambda: daemon.service.state.station.reasons is None)
        await until(lambda: lines.high == RTS)
        assert lines.moves[0][:2] == ("clear", RTS)
        confirmed = {"value": "released", "known": "confirmed"}
        await until(lambda: daemon.status()["outputs"]["permit"] == confirmed)
    finally:
        await daemon.close()
        await rig.close()

    assert lines.high == 0


def test_the_running_daemon_names_a_port_that_cannot_carry_the_permit(port: Port, tmp_path: Path) -> None:
    """The real calls, in the real daemon, on a pseudo-terminal: transmit is never released over it."""
    station = tmp_path / "station.yaml"
    station.write_text(STATION + f"  ptt: {{kind: line, link: 'serial:{port.path}', line: rts}}\n")
    with RunningDaemon(station, tmp_path / "state") as daemon:
        warning = daemon.wait_for("warning", code="permit-line")
        failed = daemon.wait_for("output-failed", output="ptt")
        assert daemon.named("transmit-released") == []
        assert daemon.stop() == 0

    assert "this port has no control lines" in warning["text"]
    assert "this port has no control lines" in failed["error"]
