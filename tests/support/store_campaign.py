"""All that can happen to the disk in a deed, and all pairs of it: the proof that the store keeps its word.

    python tests/support/store_campaign.py --deed save            every point of one deed
    python tests/support/store_campaign.py --sample 20 --seed 7   a few of each, and the first, the last and all syncs
    python tests/support/store_campaign.py --pairs                a second fault while the store recovers from the first

Prints for each deed one line of JSON, and exits with 1 where something does not hold.
"""

import argparse
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, fields
from fnmatch import fnmatch
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("tests/support", "daemon", "rules")]

from faulty_disk import DiskMemory
from faulty_vfs import Fault, Operation, PlannedFault, Point
from store_deeds import DEEDS, Deed, Kept
from store_judge import candidates, judge
from store_process import Case, Record, run

Cuts = tuple[int, int]
"""How many seeds to draw what a cut of power leaves, at each point; the second where names are what changes."""
CUTS: Cuts = (2, 8)
_TRIES = 3
_QUICK = "/dev/shm"
"""What is durable is booked, not waited for, so a disk of memory does as well as any."""
THEN_WELL = ", then well again"
_NAMES = (Operation.REPLACE, Operation.RENAME, Operation.UNLINK, Operation.DELETE, Operation.FSYNC)
_SYNCS = (Operation.SYNC, Operation.FSYNC)


@dataclass(slots=True)
class Tally:
    """What was tried, and what was wrong."""

    name: str
    points: int = 0
    """Operations when nothing fails."""
    tried: Counter[str] = field(default_factory=Counter)
    """Kind of fault -> processes in which it came."""
    stand_for: int = 0
    """Pairs, where several first faults left the very same directory and only one of them was gone on with."""
    directories: int = 0
    """Different ones that were left and judged."""
    missed: int = 0
    """Faults that did not come in any of `_TRIES` processes, the deed having taken another course."""
    healed_s_max: float = 0.0
    """Longest from the disk's being well to the store's being healthy."""
    bad: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def shown(self) -> str:
        """One line of JSON."""
        told = {each.name: getattr(self, each.name) for each in fields(self)}
        return json.dumps({**told, "seconds": round(self.seconds, 1), "healed_s_max": round(self.healed_s_max, 2)})


@dataclass(frozen=True, slots=True)
class Beginning:
    """A state directory, and what may be kept in it."""

    directory: Path
    kept: tuple[Kept, ...]
    memory: DiskMemory | None = None
    """What of it is durable; None for all."""


class Campaign:
    """The cases of one deed on one directory."""

    def __init__(self, deed: Deed, beginning: Beginning, work: Path) -> None:
        """`work` is an existing directory for what is made here."""
        self._deed, self._beginning, self._work = deed, beginning, work
        self.tally = Tally(deed.name)
        self._judged: dict[bytes, list[str]] = {}
        whole = self.once(Case(()))
        self.points = whole.points
        self.at_opening, self.at_closing = whole.points_at_opening, whole.points_at_closing
        """How many of the points come before the store is open, and before it begins to close."""
        self.tally.points = len(self.points)

    def once(self, case: Case, then: Callable[[Record, Path, list[Kept]], None] | None = None) -> Record:
        """One process, judged, or left to `then` with what may be kept in the directory."""
        directory = self._work / "state"
        shutil.copytree(self._beginning.directory, directory)
        try:
            record = run(self._deed, directory, case, self._beginning.memory)
            acceptable = candidates(self._deed, self._beginning.kept, record)
            if then is None:
                self._judge(case, record, directory, acceptable)
            else:
                then(record, directory, acceptable)
        finally:
            shutil.rmtree(directory)
        return record

    def cases(self, number: int, point: Point, cuts: Cuts = CUTS) -> list[Case]:
        """All that can happen at a point; while the store closes it is too late for the disk to be well again.

        The store is waited for where the disk was full, not once more where it failed in other words.
        """
        cases = []
        for fault in (fault for fault in Fault if point.fits(fault)):
            match fault:
                case Fault.REORDERED:
                    seeds = cuts[point.operation in _NAMES]
                    cases += [Case((PlannedFault(number, fault, seed),)) for seed in range(1, seeds + 1)]
                case Fault.LOST:
                    cases += [Case((PlannedFault(number, fault, seed),)) for seed in range(2)]
                case Fault.FULL | Fault.FOR_EVER:
                    cases.append(Case((PlannedFault(number, fault),)))
                    if number <= self.at_closing and (fault is Fault.FULL or self._heals_at_once(number)):
                        cases.append(Case((PlannedFault(number, fault),), heals=True))
                case _:
                    cases.append(Case((PlannedFault(number, fault),)))
        return cases

    def every_case(self) -> list[Case]:
        """All that can happen at every point."""
        return [case for number, point in enumerate(self.points, 1) for case in self.cases(number, point)]

    def sampled_cases(self, count: int, draw: random.Random) -> list[Case]:
        """Something at the first point, at the last and at each sync, each kind of fault, and `count` more, drawn from all.

        The syncs of a backup are alike in all deeds: they are left to that of a save. A store that has to be waited for is
        left to the long form.
        """
        cases = self.every_case()
        chosen: list[Case] = []
        for number, point in enumerate(self.points, 1):
            is_sync = point.operation in _SYNCS and (
                self._deed.name == "save" or not point.name.startswith("qsyd.backup")
            )
            if _is_again(self._deed, point):
                chosen += [case for case in self.cases(number, point) if case.faults[0].fault in self._deed.again_with]
            if is_sync or number in (1, len(self.points)):
                may_wait = self._heals_at_once(number)
                chosen.append(draw.choice([case for case in self.cases(number, point) if may_wait or not case.heals]))
        for fault, heals in [*((fault, False) for fault in Fault), (Fault.FULL, True), (Fault.FOR_EVER, True)]:
            of_kind = [case for case in cases if (case.faults[0].fault, case.heals) == (fault, heals)]
            if heals:
                of_kind = [case for case in of_kind if self._heals_at_once(case.faults[0].point)]
            if of_kind and not any((case.faults[0].fault, case.heals) == (fault, heals) for case in chosen):
                chosen.append(draw.choice(of_kind))
        return chosen + draw.sample([case for case in cases if not case.heals], count)

    def _heals_at_once(self, number: int) -> bool:
        """Whether what fails is asked once more by a step, instead of by the store itself every two seconds."""
        return number > self.at_opening and not self.points[number - 1].name.startswith("journal")

    def try_all(self, cases: Iterable[Case]) -> None:
        """Try each, until all its faults have come."""
        since = time.monotonic()
        for case in cases:
            for _ in range(_TRIES):
                record = self.once(case)
                if len(record.fired) == len(case.faults):
                    self.tally.tried[f"{case.faults[-1].fault}{THEN_WELL * case.heals}"] += 1
                    self.tally.healed_s_max = max(self.tally.healed_s_max, record.healed_s or 0.0)
                    break
            else:
                self.tally.missed += 1
        self.tally.seconds += time.monotonic() - since

    def _judge(self, case: Case, record: Record, directory: Path, acceptable: Sequence[Kept]) -> None:
        key = digest(directory, acceptable, record)
        if key not in self._judged:
            self._judged[key] = judge(self._deed, directory, acceptable, record)
        bad = list(self._judged[key])
        presets = {kept.presets for kept in self._beginning.kept}
        if record.opened and not self._deed.warns and record.opened.presets not in presets:
            bad.append(f"opened with {record.opened.presets}, its disk failing, and warned {record.warnings}")
        self.tally.directories = len(self._judged)
        if [planned.fault for planned, _ in record.fired] == [Fault.FULL]:
            bad += [f"does not say that the disk is full: {text}" for text in record.failures if not _says_full(text)]
        what = " and ".join(
            f"{planned.fault} at {planned.point} ({point.operation} {point.name}, seed {planned.seed})"
            for planned, point in record.fired
        )
        self.tally.bad += [f"{what or 'nothing fails'}{THEN_WELL * case.heals}: {each}" for each in bad]


