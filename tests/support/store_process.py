"""A deed to a state directory in a process of its own, whose disk fails at a chosen point."""

import os
import pickle
import signal
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from faulty_disk import DiskMemory
from faulty_vfs import BROKEN, KILLED, Fault, FaultyVfs, PlannedFault, Point, contents
from store_deeds import SECONDS, Deed, Journal, Kept, LockOut, Step, kept_in

from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.store import Store

PATIENCE_S = 40
"""A process that takes longer hangs."""
HEALTHY_WITHIN_S = 10.0
MAY_END = "a restart may end it"
"""What a lockout that could be neither made nor unmade durable admits."""


@dataclass(frozen=True, slots=True)
class Case:
    """A deed and what fails in it."""

    faults: tuple[PlannedFault, ...]
    heals: bool = False
    """Whether the disk is well again after the last step, without a restart, and what failed is asked once more."""
    lies: bool = False
    """Whether the disk says that it has synced what it has not: a case that is to be found out."""


@dataclass(slots=True)
class Record:
    """What the process told while it lived."""

    fired: list[tuple[PlannedFault, Point]] = field(default_factory=list)
    opened: Kept | None = None
    warnings: tuple[str, ...] = ()
    course: list[tuple[str, int]] = field(default_factory=list)
    """`begun`, `done` and `failed`, with the number of the step, as it went; a step may come twice."""
    failures: list[str] = field(default_factory=list)
    bad: list[str] = field(default_factory=list)
    journal_rows: int = 0
    closed: bool = False
    healed_s: float | None = None
    points: list[Point] = field(default_factory=list)
    """All of them, where the process came to its end."""
    points_at_opening: int = 0
    points_at_closing: int = 0
    durable: DiskMemory | None = None
    """What was durable when the process ended; None where its power was cut, for then all is."""
    status: int = 0


Tell = Callable[..., None]
_HEAD = struct.Struct("<I")
"""Before each message its size."""


def run(deed: Deed, directory: Path, case: Case, memory: DiskMemory | None = None) -> Record:
    """Do it in a process of its own; nobody else may have a thread here."""
    read_end, write_end = os.pipe()
    process = os.fork()
    if not process:
        os.close(read_end)
        signal.alarm(PATIENCE_S)
        try:
            _live(deed, directory, case, memory, os.fdopen(write_end, "wb", buffering=0))
        except BaseException:  # noqa: BLE001 - it must not go on as its parent
            traceback.print_exc()
        os._exit(BROKEN)
    os.close(write_end)
    record = Record()
    with os.fdopen(read_end, "rb") as told:
        # A process that is killed may be in the middle of a message.
        while len(head := told.read(_HEAD.size)) == _HEAD.size:
            (size,) = _HEAD.unpack(head)
            if len(message := told.read(size)) == size:
                _note(record, *pickle.loads(message))
    _, status = os.waitpid(process, 0)
    record.status = os.waitstatus_to_exitcode(status)
    if record.status not in (0, KILLED):
        record.bad.append(f"the process ended with {record.status}")
    return record


def _note(record: Record, name: str, value: Any) -> None:
    match name:
        case "fired" | "bad" | "failures":
            getattr(record, name).append(value)
        case "begun" | "done" | "failed":
            record.course.append((name, value))
        case _:
            setattr(record, name, value)


def differences(found: Kept, expected: Kept) -> str:
    """In words what is there and should not be, or the other way round."""
    told = []
    for each in fields(Kept):
        one, other = getattr(found, each.name), getattr(expected, each.name)
        if each.name == "open_intents" or one == other:
            continue
        if isinstance(one, tuple):
            one, other = [part for part in one if part not in other], [part for part in other if part not in one]
        told.append(f"{each.name} {one} instead of {other}")
    return "; ".join(told)


