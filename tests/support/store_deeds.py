"""What is done to a state directory while its disk fails: the deeds, what each begins with, and what it should lead to."""

import contextlib
import json
import shutil
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from faulty_vfs import Fault

from qsyd_daemon.lockout_file import LockoutError, end_lockout, read_lockout, write_lockout
from qsyd_daemon.store.database_file import Schema, create_database, open_database
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.journal_database import JournalDatabase
from qsyd_daemon.store.preset_database import PRESET_FILE, SCHEMA, PresetDatabase
from qsyd_daemon.store.preset_rows import note_checksum, put_rows
from qsyd_daemon.store.store import Store
from qsyd_rules.event import Lockout
from qsyd_rules.preset import Preset
from qsyd_rules.preset_ageing import Cause, Mark
from qsyd_rules.tube_account import Day, OldTube, TubeAccount

SECONDS = 20.0
PresetKey = tuple[str, str]
NO_TUBE = TubeAccount()


@dataclass(frozen=True, slots=True)
class Kept:
    """What a state directory holds, but for the journal."""

    presets: tuple[Preset, ...] = ()
    marks: tuple[Mark, ...] = ()
    tube: TubeAccount = NO_TUBE
    old_tubes: tuple[OldTube, ...] = ()
    lockout: Lockout | None = None
    open_intents: frozenset[int] = frozenset()

    def without_intents(self) -> "Kept":
        """The same but for the intents, which are compared by a rule of their own."""
        return replace(self, open_intents=frozenset())


def kept_in(store: Store, directory: Path) -> Kept:
    """What the store says now, and the lockout beside it."""
    return Kept(
        tuple(sorted(store.presets().values(), key=_key)),
        tuple(sorted(store.marks().values(), key=_key)),
        store.tube(),
        store.old_tubes(),
        read_lockout(directory),
        frozenset(each.intent_id for each in store.open_intents()),
    )


def _key(each: Preset | Mark) -> PresetKey:
    return each.antenna, each.segment


class Step(Protocol):
    """One thing that is asked of the store."""

    def start(self, store: Store, directory: Path) -> Future[object] | None:
        """Ask it; None where nothing is ever answered. May raise `StoreError`."""

    def after(self, kept: Kept) -> Kept:
        """What is kept once it has been done."""


@dataclass(frozen=True, slots=True)
class Save:
    """Save presets, all or none."""

    presets: tuple[Preset, ...]

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        return store.save_presets(self.presets)  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        saved = {_key(each): each for each in self.presets}
        presets = {**{_key(each): each for each in kept.presets}, **saved}
        marks = tuple(mark for mark in kept.marks if _key(mark) not in saved)
        return replace(kept, presets=tuple(sorted(presets.values(), key=_key)), marks=marks)


@dataclass(frozen=True, slots=True)
class Remove:
    """Remove a preset."""

    antenna: str
    segment: str

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        return store.remove_preset(self.antenna, self.segment)  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        gone = (self.antenna, self.segment)
        return replace(
            kept,
            presets=tuple(each for each in kept.presets if _key(each) != gone),
            marks=tuple(each for each in kept.marks if _key(each) != gone),
        )


@dataclass(frozen=True, slots=True)
class MarkOne:
    """Mark a preset as no longer fitting."""

    mark: Mark

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        return store.mark_presets([self.mark])  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        others = (each for each in kept.marks if _key(each) != _key(self.mark))
        return replace(kept, marks=tuple(sorted((*others, self.mark), key=_key)))


@dataclass(frozen=True, slots=True)
class SaveTube:
    """Write the tube's account."""

    account: TubeAccount

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        return store.save_tube(self.account)  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        return replace(kept, tube=self.account)


@dataclass(frozen=True, slots=True)
class RetireTube:
    """Put another tube in."""

    old: OldTube

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        return store.retire_tube(self.old)  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        return replace(kept, tube=NO_TUBE, old_tubes=(*kept.old_tubes, self.old))


@dataclass(frozen=True, slots=True)
class Intend:
    """Record an intent; how the one before it ended is written with it."""

    intent_id: int
    closes: int | None = None

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        if self.closes is not None:
            store.close_intent(self.closes, "finished")
        return store.record_intent(self.intent_id, json.dumps({"to": self.intent_id}))  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        return replace(kept, open_intents=kept.open_intents - {self.closes} | {self.intent_id})


