"""The rules of a moment of the past: those of now, or of the kept copy of the station file that was in force then."""

import re
from pathlib import Path

from qsyd_daemon.kept_files import kept_station_file
from qsyd_daemon.past import Book
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.store.journal_past import JournalPast
from qsyd_rules.placement import Atlas

_DIGEST = re.compile(r"[0-9a-f]{64}")


def book_for(past: JournalPast, now: Book, directory: Path) -> Book:
    """Where the file has changed since and its copy cannot be used, `now`: its digest tells that it is another."""
    then = None if past.started is None else past.started.get("file_sha256")
    if not isinstance(then, str) or then == now.sha256 or not _DIGEST.fullmatch(then):
        return now
    kept = kept_station_file(directory, then)
    if kept is None:
        return now
    try:
        file = load_station(kept)
    except StationFileError:  # of a version that took what this one does not
        return now
    return Book(Atlas(file.station), file.sha256, file.rule_lines, kept)
