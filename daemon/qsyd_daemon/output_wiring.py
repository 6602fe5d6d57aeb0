"""What the outputs of a station file mean: to the core, and to the devices that are asked or hold a lease."""

import re
from collections.abc import Iterable, Mapping

from qsyd_daemon.outputs.meter_questions import MeterSettings
from qsyd_daemon.outputs.reading_lines import ReadingLines
from qsyd_daemon.outputs.renewal import Lease
from qsyd_daemon.outputs.template import Template
from qsyd_daemon.station_file.settings import DeviceSettings, LineSettings, OutputSettings
from qsyd_rules.command import CommandName
from qsyd_rules.wiring import Meters, Wiring


def wiring_of(
    outputs: Iterable[OutputSettings], commands: Mapping[str, frozenset[CommandName]], dry_run: bool
) -> Wiring:
    """The core's view of the outputs; `commands` is what each carries. In a dry run nothing can be asked."""
    outputs = tuple(outputs)
    meters = {} if dry_run else _meters(outputs)
    return Wiring(
        commands,
        meters,
        drops_by_itself=any(_drops_by_itself(output) for output in outputs),
        matches=any(sets_matching_units(output) for output in outputs),
    )


def sets_matching_units(output: OutputSettings) -> bool:
    """Whether the recall of a preset tells this output the positions of a matching unit."""
    if not isinstance(output, DeviceSettings) or CommandName.RECALL_PRESET not in output.commands:
        return False
    return "matching" in Template.parse(output.commands[CommandName.RECALL_PRESET]).fields


def questions_of(settings: DeviceSettings) -> MeterSettings | None:
    """What this device is asked, if anything."""
    readings = settings.readings
    if readings is None:
        return None
    lines = ReadingLines(re.compile(readings.match))
    return MeterSettings(readings.ask.encode(), readings.every_us, lines, readings.stale_after_us)


def lease_of(settings: DeviceSettings) -> Lease | None:
    """The lease this device holds on transmit, if any."""
    lease = settings.lease
    return None if lease is None else Lease(lease.renew.encode(), lease.every_us, lease.answered)


def _meters(outputs: Iterable[OutputSettings]) -> dict[str, Meters]:
    return {
        output.name: Meters(frozenset(output.readings.names), output.readings.stale_after_us, output.readings.travel_us)
        for output in outputs
        if isinstance(output, DeviceSettings) and output.readings is not None
    }


def _drops_by_itself(output: OutputSettings) -> bool:
    """Whether this output's permit falls when the daemon dies."""
    match output:
        case DeviceSettings(lease=lease):
            return lease is not None
        case LineSettings(active_high=active_high):
            return active_high  # the kernel takes lines low, never high
        case _:
            return False
