"""Collects what is wrong with one file, and knows where in the text each value stands."""

from collections.abc import Iterable

from qsyd_daemon.station_file.errors import Problem, Severity
from qsyd_daemon.station_file.yaml_tree import Location, Mapping, Node, Scalar, node_at, place_at


class Findings:
    """The problems of a file, one for each place, with the tree they are found in."""

    def __init__(self, root: Node, problems: Iterable[Problem] = ()) -> None:
        self.root = root
        self._errors: dict[tuple[int, int, str], Problem] = {}
        self._warnings: dict[tuple[int, int, str], Problem] = {}
        self._left_out: set[Location] = set()
        self._touched: set[Location] = set()
        for problem in problems:
            self._errors.setdefault((problem.line, problem.column, problem.text), problem)
        self._settled: set[tuple[int, int]] = set()
        self.settle()

    @property
    def errors(self) -> tuple[Problem, ...]:
        return tuple(self._errors.values())

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """Warnings in file order."""
        return tuple(sorted(self._warnings.values(), key=lambda problem: (problem.line, problem.column)))

    def settle(self) -> None:
        """End one stage of judging: whatever the next says of a place that is already faulty only follows from that."""
        self._settled = {(problem.line, problem.column) for problem in self._errors.values()}

    def error(self, location: Location, text: str, hint: str, *, key: bool = False) -> None:
        """Note an error at a value, or at its key."""
        place = place_at(self.root, location, key=key)
        if place not in self._settled:
            self._errors.setdefault((*place, text), Problem(*place, text, hint))

    def warning(self, location: Location, text: str, hint: str, *, key: bool = False) -> None:
        """Note a warning at a value, or at its key."""
        place = place_at(self.root, location, key=key)
        self._warnings.setdefault((*place, text), Problem(*place, text, hint, Severity.WARNING))

    def leave_out(self, location: Location) -> None:
        """Remember that a faulty value was left out of what is judged further."""
        self._left_out.add(location)
        self._touched.update(location[:length] for length in range(len(location) + 1))

    def is_whole(self, *location: str | int) -> bool:
        """Whether nothing at, over or under a place was left out: what is missing there is really missing."""
        return location not in self._touched and not any(
            location[:length] in self._left_out for length in range(len(location))
        )

    def names(self, section: str) -> tuple[str, ...]:
        """The names a section declares, faulty ones included: a faulty antenna is not also an unknown one."""
        node = node_at(self.root, (section,))
        return tuple(node.entries) if node is not self.root and isinstance(node, Mapping) else ()

    def is_written(self, location: Location) -> bool:
        """Whether the file has this key."""
        parent = node_at(self.root, location[:-1])
        return isinstance(parent, Mapping) and location[-1] in parent.entries

    def item(self, location: Location, index: int) -> Location:
        """The place of one of several values, which a single value may stand for."""
        return location if isinstance(node_at(self.root, location), Scalar) else (*location, index)

    def line_of(self, location: Location) -> int:
        """The line in which a value stands, counted from 1."""
        return place_at(self.root, location)[0]

    def is_bare(self, location: Location) -> bool:
        """Whether a value was written without quotes."""
        node = node_at(self.root, location)
        return isinstance(node, Scalar) and node.plain
