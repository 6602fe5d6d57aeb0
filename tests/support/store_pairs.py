"""Two faults in a save: the second while the store recovers from the first, in the same process or after a restart.

What a backup does is left out: it begins when all is well, and its points are tried alone.
"""

import random
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from faulty_vfs import Fault, Point
from store_campaign import Beginning, Campaign, Tally, campaign, digest
from store_deeds import KEPT, LAST, Deed, Kept, Save, begin_kept, preset
from store_process import Case, Record

CUTS = (1, 1)
IN_ONE_PROCESS = (Fault.ONCE, Fault.SHORT, Fault.LOST)
"""First faults that leave the process alive and the disk well."""
_SAVE = Deed("save", begin_kept, (Save((preset(2, 7),)),), kept=KEPT)
_SAVE_AND_GO_ON = replace(_SAVE, steps=(*_SAVE.steps, LAST))
_GO_ON = Deed("save, restart", begin_kept, (LAST,))


@dataclass(slots=True)
class Left:
    """A directory that a first fault has left, and how many first faults left the very same."""

    beginning: Beginning
    firsts: int = 1


def pairs(work: Path, sample: int | None, draw: random.Random) -> Iterator[Tally]:
    """All pairs; or, for each of the two sorts, `sample` first faults with a fifth as many second ones each, two at least."""
    for name, sort in (("one process", _in_one_process), ("restart", _over_a_restart)):
        place = work / name
        place.mkdir()
        yield sort(place, sample, draw)


def _in_one_process(work: Path, sample: int | None, draw: random.Random) -> Tally:
    since = time.monotonic()
    tried = campaign(_SAVE_AND_GO_ON, work)
    tried.tally.name = "pairs in one process"
    of_first_save = next(number for number, point in enumerate(tried.points, 1) if _of_backup(point))
    firsts = [
        case
        for number, point in enumerate(tried.points[: of_first_save - 1], 1)
        if number > tried.at_opening
        for case in tried.cases(number, point, CUTS)
        if case.faults[0].fault in IN_ONE_PROCESS
    ]
    if sample is not None:
        firsts = draw.sample(firsts, min(sample, len(firsts)))
    each = _seconds_each(sample)
    for first in firsts:
        points = tried.once(first).points
        seconds = [
            Case((*first.faults, *second.faults))
            for number, point in enumerate(points, 1)
            if number > first.faults[0].point and not _of_backup(point)
            for second in tried.cases(number, point, CUTS)
            if not second.heals
        ]
        tried.try_all(seconds if sample is None else draw.sample(seconds, min(each, len(seconds))))
    tried.tally.seconds = time.monotonic() - since
    return tried.tally


def _over_a_restart(work: Path, sample: int | None, draw: random.Random) -> Tally:
    since = time.monotonic()
    total = Tally("pairs over a restart")
    lefts, each = _lefts(work, sample, draw), _seconds_each(sample)
    for number, left in enumerate(lefts):
        place = work / f"left-{number}"
        place.mkdir()
        tried = Campaign(_GO_ON, left.beginning, place)
        total.points = max(total.points, len(tried.points))
        cases = [
            case
            for number, point in enumerate(tried.points, 1)
            if not _of_backup(point)
            for case in tried.cases(number, point, CUTS)
            if not case.heals
        ]
        tried.try_all(cases if sample is None else draw.sample(cases, min(each, len(cases))))
        total.tried += tried.tally.tried
        total.stand_for += left.firsts * tried.tally.tried.total()
        total.missed += tried.tally.missed
        total.directories += tried.tally.directories
        total.bad += tried.tally.bad
        shutil.rmtree(place)
    total.seconds = time.monotonic() - since
    return total


def _lefts(work: Path, sample: int | None, draw: random.Random) -> list[Left]:
    """What the first faults leave; the very same only once."""
    tried = campaign(_SAVE, work)
    firsts = [
        case
        for number, point in enumerate(tried.points, 1)
        if number > tried.at_opening and not _of_backup(point)
        for case in tried.cases(number, point, CUTS)
        if not case.heals
    ]
    if sample is not None:
        firsts = draw.sample(firsts, min(sample, len(firsts)))
    lefts: dict[bytes, Left] = {}

    def keep(record: Record, directory: Path, acceptable: list[Kept]) -> None:
        durable = record.durable and record.durable.left(None)
        key = digest(directory, acceptable, record) + repr(sorted((durable or {}).items())).encode()
        if key in lefts:
            lefts[key].firsts += 1
            return
        copy = work / f"begin-{len(lefts)}"
        shutil.copytree(directory, copy)
        lefts[key] = Left(Beginning(copy, tuple(dict.fromkeys(acceptable)), record.durable))

    for case in firsts:
        tried.once(case, keep)
    return list(lefts.values())


def _seconds_each(sample: int | None) -> int:
    """How many second faults a sample has for each first."""
    return 2 if sample is None else max(2, sample // 5)


def _of_backup(point: Point) -> bool:
    return point.name.startswith("qsyd.backup")
