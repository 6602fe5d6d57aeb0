"""The plant on its wires: the amplifier alone, or rig, switch and amplifier of one station together."""

import asyncio
import errno
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard
from qsyd_simulators.plant.bench import Bench
from qsyd_simulators.plant.match_wire import MatchWire
from qsyd_simulators.plant.plant_wire import PlantWire
from qsyd_simulators.pty_port import PtyPort
from qsyd_simulators.switch_wire import SwitchWire
from qsyd_simulators.tcp_port import TcpPort

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Served:
    """Where the devices of a bench are reached."""

    rig_path: str
    switch_port: int
    amplifier_port: int
    matching_port: int | None
    """None where no antenna has a matching unit."""


@dataclass(frozen=True, slots=True)
class WantedPorts:
    """TCP ports of this machine for the devices of a bench; 0 lets the system choose."""

    switch: int = 0
    amplifier: int = 0
    matching: int = 0


class PortTakenError(Exception):
    """The TCP port `port` that was wanted for `device` is taken."""

    def __init__(self, device: str, port: int) -> None:
        super().__init__(f"port {port} of 127.0.0.1, for the {device}, is taken")
        self.device = device
        self.port = port


async def serve_amplifier(
    bench: Bench, tcp_port: int | None, pty_link: str | None, *, say: Say, lines: AsyncIterator[str]
) -> None:
    """Serve the amplifier on a TCP port of this machine or a pseudo-terminal, and obey `lines`, until cancelled.

    `tcp_port` 0 lets the system choose. `say` gets a line for people at a time, first where to connect. Raises `OSError`
    where a port cannot be had.
    """
    amplifier = bench.station.amplifier
    async with AsyncExitStack() as stack:
        if tcp_port is not None:
            tcp = TcpPort(lambda: PlantWire(amplifier), port=tcp_port)
            await _started(stack, tcp)
            say(f"SIMULATED amplifier: tcp:127.0.0.1:{tcp.port}")
        if pty_link is not None:
            pty = PtyPort(PlantWire(amplifier), pty_link)
            await _started(stack, pty)
            say(f"SIMULATED amplifier: serial:{pty.path}")
        await _obey(bench, say, lines)


async def serve_bench(
    bench: Bench,
    directory: Path,
    wanted: WantedPorts = WantedPorts(),
    *,
    on_served: Callable[[Served], None],
    say: Say,
    lines: AsyncIterator[str],
) -> None:
    """Serve the rig on a pseudo-terminal in `directory`, switch and amplifier on TCP ports, until cancelled.

    `on_served` is told once where they are. Raises `PortTakenError` for a wanted port that is taken, before anything in
    `directory` is touched, and `OSError` where a port cannot be had for another reason.
    """
    station = bench.station
    async with AsyncExitStack() as stack:
        switch = TcpPort(lambda: SwitchWire(station.switch), port=wanted.switch)
        amplifier = TcpPort(lambda: PlantWire(station.amplifier), port=wanted.amplifier)
        await _started_where_wanted(stack, switch, "antenna switch")
        await _started_where_wanted(stack, amplifier, "amplifier")
        matching = None
        if any(run.unit is not None for run in station.aerials.values()):
            faults, heard = BoxFaults(), list[Heard]()
            matching = TcpPort(lambda: MatchWire(station, faults, heard), port=wanted.matching)
            await _started_where_wanted(stack, matching, "matching unit")
        rig = PtyPort(AsciiCatVoice(bench.rig), directory / "rig")
        await _started(stack, rig)  # last: its link replaces that of a bench before
        on_served(Served(rig.path, switch.port, amplifier.port, matching.port if matching is not None else None))
        await _obey(bench, say, lines)


async def _started_where_wanted(stack: AsyncExitStack, port: TcpPort, device: str) -> None:
    try:
        await _started(stack, port)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise PortTakenError(device, port.port) from None
        raise


async def _started(stack: AsyncExitStack, port: TcpPort | PtyPort) -> None:
    await port.start()
    stack.push_async_callback(port.close)


async def _obey(bench: Bench, say: Say, lines: AsyncIterator[str]) -> None:
    say("Type help for what the console understands.")
    async for line in lines:
        if line.strip():
            say(bench.obey(line))
    await asyncio.Event().wait()
