"""From the rig's report on the wire to the first and to the last command, over TCP loopback, waits at their defaults.

One change of band a second at most, to spare relays. `QSYD_BENCH_CHANGES` sets how many (default 30); a 99th percentile
wants at least 100. Between the daemon's changes the bare programs have their turn.
"""

import os
import random
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic_ns

import pytest

from .figures import Bare, Benchmark, Figures, Goal, Spread
from .live_station import LiveStation, live_station
from .peers import Arrival, Device, Loop, Peer
from .processes import BARE, QSYD, environment, running
from .stations import FREQUENCY_OF

CHANGES = int(os.environ.get("QSYD_BENCH_CHANGES", "30"))
CHANGE_EVERY_NS = 1_050_000_000
RULE_COUNT = 1_000
WAITS_MS = (50, 30, 300)
"""The defaults: guard, relay settle, preset settle."""
OPERATE_MS = 30
"""The amplifier's transfer relay, on the way back to operate."""
FIRST_GOAL_MS = 1.0
OVERHEAD_GOAL_MS = 2.0
REPORT = b"FA00014205000;"
POLL_S = 0.05


class Echo(Peer):
    """Times a message there and back."""

    end = b";"

    def __init__(self, loop: Loop) -> None:
        super().__init__(loop)
        self.back_ns = 0

    def arrived(self, message: bytes, at_ns: int) -> None:
        self.back_ns = at_ns


@dataclass
class BareTrips:
    """The bare programs and what they took, in milliseconds."""

    loop: Loop
    waits_ms: Sequence[int]
    echo_ms: list[float] = field(default_factory=list)
    command_ms: list[float] = field(default_factory=list)
    over_ms: list[float] = field(default_factory=list)

    @contextmanager
    def connected(self, directory: Path) -> Iterator[None]:
        """Start the programs and wait until they are there."""
        self.arrivals: list[Arrival] = []
        self.echo = Echo(self.loop)
        self.rig, self.device = Peer(self.loop), Device(self.loop, self.arrivals)
        self.slow_rig, self.slow_device = Peer(self.loop), Device(self.loop, self.arrivals)
        peers = (self.echo, self.rig, self.device, self.slow_rig, self.slow_device)
        waits_s = [str(wait_ms / 1e3) for wait_ms in self.waits_ms]
        with ExitStack() as stack:
            for peer in peers:
                stack.callback(peer.close)
            for name, ports in (
                ("echo", (self.echo,)),
                ("command", (self.rig, self.device)),
                ("change-over", (self.slow_rig, self.slow_device)),
            ):
                waits = waits_s if name == "change-over" else []
                command = [*BARE, name, *(str(peer.port) for peer in ports), *waits]
                stack.enter_context(running(command, directory / f"{name}.log"))
            self.loop.run(lambda: all(peer.connected for peer in peers), 10, "the bare programs")
            yield

    def run(self) -> None:
        """One trip of each, from a machine that has been idle as long as before the daemon's own."""
        self.loop.wait(POLL_S)
        self.echo.back_ns = 0
        sent_ns = self.echo.send(REPORT)
        self.loop.run(lambda: self.echo.back_ns > 0, 5, "the echo")
        self.echo_ms.append((self.echo.back_ns - sent_ns) / 1e6)
        self.loop.wait(POLL_S)
        self.command_ms.append((self._until("HOLD", self.rig.send(REPORT))) / 1e6)
        self.loop.wait(POLL_S)
        self.over_ms.append(self._until("FREE", self.slow_rig.send(REPORT)) / 1e6 - sum(self.waits_ms))

    def _until(self, line: str, sent_ns: int) -> int:
        self.arrivals.clear()
        self.loop.run(lambda: any(arrival.line == line for arrival in self.arrivals), 5, f"{line} of a bare program")
        return next(arrival.at_ns for arrival in self.arrivals if arrival.line == line) - sent_ns