@dataclass(frozen=True, slots=True)
class Journal:
    """Journal events and read the journal back; the answer is the list of rows."""

    first: int
    count: int

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        for number in range(self.first, self.first + self.count):
            store.journal(event(number))
        return store.read_journal(limit=100_000)  # type: ignore[return-value]

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        return kept


@dataclass(frozen=True, slots=True)
class LockOut:
    """Begin the maintenance lockout, or end it; in a file of its own, outside the database."""

    lockout: Lockout | None

    def start(self, store: Store, directory: Path) -> Future[object]:
        """See `Step`."""
        future: Future[object] = Future()
        try:
            if self.lockout is None:
                end_lockout(directory)
            else:
                write_lockout(directory, self.lockout)
        except LockoutError as error:
            raise StoreError(str(error)) from None
        future.set_result(None)
        return future

    def after(self, kept: Kept) -> Kept:
        """See `Step`."""
        return replace(kept, lockout=self.lockout)


def event(number: int) -> dict[str, object]:
    """The event whose sequence number is one more than this, for they are journalled in order."""
    return {
        "at": number / 10,
        "time": f"2026-03-01T18:30:{number % 60:02d}.000Z",
        "event": "frequency",
        "number": number,
    }


def preset(number: int, tune: int = 1200) -> Preset:
    """An invented one."""
    return Preset(
        *("harbour-wire", f"80m/{number}", tune, 800, (7, 0, 3), 45, 1400, 12, 80),
        *("2026-03-01T18:30:00Z", 3_500_000, 3_600_000),
    )


@dataclass(frozen=True, slots=True)
class Deed:
    """What is done to which directory."""

    name: str
    begin: Callable[[Path], None]
    """Makes the directory, which is empty."""
    steps: tuple[Step, ...] = ()
    journal_rows_max: int = 500_000
    has_backup: bool = True
    """Whether there is a backup before the first step."""
    warns: bool = False
    """Whether the store has something to warn of at the opening, no fault of this disk's."""
    again: tuple[str, ...] = ()
    """Points where something was wrong once, as patterns of operation and name: even in a sample, `again_with` comes there."""
    again_with: tuple[Fault, ...] = ()
    journalled: int = 40
    """Events in the journal before the first step."""
    kept: Kept = Kept()
    """What is kept before the first step."""


LOCKOUT = Lockout("operator", "antenna work", "2026-03-01T18:30:00Z")
LOCKOUT_POINTS = ("* lockout.json*", "os.fsync .")
LOCKOUT_FAULTS = (Fault.ONCE, Fault.SHORT, Fault.FOR_EVER)
TUBE = TubeAccount(3_600_000_000, 1_800_000_000, 60_000_000, 12, (Day("2026-03-01", 12, 4, 52.0),))
MARK = Mark("harbour-wire", "80m/3", Cause.WEATHER, "SWR has risen", "2026-03-01T18:30:00Z")
THREE = tuple(preset(number) for number in (1, 2, 3))
KEPT = Kept(THREE, (MARK,), TUBE)
LAST = Save((preset(9),))
"""The last step of most deeds: it finds out whether the store goes on after what failed before."""
LOGGED = 30


def begin_nothing(directory: Path) -> None:
    """A first start."""


def begin_kept(directory: Path) -> None:
    """A directory that has been in use: three presets, a mark, a tube, two backups, 40 events."""
    with contextlib.closing(PresetDatabase(directory, print)) as presets:
        presets.put(THREE[:2])
        presets.back_up()
        presets.put(THREE[2:])
        presets.mark([MARK])
        presets.put_tube(TUBE)
        presets.back_up()
        presets.move_log_into_database()
    with contextlib.closing(JournalDatabase(directory, 500_000, print)) as journal:
        journal.append([event(number) for number in range(40)])


def begin_locked(directory: Path) -> None:
    """The same under a maintenance lockout."""
    begin_kept(directory)
    write_lockout(directory, LOCKOUT)


def begin_logged(directory: Path) -> None:
    """The same as a killed process leaves it: what was saved last is in the log only."""
    begin_kept(directory)
    log = directory.with_name(directory.name + "-log")
    presets, journal = PresetDatabase(directory, print), JournalDatabase(directory, 500_000, print)
    with contextlib.closing(presets), contextlib.closing(journal):
        for tune in range(LOGGED):
            presets.put([preset(2, tune)])
        journal.append([event(number) for number in range(40, 60)])
        _copy(directory, log)
    shutil.rmtree(directory)
    log.rename(directory)


