"""`qsyd sim rig`: a simulated transceiver to connect to, with its front panel on standard input."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from pathlib import Path

from qsyd_daemon.commands.sim_trouble import trouble
from qsyd_daemon.exit_code import ExitCode
from qsyd_rules.quantity import QuantityError, frequency_hz
from qsyd_simulators.console_lines import console_lines
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.rig_server import serve_rig


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted."""
    try:
        frequency = frequency_hz(arguments.frequency)
        address = _bus_address(arguments.address)
        _check_ranges(arguments)
    except (QuantityError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    faults = RigFaults(
        refuse={os.fsencode(prefix) for prefix in arguments.refuse},
        fragment_bytes=arguments.fragment,
        garbage_bytes=arguments.garbage,
        answer_delay_s=arguments.delay_ms / 1000,
    )
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)  # whoever was connected may go away in the middle of an answer
    try:
        pty = None if arguments.pty is None else str(Path(arguments.pty).absolute())  # as a station file can name it
        asyncio.run(_serve(arguments, pty, frequency, address, faults))
    except ValueError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    except OSError as error:
        print(f"error: {trouble(error, arguments.tcp, arguments.pty)}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


def _bus_address(text: str) -> int:
    """A CI-V address, `0x94` or `148`. Raises ValueError."""
    try:
        return int(text, 0)
    except ValueError:
        raise ValueError(f"--address {text!r} is not a bus address; write it as 0x94") from None


def _check_ranges(arguments: argparse.Namespace) -> None:
    """Raises ValueError for a number that no device has."""
    if arguments.tcp is not None and not 0 <= arguments.tcp <= 65535:
        raise ValueError(f"--tcp {arguments.tcp} is not a port; write 1 to 65535, or 0 to have one chosen")
    for option in ("fragment", "garbage", "delay_ms"):
        if not 0 <= getattr(arguments, option) < 1_000_000:
            raise ValueError(f"--{option.replace('_', '-')} must be from 0 to below 1000000")


async def _serve(
    arguments: argparse.Namespace, pty: str | None, frequency: int, address: int, faults: RigFaults
) -> None:
    task = asyncio.current_task()
    assert task is not None
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await serve_rig(
            arguments.protocol,
            arguments.frequency_digits,
            address,
            arguments.tcp,
            pty,
            frequency,
            arguments.push,
            faults,
            say=lambda line: print(line, flush=True),
            lines=console_lines(0),
        )
