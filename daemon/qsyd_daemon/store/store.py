"""The store of a running daemon: one thread writes, and no caller ever waits for a disk.

Presets and intents are written one by one, and their futures resolve once they are durable. Events wait in a bounded
queue that is written once a second; when the disk stands still the oldest are dropped, and the journal says how many.
A disk that fails is tried again every two seconds, for as long as it takes.
"""

import contextlib
import sqlite3
import time
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Any, Self, TypeVar

from qsyd_daemon.store.errors import NewerSchemaError, RefusedError, StoreError
from qsyd_daemon.store.event_queue import EventQueue
from qsyd_daemon.store.health import Health, Part
from qsyd_daemon.store.journal_database import JournalDatabase, JournalRow, select_rows, with_journal
from qsyd_daemon.store.offline import read_presets
from qsyd_daemon.store.preset_database import OpenIntent, PresetDatabase
from qsyd_daemon.store.worker import Worker
from qsyd_rules.preset import Preset, Presets
from qsyd_rules.preset_ageing import Mark, Marks
from qsyd_rules.tube_account import OldTube, TubeAccount

JOURNAL_ROWS_MAX = 500_000
QUEUED_EVENTS_MAX = 10_000
QUEUED_CLOSINGS_MAX = 1_000
BATCH_EVENTS = 500
"""With so many waiting, a batch is written before its second is over."""
BATCH_EVERY_S = 1.0
RETRY_EVERY_S = 2.0
BACKUP_EVERY_S = 60.0
CLOSE_S_MAX = 2.0

_Value = TypeVar("_Value")


