"""`qsyd plan`: the tune-up worksheet."""

import argparse
import json

from qsyd_daemon.commands.opened import Opened, open_station
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.text_table import table
from qsyd_daemon.worksheet import rows_to_json, worksheet
from qsyd_rules.preset import PresetStanding
from qsyd_rules.quantity import format_frequency


def run(arguments: argparse.Namespace) -> int:
    """Print the worksheet."""
    opened = open_station(arguments.station, arguments.state)
    if not isinstance(opened, Opened):
        return opened
    rows = worksheet(opened.atlas, opened.presets)
    if arguments.json:
        print(json.dumps(rows_to_json(rows), indent=2))
        return ExitCode.DONE
    lines = table(
        ("antenna", "segment", "from", "to", "tune at", "preset"),
        [
            (
                row.antenna.name,
                row.segment.name,
                format_frequency(row.segment.low_hz),
                format_frequency(row.segment.high_hz),
                format_frequency(row.segment.centre_hz),
                str(row.standing) if row.amplified or row.standing is not PresetStanding.MISSING else "barefoot",
            )
            for row in rows
        ],
        right=frozenset({2, 3, 4}),
    )
    print("\n".join(lines))
    wanted = [row for row in rows if row.amplified]
    saved = sum(row.standing is PresetStanding.SAVED for row in wanted)
    print(f"\n{saved} of {len(wanted)} segments where the amplifier serves have a preset.")
    if saved < len(wanted):
        print("Caution: tuning means high voltage and RF. Reduced drive first, seconds not minutes off resonance,")
        print("nobody near the antenna; the amplifier's own manual and local code come before this sheet.")
    return ExitCode.DONE