@dataclass
class Changes:
    """What the daemon's changes of band took, in milliseconds: to the first command, and to the last beyond the waits."""

    station: LiveStation
    waits_ms: Sequence[int]
    expected: tuple[str, ...]
    first_ms: list[float] = field(default_factory=list)
    over_ms: list[float] = field(default_factory=list)
    bears_disturbance: bool = False
    """Whether a change that a standstill of the machine sent another, safe way counts with its time instead of failing."""
    disturbed: list[str] = field(default_factory=list)
    """The lines of each of those."""

    def run(self, band: str) -> None:
        """One change of band, checked: the right lines in the safe order, and no wait short."""
        station, rig = self.station, self.station.rig
        station.loop.wait(random.uniform(0, POLL_S))  # anywhere between two polls
        begin = len(station.arrivals)
        rig.turn(FREQUENCY_OF[band])
        station.loop.run(lambda: station.has_heard("FREE", begin), 5, f"release on {band}")
        arrived = station.arrivals[begin:]
        words = tuple(arrival.line.split()[0] for arrival in arrived)
        if words != self.expected:
            assert self.bears_disturbance, [arrival.line for arrival in arrived]
            self._nothing_moved_unheld(begin)
            self.disturbed.append(" ".join(words))
        over_ms = (arrived[-1].at_ns - rig.told_ns) / 1e6 - sum(self.waits_ms)
        assert over_ms >= 0, "a wait was short"
        if words[0] == "HOLD":  # else transmit was inhibited already
            self.first_ms.append((arrived[0].at_ns - rig.told_ns) / 1e6)
        self.over_ms.append(over_ms)

    def _nothing_moved_unheld(self, begin: int) -> None:
        """Whatever way it went: antenna and tank moved only while transmit was inhibited."""
        for index, arrival in enumerate(self.station.arrivals[begin:], begin):
            if arrival.line.split()[0] in {"PORT", "TANK"}:
                permits = [each.line for each in self.station.arrivals[:index] if each.line in {"HOLD", "FREE"}]
                assert permits[-1] == "HOLD", [each.line for each in self.station.arrivals[begin:]]


@pytest.mark.timeout(60 + 3 * CHANGES)
@pytest.mark.parametrize(
    ("way", "operate"),
    [("reported", False), ("polled", False), ("reported", True)],
    ids=["reported", "polled", "reported-operate"],
)
def test_change_of_band(way: str, operate: bool, benchmark: Benchmark, figures: Figures, tmp_path: Path) -> None:
    """Barefoot (the amplifier is off), and with the amplifier that goes to standby and back to operate."""
    waits_ms = (*WAITS_MS, OPERATE_MS) if operate else WAITS_MS
    expected = ("HOLD", "LINE", "PORT", "TANK", "LINE", "FREE") if operate else ("HOLD", "PORT", "TANK", "FREE")
    loop = Loop()
    with live_station(tmp_path, loop, RULE_COUNT, push=way == "reported") as station:
        if way == "reported":
            loop.run(lambda: station.rig.reports, 5, "the wish for reports")
        if operate:
            _put_into_operate(station, tmp_path)
        changes, bare = Changes(station, waits_ms, expected), BareTrips(loop, waits_ms)
        with bare.connected(tmp_path):
            bands = iter(["40m", "20m"] * (CHANGES // 2 + 1))
            loop.wait(1)

            def change() -> None:
                begin_ns = monotonic_ns()
                changes.run(next(bands))
                bare.run()
                loop.wait((begin_ns + CHANGE_EVERY_NS - monotonic_ns()) / 1e9)

            benchmark.pedantic(change, rounds=CHANGES)
    loop.close()

    name = f"{way}{', operate' if operate else ''}"
    command = Bare("read, then write", Spread(tuple(bare.command_ms), "ms"))
    over = Bare("same waits, no decision", Spread(tuple(bare.over_ms), "ms"))
    benchmark.extra_info |= {
        "first_command": figures.add(
            f"{name}: first command", Spread(tuple(changes.first_ms), "ms"), command, Goal(99, FIRST_GOAL_MS)
        ),
        "beyond_waits": figures.add(
            f"{name}: change-over beyond its waits",
            Spread(tuple(changes.over_ms), "ms"),
            over,
            Goal(99, OVERHEAD_GOAL_MS),
        ),
        "echo": figures.add(f"{name}: bare round trip", Spread(tuple(bare.echo_ms), "ms")),
    }


def _put_into_operate(station: LiveStation, directory: Path) -> None:
    """Heater on, warm-up, operate; each asked of the daemon as an operator would, while its far ends go on answering."""
    state = str(directory / "state")
    for request, line in (("on", "HEAT 1"), ("operate", "LINE 1")):
        begin = len(station.arrivals)
        command = [*QSYD, "amplifier", request, "--state", state]
        with subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL) as asked:
            _run_until_heard(station, line, begin)
        assert asked.returncode == 0, f"amplifier {request} was refused"
        station.loop.wait(1.5)  # the warm-up of this station is one second


def _run_until_heard(station: LiveStation, line: str, since: int) -> None:
    station.loop.run(lambda: station.has_heard(line, since), 10, line)