def begin_damaged(directory: Path) -> None:
    """The database is zeros, with a log beside it; the backups are good."""
    begin_logged(directory)
    path = directory / PRESET_FILE
    path.write_bytes(bytes(path.stat().st_size))


def begin_gone(directory: Path) -> None:
    """The database is gone, its log is not: a process was killed while it moved a damaged one aside."""
    begin_logged(directory)
    (directory / PRESET_FILE).rename(directory / "qsyd.damaged-20260301T183000Z.sqlite3")


def begin_version(version: int, *, logged: bool) -> Callable[[Path], None]:
    """A directory that was made by the program of an earlier schema, which knew no marks and no tube."""

    def begin(directory: Path) -> None:
        earlier = Schema(SCHEMA.application_id, SCHEMA.migrations[:version])
        path = directory / PRESET_FILE
        create_database(path, earlier)
        kept_log = directory.with_name(directory.name + "-log")
        with contextlib.closing(open_database(path, earlier, "FULL", 0, 1 << 40)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            put_rows(connection, THREE)
            note_checksum(connection, {_key(each): each for each in THREE})
            connection.execute("COMMIT")
            if logged:
                _copy(directory, kept_log)
        if logged:
            shutil.rmtree(directory)
            kept_log.rename(directory)
        with contextlib.closing(JournalDatabase(directory, 500_000, print)) as journal:
            journal.append([event(number) for number in range(40)])

    return begin


def _copy(directory: Path, copy: Path) -> None:
    shutil.copytree(directory, copy, ignore=shutil.ignore_patterns("*-shm"))


_LOGGED = Save((preset(2, LOGGED - 1),)).after(KEPT)
_VERSION = Kept(THREE)
DEEDS = (
    Deed("first start", begin_nothing, has_backup=False, journalled=0),
    Deed(
        "save",
        begin_kept,
        (Save((preset(2, 7),)), LAST),
        again=("sync qsyd.sqlite3-wal",),
        again_with=(Fault.FOR_EVER,),
        kept=KEPT,
    ),
    Deed("delete", begin_kept, (Remove("harbour-wire", "80m/3"), LAST), kept=KEPT),
    Deed("import", begin_kept, (Save(tuple(preset(number, 5) for number in range(2, 62))), LAST), kept=KEPT),
    Deed("migration from 1", begin_version(1, logged=True), has_backup=False, kept=_VERSION),
    Deed("migration from 2", begin_version(2, logged=False), (LAST,), has_backup=False, kept=_VERSION),
    Deed("checkpoint", begin_logged, (LAST,), kept=_LOGGED),
    Deed(
        "intents",
        begin_kept,
        (Intend(1), Intend(2, closes=1), LAST),
        again=("sync qsyd.sqlite3-wal",),
        again_with=(Fault.FOR_EVER,),
        kept=KEPT,
    ),
    Deed(
        "mark and tube",
        begin_kept,
        (
            MarkOne(replace(MARK, segment="80m/1")),
            SaveTube(replace(TUBE, overs=13, days=(Day("2026-03-01", 13, 4, 52.0),))),
            RetireTube(OldTube("2026-03-02T08:00:00Z", "operator", "low gain", TUBE)),
            LAST,
        ),
        again=("sync qsyd.sqlite3-wal",),
        again_with=(Fault.FOR_EVER,),
        kept=KEPT,
    ),
    Deed("journal", begin_kept, (Journal(40, 20), Journal(60, 20), Journal(80, 5)), journal_rows_max=50, kept=KEPT),
    Deed("restore", begin_damaged, (LAST,), warns=True, kept=KEPT),
    Deed(
        "restore beside a log",
        begin_gone,
        (LAST,),
        warns=True,
        again=("os.* qsyd.sqlite3", "os.fsync ."),
        again_with=(Fault.REORDERED,),
        kept=KEPT,
    ),
    Deed("lockout", begin_kept, (LockOut(LOCKOUT), LAST), again=LOCKOUT_POINTS, again_with=LOCKOUT_FAULTS, kept=KEPT),
    Deed(
        "end of a lockout",
        begin_locked,
        (LockOut(None), LAST),
        again=LOCKOUT_POINTS,
        again_with=LOCKOUT_FAULTS,
        kept=replace(KEPT, lockout=LOCKOUT),
    ),
)
