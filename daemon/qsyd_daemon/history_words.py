"""The journal as an operator reads it: the day once, then a line an event. Standard library only."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from qsyd_daemon.event_words import in_words

Row = Mapping[str, Any]
_DECISIONS = frozenset(
    {"placed", "change-over-started", "transmit-inhibited", "transmit-released", "amplifier", "fault", "preset-missing"}
)
_CAUSES = frozenset(
    {
        *("frequency", "link-up", "link-lost", "keyed", "unkeyed", "hold-started", "hold-ended", "preset-saved"),
        *("output-failed", "output-recovered", "command", "fault", "fault-acknowledged", "warning", "station-started"),
        "asked",
    }
)
"""Events that something may follow from; what time alone brings has none."""


CAUSE_MAX = 60
"""Characters of a cause; it stands in full on its own line."""
INDENT = 22
"""Where the words of a line begin: after time of day and number."""


class HistoryWords:
    """Lines for rows in their order. With `why` each decision is followed by what it came from."""

    def __init__(self, events: Iterable[str] = (), *, why: bool = False) -> None:
        """`events` are the kinds to show; none means all."""
        self._events, self._why = frozenset(events), why
        self._day = ""
        self._instant: list[Row] = []

    def lines(self, rows: Iterable[Row]) -> Iterator[str]:
        """The lines of the next rows."""
        for row in rows:
            if self._instant and self._instant[0].get("at") != row.get("at"):
                self._instant = []
            self._instant.append(row)
            if not self._events or row.get("event") in self._events:
                yield from self._shown(row)

    def _shown(self, row: Row) -> Iterator[str]:
        day, clock = _split(str(row.get("time", "-")))
        if day != self._day:
            self._day = day
            yield f"{day}, UTC"
        yield f"{clock:<12} {row['sequence']:>7}  {in_words(row)}"
        if self._why and row.get("event") in _DECISIONS:
            for line in self._reasons(row):
                yield f"{'':<12} {'':>7}    {line}"

    def _reasons(self, row: Row) -> Iterator[str]:
        """What came first in the same instant, of what something may follow from."""
        cause = next((each for each in self._instant if each.get("event") in _CAUSES and each is not row), None)
        if cause is not None:
            yield f"after event {cause['sequence']}: {_short(in_words(cause))}"
        elif row.get("event") == "placed" and row.get("utc"):
            yield f"nothing moved the dial: the hour, or a preset; the rules were held against {row['utc']} UTC"
        else:
            yield "nothing else in that instant: a time has run out"


def _split(time: str) -> tuple[str, str]:
    """Day and time of day."""
    day, _, clock = time.partition("T")
    return day, clock.removesuffix("Z")


def _short(words: str) -> str:
    return words if len(words) <= CAUSE_MAX else words[: CAUSE_MAX - 4].rstrip(" ;:,") + " ..."
