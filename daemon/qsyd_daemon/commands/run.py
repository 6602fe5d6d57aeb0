"""`qsyd run`: the daemon, from the lock on its state directory to the safe state at its end."""

import argparse
import asyncio
import os
import signal
import sys
from pathlib import Path

from structlog.typing import FilteringBoundLogger

from qsyd_daemon.api.listener import AddressError
from qsyd_daemon.api.opening import open_api
from qsyd_daemon.daemon import Daemon, Ways
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.instance_lock import AlreadyRunning, InstanceLock
from qsyd_daemon.kept_files import keep_soon
from qsyd_daemon.links.link import Address, TcpAddress
from qsyd_daemon.log import open_log
from qsyd_daemon.notify import Notifier
from qsyd_daemon.state_directory import StateDirectoryError, state_directory
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.station_file.settings import Simulated, StationFile
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.store import Store
from qsyd_daemon.terminal import Terminal
from qsyd_simulators.rig_server import serve_on_loopback
from qsyd_simulators.tcp_port import TcpPort

CAUTION = (
    "caution: plate voltage and RF kill. qsyd is no interlock: keep the amplifier's own protection working, keep "
    "people away from antennas, follow local code and licensed practice"
)


def run(arguments: argparse.Namespace) -> int:
    """Run until told to stop."""
    # A device, a client or a reader of the events that goes away is an error to handle, never the end of the daemon.
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    try:
        file = load_station(Path(arguments.station))
        directory = state_directory(arguments.state, os.environ)
    except StationFileError as error:
        print(error, file=sys.stderr)
        return ExitCode.BAD_FILE
    except StateDirectoryError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    for warning in file.warnings:
        print(warning.printed(file.path), file=sys.stderr)
    try:
        with InstanceLock.acquire(directory, "qsyd run"):
            return asyncio.run(_run(file, directory, arguments, open_log(verbose=arguments.verbose)))
    except AlreadyRunning as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.ALREADY_RUNNING
    except StationFileError as error:  # what its `api` names
        print(error, file=sys.stderr)
        return ExitCode.BAD_FILE
    except AddressError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.ALREADY_RUNNING if error.in_use else ExitCode.FAILED
    except (StateDirectoryError, StoreError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED


async def _run(file: StationFile, directory: Path, arguments: argparse.Namespace, log: FilteringBoundLogger) -> int:
    loop = asyncio.get_running_loop()
    opening = await asyncio.to_thread(open_api, file.api, file.path, directory) if file.api is not None else None
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    log.warning(CAUTION)
    daemon: Daemon | None = None
    terminal = Terminal()

    def hung_up() -> None:
        if terminal.is_gone:
            terminal.let_go()
            stop.set()
        elif daemon is not None:
            daemon.reload_soon()

    loop.add_signal_handler(signal.SIGHUP, hung_up)

    def store_changed(healthy: bool, text: str) -> None:
        if daemon is not None:
            loop.call_soon_threadsafe(daemon.store_changed, healthy, text)

    store = await asyncio.to_thread(Store.open, directory, store_changed)
    simulated = await _serve_simulated(file, log)
    addresses: dict[str, Address] = {name: TcpAddress("127.0.0.1", server.port) for name, server in simulated.items()}
    notifier = Notifier.from_environment(os.environ)
    ways = Ways(directory, arguments.events, arguments.dry_run, addresses, notifier, opening=opening)
    daemon = Daemon(file, ways, store, log)
    await daemon.start()
    keep_soon(directory, file.path, file.sha256, log.warning)
    log.info("running", station=file.station.name, state=str(directory), dry_run=arguments.dry_run)
    waiting = [loop.create_task(stop.wait()), loop.create_task(daemon.service.crashed.wait())]
    await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
        task.cancel()
    log.info("stopping: transmit inhibited, amplifier to standby")
    await daemon.close()
    for server in simulated.values():
        await server.close()
    return ExitCode.FAILED if daemon.service.crash is not None else ExitCode.DONE


async def _serve_simulated(file: StationFile, log: FilteringBoundLogger) -> dict[str, TcpPort]:
    """The rigs that the file calls simulated live in this process, behind real TCP."""
    servers = {}
    for name, link in file.rig_links.items():
        if isinstance(link.address, Simulated):
            server = await serve_on_loopback(str(link.protocol), link.frequency_digits, link.civ_address)
            log.warning("SIMULATED rig", rig=name, port=server.port)
            servers[name] = server
    return servers