class Store:
    """The presets, intents and journal of a state directory that this process has locked. Use `open`.

    Methods may be called from any thread, the event loop's too, and return at once (except `open` and `close`).
    Futures end with a result, or with `StoreError` and nothing changed; await them with `asyncio.wrap_future`.
    """

    def __init__(self, directory: Path, journal_rows_max: int) -> None:
        self._directory = directory
        self._health = Health()
        self._presets = PresetDatabase(directory, self._health.tell)
        self._journal = JournalDatabase(directory, journal_rows_max, self._health.tell)
        self._events = EventQueue(QUEUED_EVENTS_MAX)
        self._closings: deque[tuple[int, str]] = deque(maxlen=QUEUED_CLOSINGS_MAX)
        self._writer = Worker("store", self._tick, self._finish)
        self._reader = Worker("store reader", lambda: None, lambda: None)
        self._batch_at = self._retry_at = self._backup_at = time.monotonic()
        self._batch_asked = False
        self._presets_changed = False
        self._backup_wanted = False

    @classmethod
    def open(
        cls,
        directory: Path,
        on_change: Callable[[bool, str], None] | None = None,
        journal_rows_max: int = JOURNAL_ROWS_MAX,
    ) -> Self:
        """Open the store of an existing directory, blocking. The caller holds the directory's `InstanceLock`.

        A damaged file is kept aside and the newest good backup takes its place; a disk that fails leaves a store
        that is not healthy, with the presets that can be read, and keeps trying: `warnings` say so. Later news goes to `on_change`, in
        the writer's thread: `healthy`, and a line for the operator. Raises `StoreError` only for a database of a newer
        version, which is left alone.
        """
        store = cls(directory, journal_rows_max)
        try:
            store._health.attempt(Part.PRESETS, store._presets.open)
        except NewerSchemaError:
            raise
        except StoreError:  # `warnings` tell, and the writer tries again
            with contextlib.suppress(StoreError):
                store._presets.show(read_presets(directory))
        try:
            store._health.attempt(Part.JOURNAL, store._journal.open)
        except NewerSchemaError:
            store._presets.close()
            raise
        except StoreError:  # likewise
            pass
        store._backup_wanted = bool(store.presets()) and not store._presets.has_backup()
        store.warnings = tuple(store._health.warnings)
        store._health.on_change = on_change
        store._writer.start()
        store._reader.start()
        return store

    warnings: tuple[str, ...] = ()
    """What the operator should know of the opening, a line each."""

    @property
    def healthy(self) -> bool:
        """Whether the last writing of each kind succeeded. While it is False no intent can be relied on."""
        return self._health.healthy

    @property
    def dropped_events(self) -> int:
        """Events that were never journalled because too many waited."""
        return self._events.dropped

    def open_intents(self) -> list[OpenIntent]:
        """The intents that an earlier run recorded and did not close, oldest first."""
        return list(self._presets.open_intents)

    @property
    def last_intent_id(self) -> int:
        """The greatest number an earlier run used; the next is one more."""
        return self._presets.last_intent_id

    def presets(self) -> Presets:
        """What is saved now: an unchanging mapping, replaced after each commit."""
        return self._presets.presets

    def save_preset(self, preset: Preset) -> Future[None]:
        """Save one preset; the future resolves once it is on the disk."""
        return self.save_presets([preset])

    def save_presets(self, presets: Sequence[Preset]) -> Future[None]:
        """Save presets, all or none."""
        wanted = tuple(presets)
        return self._writer.submit(lambda: self._change_presets(lambda: self._presets.put(wanted)))

    def remove_preset(self, antenna: str, segment: str) -> Future[bool]:
        """Remove one preset; resolves to False when there was none."""
        return self._writer.submit(lambda: self._change_presets(lambda: self._presets.remove(antenna, segment)))

    def marks(self) -> Marks:
        """The presets that no longer fit, and why: an unchanging mapping, replaced after each commit."""
        return self._presets.marks

    def mark_presets(self, marks: Sequence[Mark]) -> Future[None]:
        """Mark presets as no longer fitting, until they are saved again."""
        wanted = tuple(marks)
        return self._writer.submit(lambda: self._change_presets(lambda: self._presets.mark(wanted)))

    def tube(self) -> TubeAccount:
        """The tube's account as it was written last."""
        return self._presets.tube

    def old_tubes(self) -> tuple[OldTube, ...]:
        """The tubes before this one, the oldest first."""
        return self._presets.old_tubes

    def retire_tube(self, old: OldTube) -> Future[None]:
        """Keep the account of a tube that has been taken out; that of the next begins with nothing."""
        return self._writer.submit(lambda: self._change_presets(lambda: self._presets.retire_tube(old)))

    def save_tube(self, account: TubeAccount) -> Future[None]:
        """Write the tube's account. No backup is made for it alone: it changes every minute."""
        return self._writer.submit(lambda: self._health.attempt(Part.PRESETS, lambda: self._presets.put_tube(account)))

    def record_intent(self, intent_id: int, text_json: str) -> Future[None]:
        """Record what is about to be done; the future resolves once it is on the disk."""
        return self._writer.submit(lambda: self._record_intent(intent_id, text_json))

    def close_intent(self, intent_id: int, outcome: str) -> None:
        """Record how an intent ended: with the next intent, or within a second."""
        self._closings.append((intent_id, outcome))

    def journal(self, event: Mapping[str, Any]) -> None:
        """Queue an event for the journal, in constant time; the mapping must not change afterwards."""
        if self._events.put(event) >= BATCH_EVENTS and not self._batch_asked:
            self._batch_asked = True
            self._writer.submit(self._write_events)

    def journal_now(self) -> None:
        """Write what waits for the journal as soon as the writer gets to it, not with the next batch."""
        self._writer.submit(self._write_events)

    def read_journal(
        self,
        since_sequence: int = 1,
        since_time: str | None = None,
        events: Collection[str] | None = None,
        limit: int = 1_000,
        until_time: str | None = None,
    ) -> Future[list[JournalRow]]:
        """The newest `limit` rows that match, oldest first, with what waits to be written: `journal_database`."""
        return self.look_up(
            lambda connection: select_rows(connection, since_sequence, since_time, events, limit, until_time), []
        )

    def look_up(self, read: Callable[[sqlite3.Connection], _Value], nothing: _Value) -> Future[_Value]:
        """What `read` makes of the journal, with what waits to be written; `nothing` where there is no journal."""
        written = self._writer.submit(self._write_events)

        def look() -> _Value:
            with contextlib.suppress(StoreError, TimeoutError):
                written.result(BATCH_EVERY_S)
            return with_journal(self._directory, read, nothing)

        return self._reader.submit(look)

    def close(self) -> bool:
        """Write what waits and close, in 2 s at most; False when that was not enough, and something may be lost."""
        until = time.monotonic() + CLOSE_S_MAX
        ended = self._writer.close(CLOSE_S_MAX)
        self._reader.close(max(0.0, until - time.monotonic()))
        return ended and not self._events and not self._closings

    # From here on everything runs in the writer's thread.

    def _tick(self) -> float:
        """Do what is due; says in how many seconds something may be due again."""
        now = time.monotonic()
        if now >= self._batch_at:
            self._batch_at = now + BATCH_EVERY_S
            self._write_events()
            self._write_closings()
        if now >= self._retry_at and not self.healthy:
            self._retry_at = now + RETRY_EVERY_S
            self._health.succeeds(Part.PRESETS, self._presets.probe)
            self._health.succeeds(Part.JOURNAL, lambda: self._journal.append(()))
        if self._presets_changed and self._writer.is_idle():
            self._presets_changed = False
            self._presets.move_log_into_database()
        if self._backup_wanted and now >= self._backup_at and self._writer.is_idle():
            self._back_up()
        return max(0.0, self._batch_at - time.monotonic())

    def _finish(self) -> None:
        self._write_events()
        self._write_closings()
        if self._backup_wanted:
            self._back_up()
        self._journal.close()
        self._presets.close()

    def _back_up(self) -> None:
        self._backup_at = time.monotonic() + BACKUP_EVERY_S
        self._backup_wanted = not self._health.succeeds(Part.BACKUP, self._presets.back_up)

    def _change_presets(self, change: Callable[[], _Value]) -> _Value:
        value = self._health.attempt(Part.PRESETS, change)
        self._presets_changed = self._backup_wanted = True
        return value

    def _record_intent(self, intent_id: int, text_json: str) -> None:
        closings = self._take_closings(len(self._closings), intent_id)
        try:
            self._health.attempt(Part.PRESETS, lambda: self._presets.record_intent(intent_id, text_json, closings))
        except StoreError:
            self._closings.extendleft(reversed(closings))
            raise

    def _write_closings(self) -> None:
        # Counted before it is asked whether any record waits: what comes later is for the next time.
        count = len(self._closings)
        closings = self._take_closings(count, None if self._writer.is_idle() else self._presets.last_recorded)
        if not closings:
            return
        try:
            self._health.attempt(Part.PRESETS, lambda: self._presets.close_intents(closings))
        except RefusedError as error:
            self._health.tell(str(error))
        except StoreError:
            self._closings.extendleft(reversed(closings))

    def _take_closings(self, most: int, last_recorded: int | None) -> list[tuple[int, str]]:
        """The oldest of them; not those of intents whose record still waits, which would be closed before they are there."""
        taken: list[tuple[int, str]] = []
        while len(taken) < most and (last_recorded is None or self._closings[0][0] <= last_recorded):
            taken.append(self._closings.popleft())
        return taken

    def _write_events(self) -> None:
        self._batch_asked = False
        while batch := self._events.take(BATCH_EVENTS):
            if not self._health.succeeds(Part.JOURNAL, partial(self._journal.append, batch.as_written())):
                self._events.put_back(batch)
                return
