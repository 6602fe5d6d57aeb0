"""A station of which only the far ends are ours: `qsyd run` as a process of its own, on TCP loopback."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .peers import Arrival, Device, Loop, Rig
from .processes import QSYD, qsyd, running
from .stations import FREQUENCY_OF, Ports, preset_table, station_text


class LiveStation:
    """The far ends; `arrivals` are the lines of both devices, in order."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.arrivals: list[Arrival] = []
        self.rig = Rig(loop, FREQUENCY_OF["20m"])
        self.switch = Device(loop, self.arrivals)
        self.amplifier = Device(loop, self.arrivals)
        self.ports = Ports(self.rig.port, self.switch.port, self.amplifier.port)
        self.pid = 0
        self.ready_s = 0.0
        """From the start of the process to the first line at a device: the station is guarded from then on."""

    def has_heard(self, line: str, since: int = 0) -> bool:
        """Whether a device has received this line, among the arrivals from number `since` on."""
        return any(arrival.line == line for arrival in self.arrivals[since:])

    def close(self) -> None:
        """Close the far ends."""
        for peer in (self.rig, self.switch, self.amplifier):
            peer.close()


def prepare(directory: Path, station: LiveStation, rule_count: int, *, push: bool, more: str) -> list[str]:
    """Write a station file, store presets for it, and say how its daemon is started."""
    state, file, table = directory / "state", directory / "station.yaml", directory / "presets.csv"
    file.write_text(station_text(rule_count, station.ports, push=push) + more)
    table.write_text(preset_table())
    imported = qsyd("presets", "import", str(table), "--state", str(state))
    assert imported.returncode == 0, imported.stderr
    return [*QSYD, "run", str(file), "--state", str(state), "--events", str(directory / "events.jsonl")]


@contextmanager
def live_station(
    directory: Path, loop: Loop, rule_count: int, *, push: bool = True, more: str = ""
) -> Iterator[LiveStation]:
    """Run a daemon until its first change-over is over and transmit is released. `more` is added to its station file."""
    station = LiveStation(loop)
    try:
        command = prepare(directory, station, rule_count, push=push, more=more)
        started_ns = time.monotonic_ns()
        with running(command, directory / "log") as station.pid:
            loop.run(lambda: bool(station.arrivals), 60, "the first line at a device")
            station.ready_s = (station.arrivals[0].at_ns - started_ns) / 1e9
            loop.run(lambda: station.has_heard("FREE"), 10, "transmit released")
            yield station
    finally:
        station.close()
