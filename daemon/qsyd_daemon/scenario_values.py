"""Single values of a scenario file, and where each stands: what is accepted, what it becomes, what to say otherwise."""

import datetime
import re
from collections.abc import Callable, Collection, Iterator
from typing import TypeVar

from qsyd_daemon.station_file.errors import Problem, nearest, short
from qsyd_daemon.station_file.leaves import described
from qsyd_daemon.station_file.yaml_tree import Mapping, Node, Scalar, Sequence, data_of
from qsyd_rules import quantity

T = TypeVar("T")
TEXT_LENGTH_MAX = 200


class RefusedError(Exception):
    """A value that will not do: what was seen, and what would do."""

    def __init__(self, text: str, hint: str) -> None:
        super().__init__(f"{text}; {hint}")
        self.text = text
        self.hint = hint


class Reader:
    """Reads a tree value by value and collects what is wrong; None stands for what was wrong or is not there."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def refuse(self, node: Node, text: str, hint: str) -> None:
        """Note what is wrong at a node."""
        self.problems.append(Problem(node.line, node.column, text, hint))

    def keys(self, node: Node, known: Collection[str], what: str) -> dict[str, Node]:
        """The entries of a mapping; unknown keys are told, and what is no mapping has none."""
        if not isinstance(node, Mapping):
            self.refuse(node, f"{described(data_of(node))} stands where {what} belongs", f"write {', '.join(known)}")
            return {}
        for name, (key, _) in node.entries.items():
            if name not in known:
                self.refuse(key, f"unknown key `{short(name)}`", nearest(name, known))
        return {name: value for name, (_, value) in node.entries.items() if name in known}

    def value(self, node: Node | None, read: Callable[[Scalar], T]) -> T | None:
        """One value."""
        if node is None:
            return None
        try:
            if not isinstance(node, Scalar):
                raise RefusedError(f"{described(data_of(node))} stands where a single value belongs", "write one value")
            return read(node)
        except RefusedError as refused:
            self.refuse(node, refused.text, refused.hint)
            return None

    def needed(self, owner: Node, keys: dict[str, Node], name: str, hint: str) -> Node | None:
        """An entry that has to be there."""
        if name not in keys and not any(f"`{name}`" in problem.hint for problem in self.problems):
            self.refuse(owner, f"the key `{name}` is missing", hint)
        return keys.get(name)

    def items(self, node: Node, what: str) -> Iterator[Node]:
        """The items of a list."""
        if isinstance(node, Sequence):
            yield from node.items
        else:
            self.refuse(node, f"{described(data_of(node))} stands where {what} belong", "begin each with `- `")


def text(node: Scalar) -> str:
    """Words of one line."""
    if not isinstance(node.value, str) or not node.value.strip() or not node.value.isprintable():
        raise RefusedError(f"{described(node.value)} stands where a text belongs", "write a line of printable text")
    if len(node.value) > TEXT_LENGTH_MAX:
        raise RefusedError(f"the text has {len(node.value)} characters", f"use at most {TEXT_LENGTH_MAX}")
    return node.value


def one_of(choices: Collection[str], what: str) -> Callable[[Scalar], str]:
    """One of a few words."""

    def read(node: Scalar) -> str:
        if node.text in choices and (isinstance(node.value, str) or node.plain):
            return node.text
        raise RefusedError(f"`{short(node.text)}` is not {what}", nearest(node.text, choices))

    return read


def whole(least: int, most: int) -> Callable[[Scalar], int]:
    """A whole number `least..most`."""

    def read(node: Scalar) -> int:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise RefusedError(f"{described(value)} does not do here", f"write a number from {least} to {most}")
        return value

    return read


def measured(read: Callable[[str], T]) -> Callable[[Scalar], T]:
    """A quantity, read by one of the readers of `quantity`."""

    def checked(node: Scalar) -> T:
        try:
            return read(node.text)
        except quantity.QuantityError as error:
            raise RefusedError(error.text, error.hint) from error

    return checked


def switched(node: Scalar) -> bool:
    """`on` or `off`, which are words here."""
    return one_of(("on", "off"), "on or off")(node) == "on"


FREQUENCY_HZ_MAX = 60_000_000
LONGEST_US = 7 * 24 * 3_600_000_000


def frequency(node: Scalar) -> int:
    """A frequency in hertz, 0 to 60 MHz."""
    hertz = measured(quantity.frequency_hz)(node)
    if hertz > FREQUENCY_HZ_MAX:
        raise RefusedError(f"`{short(node.text)}` is out of range", "write 0 Hz to 60 MHz, such as 14.205 MHz")
    return hertz


def lasting(node: Scalar) -> int:
    """A time in microseconds, up to a week."""
    duration_us = measured(quantity.duration_us)(node)
    if duration_us > LONGEST_US:
        raise RefusedError(f"`{short(node.text)}` is out of range", "write at most 168 h, such as 300 ms or 12 s")
    return duration_us


def day(node: Scalar) -> datetime.date:
    """A day of the calendar, `2031-05-04`."""
    try:
        return datetime.date.fromisoformat(node.text)
    except ValueError:
        raise RefusedError(f"`{short(node.text)}` is not a day", "write one such as 2031-05-04") from None


SECONDS_A_DAY = 86_400
_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")


def clock_s(node: Scalar) -> int:
    """A time of day, `22:10` or `22:10:30`, in seconds since midnight."""
    found = _CLOCK.fullmatch(node.text)
    if found is None:
        raise RefusedError(f"`{short(node.text)}` is not a time of day", "write HH:MM or HH:MM:SS, UTC")
    hours, minutes, seconds = (int(each or 0) for each in found.groups())
    return hours * 3600 + minutes * 60 + seconds
