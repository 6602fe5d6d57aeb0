"""What the commands that read a station file share: the file, its state directory's presets, and their refusals."""

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.state_directory import StateDirectoryError, state_directory
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.station_file.settings import StationFile
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.offline import read_stored
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.preset_ageing import Marks


@dataclass(frozen=True, slots=True)
class Opened:
    """A station file without errors, and the presets that its state directory holds."""

    file: StationFile
    atlas: Atlas
    presets: Presets
    marks: Marks
    """Which of them no longer fit, and why."""
    directory: Path
    """The state directory."""


def open_station(path: str, state: str | None) -> Opened | ExitCode:
    """Load both, or say on standard error what is wrong and return how to end."""
    try:
        file = load_station(Path(path))
    except StationFileError as error:
        print(error, file=sys.stderr)
        return ExitCode.BAD_FILE
    try:
        directory = state_directory(state, os.environ)
        stored = read_stored(directory)
    except (StoreError, StateDirectoryError) as error:
        print(f"error: {error}", file=sys.stderr)
        return ExitCode.FAILED
    return Opened(file, Atlas(file.station), stored.presets, stored.marks, directory)
