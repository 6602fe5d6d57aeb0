"""What has come of reading the station file again, for people and programs."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from qsyd_daemon.station_file.errors import Problem


class Ending(StrEnum):
    """How it ended."""

    RELOADED = "reloaded"
    UNCHANGED = "unchanged"
    CHECKED = "checked"
    """Only looked at, as asked."""
    WRONG_FILE = "wrong file"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One attempt. In every ending but the first the file that was in force still is."""

    ending: Ending
    text: str
    changed: tuple[str, ...] = ()
    restarted: tuple[str, ...] = ()
    """Links and outputs that were begun anew, or would be."""
    untouched: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    """Lines of the file, and what is to be said of them: faults, what takes a restart, or only warnings."""

    @property
    def in_short(self) -> str:
        """For a status line: with the first place in the file where there is one."""
        if self.ending is Ending.WRONG_FILE and self.problems:
            return ":".join(self.problems[0].split(":")[:2])
        return self.text

    def to_json(self) -> dict[str, Any]:
        """As a JSON object."""
        return {
            "ending": str(self.ending),
            "text": self.text,
            "changed": list(self.changed),
            "restarted": list(self.restarted),
            "untouched": list(self.untouched),
            "problems": list(self.problems),
        }


def wrong_file(path: Path, problems: Iterable[Problem]) -> Outcome:
    """The file cannot be used."""
    lines = tuple(problem.printed(path) for problem in problems)
    first = lines[0] if lines else str(path)
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    return Outcome(Ending.WRONG_FILE, f"the file that was in force stays: {first}{more}", problems=lines)