def _live(deed: Deed, directory: Path, case: Case, memory: DiskMemory | None, pipe: Any) -> None:
    telling = threading.Lock()

    def tell(name: str, value: object = None) -> None:
        with telling:
            message = pickle.dumps((name, value))
            pipe.write(_HEAD.pack(len(message)))
            pipe.write(message)

    disk = FaultyVfs(
        directory,
        case.faults,
        lambda fault, point: tell("fired", (fault, point)),
        memory,
        lambda memory: tell("durable", memory),
        randomness=1 if memory is None else 2,
        lies=case.lies,
    )
    disk.install()
    store = Store.open(directory, journal_rows_max=deed.journal_rows_max)
    _settle(disk)
    tell("opened", kept_in(store, directory))
    tell("warnings", store.warnings)
    tell("points_at_opening", len(disk.points))
    mirror = _Mirror(kept_in(store, directory), loaded=store.healthy)
    failed = []
    for number, step in enumerate(deed.steps):
        if not _ask(store, directory, disk, number, step, mirror, tell):
            failed.append((number, step))
    if case.heals:
        _heal(store, directory, disk, failed, mirror, tell)
    tell("points_at_closing", len(disk.points))
    tell("closed", store.close())
    tell("points", disk.points)
    if not case.faults and disk.memory.now() != contents(directory):
        tell("bad", "the books on the disk are wrong: what follows from them proves nothing")
    if any(fault.fault is Fault.LOST for fault in case.faults):
        disk.cut_power(case.faults[-1].seed or None)
    disk.end(0)


@dataclass(slots=True)
class _Mirror:
    """What the store should say."""

    kept: Kept
    loaded: bool
    """Whether it could read everything at the opening; otherwise only presets are known to be right."""


def _ask(store: Store, directory: Path, disk: FaultyVfs, number: int, step: Step, mirror: _Mirror, tell: Tell) -> bool:
    """One step, and whether what the store says then is what was reported."""
    last_failure = ""
    tell("begun", number)
    try:
        future = step.start(store, directory)
        answer = None if future is None else future.result(SECONDS)
    except StoreError as error:
        tell("failed", number)
        tell("failures", str(error))
        last_failure = str(error)
        done = False
    else:
        done = True
        tell("done", number)
        if isinstance(step, Journal) and isinstance(answer, list):
            tell("journal_rows", max(row.sequence for row in answer) if answer else 0)
    _settle(disk)
    now = kept_in(store, directory)
    if not done and isinstance(step, LockOut) and MAY_END in last_failure:
        mirror.kept = replace(mirror.kept, lockout=now.lockout)
    if not mirror.loaded:
        mirror.kept, mirror.loaded = now, done and not isinstance(step, LockOut | Journal)
    elif done:
        mirror.kept = step.after(mirror.kept)
    if mirror.loaded and now.without_intents() != mirror.kept.without_intents():
        difference = differences(now, mirror.kept)
        tell("bad", f"after step {number}, {'done' if done else 'failed'}, the store says {difference}")
    return done


def _heal(
    store: Store,
    directory: Path,
    disk: FaultyVfs,
    failed: Sequence[tuple[int, Step]],
    mirror: _Mirror,
    tell: Tell,
) -> None:
    disk.heal()
    since = time.monotonic()
    for number, step in failed:
        if not _ask(store, directory, disk, number, step, mirror, tell):
            tell("bad", f"step {number} still failed when the disk was well again")
    while not store.healthy and time.monotonic() < since + HEALTHY_WITHIN_S:
        time.sleep(0.01)
    if store.healthy:
        tell("healed_s", time.monotonic() - since)
    else:
        tell("bad", f"not healthy {HEALTHY_WITHIN_S} s after the disk was")


def _settle(disk: FaultyVfs) -> None:
    """Wait until the store's threads wait for work, so that the next step finds the same operations before it each time."""
    quiet, before = 0, -1
    while quiet < 2:
        time.sleep(0.0005)
        frames = sys._current_frames()
        waiting = all(
            frames[thread.ident].f_code.co_name == "_run"
            for thread in threading.enumerate()
            if thread.name.startswith("store") and thread.ident in frames
        )
        quiet = quiet + 1 if waiting and len(disk.points) == before else 0
        before = len(disk.points)