def _is_again(deed: Deed, point: Point) -> bool:
    return any(fnmatch(f"{point.operation} {point.name}", pattern) for pattern in deed.again)


def digest(directory: Path, acceptable: Iterable[Kept], record: Record) -> bytes:
    """The same for what is judged alike: the same files, with the same to be expected of them."""
    expected = (sorted(map(repr, acceptable)), record.course, record.journal_rows, record.failures, record.bad)
    found = hashlib.sha256(repr((*expected, record.closed, record.status, record.durable is None)).encode())
    for path in sorted(directory.iterdir()):
        if not path.name.endswith("-shm"):
            found.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return found.digest()


def _says_full(text: str) -> bool:
    return "the disk is full" in text or "No space left" in text


def campaign(deed: Deed, work: Path) -> Campaign:
    """That of a deed from its own beginning; `work` is an existing directory."""
    directory = work / "begin"
    directory.mkdir()
    deed.begin(directory)
    return Campaign(deed, Beginning(directory, (deed.kept,)), work)


def main() -> int:
    """Run the command; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--deed", action="append", choices=[deed.name for deed in DEEDS], help="only this; may be repeated"
    )
    parser.add_argument(
        "--sample", type=int, metavar="N", help="of each deed, N cases more than the least; all without it"
    )
    parser.add_argument("--seed", type=int, default=1, help="what draws the sample")
    parser.add_argument(
        "--lies", action="store_true", help="a disk that never syncs, power cut at the end: has to be found out"
    )
    parser.add_argument("--pairs", action="store_true", help="pairs of faults in a save, instead of one in each deed")
    arguments = parser.parse_args()
    draw = random.Random(arguments.seed)
    bad = 0
    with tempfile.TemporaryDirectory(prefix="qsyd-", dir=_QUICK if os.access(_QUICK, os.W_OK) else None) as temporary:
        if arguments.pairs:
            from store_pairs import pairs

            tallies = pairs(Path(temporary), arguments.sample, draw)
        else:
            tallies = _deeds(Path(temporary), arguments, draw)
        for tally in tallies:
            print(tally.shown(), flush=True)
            bad += len(tally.bad) + tally.missed
    return 1 if bad else 0


def _deeds(work: Path, arguments: argparse.Namespace, draw: random.Random) -> Iterator[Tally]:
    for number, deed in enumerate(deed for deed in DEEDS if not arguments.deed or deed.name in arguments.deed):
        place = work / str(number)
        place.mkdir()
        tried = campaign(deed, place)
        if arguments.lies:
            cases = [Case((PlannedFault(len(tried.points), Fault.DROPPED),), lies=True)]
        elif arguments.sample is not None:
            cases = tried.sampled_cases(arguments.sample, draw)
        else:
            cases = tried.every_case()
        tried.try_all(cases)
        yield tried.tally


if __name__ == "__main__":
    sys.exit(main())
