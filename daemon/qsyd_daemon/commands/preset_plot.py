"""`qsyd presets plot`: the stored tank settings over frequency, as a picture."""

import argparse
import sys
from pathlib import Path

from qsyd_daemon.client import Way
from qsyd_daemon.commands.picture_file import write_picture
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.pictures.tank_picture import tank_panels, tank_picture
from qsyd_daemon.remote import Remote
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.offline import read_stored
from qsyd_daemon.worksheet import worksheet
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets


def plot(arguments: argparse.Namespace, way: Way, presets: Presets) -> ExitCode:
    """Draw these presets; which of them no longer fit is read from the store's files, which one elsewhere keeps."""
    try:
        station = load_station(Path(arguments.station)).station
    except StationFileError as error:
        print(error, file=sys.stderr)
        return ExitCode.BAD_FILE
    try:
        marks = {} if isinstance(way, Remote) else read_stored(way).marks
    except StoreError as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    panels, others = tank_panels(worksheet(Atlas(station), presets, marks), presets)
    if not panels and not others:
        print("error: the amplifier serves no antenna and no preset is stored: nothing to draw", file=sys.stderr)
        return ExitCode.FAILED
    code = write_picture(arguments.file, tank_picture(station.name, panels, others), arguments.station)
    if code is ExitCode.DONE:
        print(f"drawn: {arguments.file}")
    return code
