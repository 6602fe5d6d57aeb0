"""The journal of a simulated day: its events as a daemon would have journalled them, in a state directory of their own."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from qsyd_daemon.instance_lock import InstanceLock
from qsyd_daemon.kept_files import keep_station_file
from qsyd_daemon.state_directory import state_directory
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.journal_database import JournalDatabase, read_journal
from qsyd_daemon.store.offline import read_presets
from qsyd_daemon.store.store import JOURNAL_ROWS_MAX, Store
from qsyd_rules.preset import Presets

BATCH = 500
WITHIN_S = 10.0


class SimulatedJournal:
    """Takes events in their order. The directory is locked from the beginning to `close`."""

    def __init__(self, option: str) -> None:
        """Raises `AlreadyRunning`, `StateDirectoryError`, or `StoreError` where the directory holds a journal already."""
        self.directory = state_directory(option, os.environ)
        self._lock = InstanceLock.acquire(self.directory, "qsyd simulate")
        self._waiting: list[Mapping[str, Any]] = []
        try:
            if read_journal(self.directory, limit=1) or read_presets(self.directory):
                held = "holds a journal or presets already; a simulated day is not mixed with them"
                raise StoreError(f"{self.directory}: {held}: name an empty directory")
            self._journal = JournalDatabase(self.directory, JOURNAL_ROWS_MAX, lambda text: None)
            self._journal.open()
        except BaseException:
            self._lock.close()
            raise

    def begin(self, scenario: Path, title: str, seed: int, time: str) -> None:
        """Say first of all that nothing of this has happened."""
        self.take(0, time, {"event": "simulated", "scenario": title, "file": str(scenario), "seed": seed})

    def take(self, at_us: int, time: str, event: Mapping[str, Any]) -> None:
        """One event of the station, when it was told. Raises `StoreError`."""
        self._waiting.append({"at": at_us / 1_000_000, "time": time, **event})
        if len(self._waiting) >= BATCH:
            self._write()

    def keep(self, presets: Presets, station: Path | None, sha256: str | None) -> None:
        """Store the presets as they are in the end, and a copy of the station file. Raises `StoreError`."""
        self._write()
        if station is not None and sha256 is not None:
            keep_station_file(self.directory, station, sha256)
        self._journal.close()
        store = Store.open(self.directory)
        try:
            store.save_presets(list(presets.values())).result(WITHIN_S)
        finally:
            store.close()

    def close(self) -> None:
        """Let go of the directory."""
        self._journal.close()
        self._lock.close()

    def _write(self) -> None:
        self._journal.append(self._waiting)
        self._waiting = []
