"""`qsyd sim rig`: a simulated transceiver to connect to, with its front panel on standard input."""

import argparse
import asyncio
import contextlib
import signal
import sys

from qsyd_daemon.exit_code import ExitCode
from qsyd_rules.quantity import QuantityError, frequency_hz
from qsyd_simulators.console_lines import console_lines
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.rig_server import serve_rig


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted."""
    try:
        frequency = frequency_hz(arguments.frequency)
        address = int(arguments.address, 0)
    except (QuantityError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.WRONG_USE
    faults = RigFaults(
        refuse={prefix.encode() for prefix in arguments.refuse},
        fragment_bytes=arguments.fragment,
        garbage_bytes=arguments.garbage,
        answer_delay_s=arguments.delay_ms / 1000,
    )
    try:
        asyncio.run(_serve(arguments, frequency, address, faults))
    except (OSError, ValueError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    return ExitCode.DONE


async def _serve(arguments: argparse.Namespace, frequency: int, address: int, faults: RigFaults) -> None:
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
            arguments.pty,
            frequency,
            arguments.push,
            faults,
            say=lambda line: print(line, flush=True),
            lines=console_lines(0),
        )
