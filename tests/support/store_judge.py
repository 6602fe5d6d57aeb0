"""Judges what a process left of a state directory, by opening it as a restart does, the disk being well again.

What must hold: the store opens and is healthy, what was reported done is there, what was not is there whole or
not at all, what was reported failed is gone once something after it succeeded, the files are sound, the
newest backup is good, and the store goes on.
"""

import contextlib
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import reduce
from pathlib import Path

from store_deeds import LOCKOUT, SECONDS, THREE, Deed, Intend, Journal, Kept, Save, kept_in, preset
from store_process import MAY_END, Record, differences

from qsyd_daemon.store.apart import read_apart
from qsyd_daemon.store.database_file import check_pages, files_set_aside
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.journal_database import JOURNAL_FILE
from qsyd_daemon.store.offline import read_presets
from qsyd_daemon.store.preset_backup import BACKUP_FILES
from qsyd_daemon.store.preset_database import PRESET_FILE, SCHEMA
from qsyd_daemon.store.preset_rows import read_rows
from qsyd_daemon.store.store import Store
from qsyd_rules.preset import Preset

PROBE = preset(99)
"""Saved after the restart."""
PROBE_INTENT = 9_999


def candidates(deed: Deed, before: Iterable[Kept], record: Record) -> list[Kept]:
    """What may be kept: all that was reported done, and perhaps one thing after it that was not."""
    done = [number for what, number in record.course if what == "done"]
    last = max((at for at, (what, _) in enumerate(record.course) if what == "done"), default=-1)
    open_still = [number for what, number in record.course[last + 1 :] if what == "begun"]
    found = []
    for kept in before:
        base = reduce(lambda so_far, number: deed.steps[number].after(so_far), done, kept)
        found += [base, *(deed.steps[number].after(base) for number in open_still)]
    if any(MAY_END in text for text in record.failures):
        found += [replace(kept, lockout=lockout) for kept in found for lockout in (LOCKOUT, None)]
    return found


def judge(deed: Deed, directory: Path, acceptable: Sequence[Kept], record: Record) -> list[str]:
    """Open the directory as a restart does; what is wrong, in words."""
    bad = list(record.bad)
    steps = (step.after(deed.kept) for step in deed.steps)
    known = {PROBE, *THREE}.union(*(kept.presets for kept in (*acceptable, deed.kept, *steps)))
    bad += _judge_backups(deed, directory, known, newest_only=False)
    contents = {kept.without_intents() for kept in acceptable}
    with contextlib.suppress(StoreError):  # which is no false answer
        if read_presets(directory) not in [_by_key(kept) for kept in contents]:
            bad.append(f"read without a daemon: {sorted(read_presets(directory))}")
    try:
        store = Store.open(directory, journal_rows_max=deed.journal_rows_max)
    except StoreError as error:
        return [*bad, f"does not open: {error}"]
    try:
        bad += _judge_opened(deed, directory, store, acceptable, record)
        found = kept_in(store, directory)
        for asked in (store.save_preset(PROBE), store.record_intent(PROBE_INTENT, "{}")):
            try:
                asked.result(SECONDS)
            except StoreError as error:
                bad.append(f"after the restart: {error}")
    finally:
        if not store.close():
            bad.append("did not close")
    expected = Save((PROBE,)).after(found)
    if read_presets(directory) != _by_key(expected):
        bad.append("what was saved after the restart is not there")
    bad += _judge_files(directory)
    return bad + _judge_backups(deed, directory, known, newest_only=True)


def _by_key(kept: Kept) -> dict[tuple[str, str], Preset]:
    return {(each.antenna, each.segment): each for each in kept.presets}


def _judge_opened(deed: Deed, directory: Path, store: Store, acceptable: Sequence[Kept], record: Record) -> list[str]:
    bad = []
    found = kept_in(store, directory)
    if found.without_intents() not in {kept.without_intents() for kept in acceptable}:
        bad.append("holds " + ", or ".join(differences(found, kept) for kept in acceptable))
    if store.warnings and not deed.warns:
        bad.append(f"warns {store.warnings}")
    if not store.healthy:
        bad.append("is not healthy")
    if files_set_aside(directory / JOURNAL_FILE) or (files_set_aside(directory / PRESET_FILE) and not deed.warns):
        bad.append("a file was set aside")
    must, may = _open_intents(deed, record)
    if not must <= found.open_intents <= may:
        bad.append(f"open intents {set(found.open_intents)}, not between {must} and {may}")
    if store.last_intent_id < max(must, default=0):
        bad.append(f"counts intents from {store.last_intent_id}")
    rows = store.read_journal(limit=100_000).result(SECONDS)
    sequences = [row.sequence for row in rows]
    if sequences and sequences != list(range(sequences[0], sequences[-1] + 1)):
        bad.append("the journal has gaps")
    if any(f'"number": {row.sequence - 1}}}' not in row.text_json for row in rows):
        bad.append("the journal holds other events than were written")
    least = deed.journalled
    if record.durable is not None:  # power was not cut
        asked = [deed.steps[number] for what, number in record.course if what == "begun"]
        events = max((step.first + step.count for step in asked if isinstance(step, Journal)), default=0)
        least = max(least, events if record.closed else record.journal_rows)
    if (sequences[-1] if sequences else 0) < least:
        bad.append(f"the journal ends with {sequences[-1:]}, though it had {least} rows")
    return bad


def _open_intents(deed: Deed, record: Record) -> tuple[set[int], set[int]]:
    must: set[int] = set()
    may: set[int] = set()
    for what, number in record.course:
        match deed.steps[number]:
            case Intend(intent_id, closes) if what == "begun":
                may.add(intent_id)
                must.discard(closes or 0)
            case Intend(intent_id, closes) if what == "done":
                must.add(intent_id)
                may.discard(closes or 0)
    return must, may


def _judge_backups(deed: Deed, directory: Path, known: set[Preset], *, newest_only: bool) -> list[str]:
    """Each backup is a good database, and holds nothing that never was saved."""
    bad = []
    names = BACKUP_FILES[:1] if newest_only else BACKUP_FILES
    there = [directory / name for name in names if (directory / name).exists()]
    if not there and (newest_only or deed.has_backup):
        bad.append("there is no backup")
    for path in there:
        try:
            presets = read_apart(path, SCHEMA, 0, _checked)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is no backup
            bad.append(f"{path.name}: {type(error).__name__}: {error}")
        else:
            if not known.issuperset(presets.values()):
                bad.append(f"{path.name}: holds presets that nobody saved")
            if newest_only and ("harbour-wire", "80m/99") not in presets:
                bad.append("the newest backup is not of now")
    return bad


def _checked(connection: sqlite3.Connection) -> dict[tuple[str, str], Preset]:
    check_pages(connection)
    return read_rows(connection)


def _judge_files(directory: Path) -> list[str]:
    bad = []
    for name in (PRESET_FILE, JOURNAL_FILE):
        with contextlib.closing(sqlite3.connect(directory / name)) as connection:
            found = connection.execute("PRAGMA integrity_check").fetchall()
            if found != [("ok",)]:
                bad.append(f"{name}: {found}")
    return bad
