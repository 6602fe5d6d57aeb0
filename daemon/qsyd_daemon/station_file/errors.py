"""What is wrong with a station file, where, and what would do."""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class Severity(StrEnum):
    """A station file with errors is not used; warnings only tell."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault. Lines and columns count from 1, columns in characters; `hint` says what would do."""

    line: int
    column: int
    text: str
    hint: str
    severity: Severity = Severity.ERROR

    def printed(self, path: Path | str) -> str:
        """`FILE:LINE:COLUMN: error: text; hint`, always one line of printable characters."""
        words = f"{self.text}; {self.hint}" if self.hint else self.text
        return shown(f"{path}:{self.line}:{self.column}: {self.severity}: {words}")


class StationFileError(Exception):
    """A station file that cannot be used; `problems` holds everything found, in file order, warnings included."""

    def __init__(self, path: Path, problems: Iterable[Problem]) -> None:
        self.path = path
        self.problems = tuple(sorted(problems, key=lambda problem: (problem.line, problem.column)))
        super().__init__("\n".join(problem.printed(path) for problem in self.problems))


def shown(text: str) -> str:
    """Text that is safe on a terminal: what is not printable is written as an escape, such as `\\x1b`."""
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in text
    )


def short(value: object, longest: int = 60) -> str:
    """A value as quoted in a message, cut where it is long."""
    text = str(value)
    return text if len(text) <= longest else text[: longest - 3] + "..."


def nearest(word: str, known: Iterable[str]) -> str:
    """A hint for a word that is not known: the nearest one, else all there are."""
    choices = list(known)
    close = difflib.get_close_matches(word[:100], choices, n=1, cutoff=0.6)
    if not close:  # a difference in case only
        close = [choice for choice in choices if choice.lower() == word.lower()]
    if close:
        return f"did you mean `{close[0]}`?"
    if not choices:
        return "there are none"
    listed = ", ".join(choices[:20]) + (", ..." if len(choices) > 20 else "")
    return f"known here: {listed}"
