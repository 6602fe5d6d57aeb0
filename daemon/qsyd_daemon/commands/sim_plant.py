"""`qsyd sim amplifier` and `qsyd sim bench`: the plant on its wires, its operator on standard input."""

import argparse
import asyncio
import contextlib
import shlex
import signal
import sys
import tempfile
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any

from qsyd_daemon.bench_file import is_as_written, ports_of, sealed
from qsyd_daemon.bench_station import station_text
from qsyd_daemon.commands.sim_trouble import trouble
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_rules.quantity import QuantityError, duration_us, frequency_hz
from qsyd_simulators.console_lines import console_lines
from qsyd_simulators.plant.bench import Bench, weathers
from qsyd_simulators.plant.bench_server import PortTakenError, Served, WantedPorts, serve_amplifier, serve_bench
from qsyd_simulators.plant.plant_wire import METERS_MATCH
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import STATIONS, bands_of
from qsyd_simulators.plant.trips import Trips
from qsyd_simulators.transceiver import Transceiver

FILE = "station.yaml"
DRIVE_MW = 50_000
"""What the rig is turned up to at first: enough for a tube of gain 30, and no more."""
DRIVE_LIMIT_W = 80


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted."""
    try:
        frequency, warm_up_us = frequency_hz(arguments.frequency), duration_us(arguments.warm_up)
        if warm_up_us < 1_000_000:
            raise ValueError(f"--warm-up {arguments.warm_up}: at least 1 s")
        if arguments.device == "amplifier" and arguments.tcp is not None and not 0 <= arguments.tcp <= 65535:
            raise ValueError(f"--tcp {arguments.tcp} is not a port; write 1 to 65535, or 0 to have one chosen")
        if arguments.device == "bench" and arguments.api is not None and not 1 <= arguments.api <= 65535:
            raise ValueError(f"--api {arguments.api} is not a port; write 1 to 65535")
        rig = Transceiver(frequency)
    except (QuantityError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)  # whoever was connected may go away in the middle of an answer
    rig.push_permitted = True
    rig.set_drive(DRIVE_MW)
    station = _station(arguments, warm_up_us)
    bench = Bench(station, rig, monotonic_us, arguments.seed)
    try:
        if arguments.device == "amplifier":
            lines = console_lines(0)
            pty = (
                None if arguments.pty is None else str(Path(arguments.pty).absolute())
            )  # as a station file can name it
            asyncio.run(_until_stopped(serve_amplifier(bench, arguments.tcp, pty, say=_say, lines=lines)))
        else:
            _run_bench(bench, arguments, warm_up_us)
    except (OSError, ValueError) as error:
        alone = arguments.device == "amplifier"
        print(
            f"error: {trouble(error, arguments.tcp if alone else None, arguments.pty if alone else None)}",
            file=sys.stderr,
        )
        return ExitCode.FAILED
    except PortTakenError as error:
        print(
            f"error: {error}, and {Path(arguments.directory) / FILE} says that it is there; is the bench of before still "
            "running? End it, or name another --directory",
            file=sys.stderr,
        )
        return ExitCode.FAILED
    return ExitCode.DONE


def _run_bench(bench: Bench, arguments: argparse.Namespace, warm_up_us: int) -> None:
    with contextlib.ExitStack() as stack:
        if arguments.directory is None:
            directory = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="qsyd-bench-")))
        else:
            directory = Path(arguments.directory).absolute()
            directory.mkdir(parents=True, exist_ok=True)
        there = _file_there(directory / FILE)
        ports = ports_of(there or "")
        wanted = WantedPorts(ports.get("switch", 0), ports.get("amplifier", 0), ports.get("matching-unit", 0))
        is_kept = there is not None and not is_as_written(there)
        on_served = _teller(bench.station, directory, arguments, warm_up_us, is_kept=is_kept)
        lines = console_lines(0)
        asyncio.run(_until_stopped(serve_bench(bench, directory, wanted, on_served=on_served, say=_say, lines=lines)))


def _file_there(path: Path) -> str | None:
    """The station file that is there already. Raises `OSError` or `ValueError` where nobody can tell whose it is."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError:
        raise ValueError(f"{path}: is not text; move it away, or name another --directory") from None


def _station(arguments: argparse.Namespace, warm_up_us: int) -> StationPlant:
    now_us = monotonic_us()
    trips = Trips() if arguments.trips else None
    ready = STATIONS[arguments.station](arguments.seed, trips=trips)
    return StationPlant(
        ready.aerials,
        replace(ready.amplifier.make, heater_needs_us=warm_up_us),
        weather=replace(weathers(arguments.seed)[arguments.weather], since_us=now_us),
        meters=ready.amplifier.meters,
        trips=trips,
        at_us=now_us,
    )


def _teller(
    station: StationPlant, directory: Path, arguments: argparse.Namespace, warm_up_us: int, *, is_kept: bool
) -> Callable[[Served], None]:
    """Says where everything is, and writes the station file, unless the one that is there is to be kept."""

    def tell(served: Served) -> None:
        antennas = [(run.antenna.name, port, bands_of(run)) for port, run in sorted(station.aerials.items())]
        text = station_text(
            arguments.station.replace("-", " ").title(),
            served.rig_path,
            served.switch_port,
            served.amplifier_port,
            antennas,
            warm_up_s=-(-warm_up_us // 1_000_000),
            drive_w=DRIVE_LIMIT_W,
            match=METERS_MATCH,
            units=[port for port, run in station.aerials.items() if run.unit is not None],
            matching_port=served.matching_port,
            api_port=arguments.api,
        )
        path = directory / FILE
        if not is_kept:
            path.write_text(sealed(text), encoding="utf-8")
        _say(f"SIMULATED transceiver, ASCII CAT with 11 digits: serial:{served.rig_path}")
        _say(f"SIMULATED antenna switch: tcp:127.0.0.1:{served.switch_port}")
        _say(f"SIMULATED amplifier: tcp:127.0.0.1:{served.amplifier_port}")
        if served.matching_port is not None:
            _say(f"SIMULATED matching unit: tcp:127.0.0.1:{served.matching_port}")
        if is_kept:
            _say(f"{path} has been changed since a bench wrote it, and is left as it is. What this bench would have")
            _say("written is below; remove the file to have it written anew:")
        else:
            _say("A station file that connects to them:")
        _say("")
        _say(text)
        state = shlex.quote(str(directory / "state"))
        _say(f"In another terminal: qsyd run {shlex.quote(str(path))} --state {state}")
        if arguments.api is not None:
            _say(f"Then its page: http://127.0.0.1:{arguments.api}/")
            _say(f"What may be done there takes a token: qsyd token new operate --name me --state {state}")

    return tell


def _say(line: str) -> None:
    print(line, flush=True)


async def _until_stopped(serving: Coroutine[Any, Any, None]) -> None:
    task = asyncio.current_task()
    assert task is not None
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await serving
