"""`qsyd timeline`: one change-over of a file of events, drawn as a time line. Standard library only."""

import argparse
import sys

from qsyd_daemon.commands.picture_file import write_picture
from qsyd_daemon.event_file import EventFileError, read_events
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.pictures.change_over import ChangeOver, change_overs
from qsyd_daemon.pictures.timeline_picture import timeline_picture


def run(arguments: argparse.Namespace) -> int:
    """Draw the last change-over, or the one that is asked for."""
    wanted: int | None = arguments.number
    if wanted is not None and wanted < 1:
        print("error: --number counts change-overs from 1", file=sys.stderr)
        return ExitCode.WRONG_USE
    found: ChangeOver | None = None
    count = 0
    try:
        for each in change_overs(read_events(arguments.events)):
            count = each.number
            if wanted is None or count == wanted:
                found = each
    except EventFileError as error:
        print(error, file=sys.stderr)
        return ExitCode.FAILED
    if found is None:
        holds = f"holds {count} change-over{'' if count == 1 else 's'}"
        asked = f", so there is no number {wanted}" if wanted is not None else ": nothing to draw"
        print(f"{arguments.events}: error: {holds}{asked}", file=sys.stderr)
        return ExitCode.FAILED
    code = write_picture(arguments.file, timeline_picture("Change-over", (found,)), arguments.events)
    if code is ExitCode.DONE:
        print(f"drawn: change-over {found.number} of {count}, {arguments.file}")
    return code
