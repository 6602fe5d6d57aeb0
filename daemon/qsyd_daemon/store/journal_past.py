"""What a journal knows of one moment: the newest event of each kind up to it, and what happened around it."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

AROUND_MAX = 400
"""Most events that are shown around a moment; the nearest are kept."""
RECENT_WARNINGS_MAX = 20

Row = Mapping[str, Any]
"""An event of the journal with its `sequence`."""

_STANDING = (
    *("frequency", "link-up", "link-lost", "placed", "keyed", "unkeyed", "transmit-inhibited", "transmit-released"),
    *("amplifier", "fault", "fault-acknowledged", "change-over-started", "change-over-finished", "preset-missing"),
    *("hold-started", "hold-ended", "station-stopped", "tune-up", "reloaded"),
)
"""Kinds of which the newest says how things stand."""


@dataclass(frozen=True, slots=True)
class JournalPast:
    """One moment. Where the journal holds nothing up to it, `as_of` is None."""

    first_time: str | None
    """Of the oldest event that the journal still holds, and `last_time` of the newest."""
    last_time: str | None
    as_of: Row | None = None
    """The newest event up to the moment."""
    started: Row | None = None
    """The `station-started` of that run of the daemon; None where the journal no longer holds it."""
    simulated: Row | None = None
    """Says that the journal was written by a simulation."""
    newest: Mapping[tuple[str, str | None], Row] = field(default_factory=dict)
    """By kind and rig (None where an event has none), within that run of the daemon; a warning by kind and code, a
    command by kind and command, what was asked and accepted by kind and request."""
    warnings: tuple[Row, ...] = ()
    """Those of the last `warned_since`, oldest first."""
    around: tuple[Row, ...] = ()
    """What happened from a little before to a little after, oldest first."""
    cut: bool = False
    """Whether more happened around it than is shown."""

    def of(self, event: str, rig: str | None = None) -> Row | None:
        """The newest of this kind."""
        return self.newest.get((event, rig))


def last_time(connection: sqlite3.Connection) -> str | None:
    """The time of the newest event."""
    found = connection.execute("SELECT time FROM journal ORDER BY sequence DESC LIMIT 1").fetchone()
    return None if found is None else str(found[0])


def time_of(connection: sqlite3.Connection, sequence: int) -> str | None:
    """The time of one event; None where the journal does not hold it."""
    found = connection.execute("SELECT time FROM journal WHERE sequence = ?", (sequence,)).fetchone()
    return None if found is None else str(found[0])


def past_of(
    connection: sqlite3.Connection,
    up_to: str | int,
    around: tuple[str, str],
    warned_since: str,
) -> JournalPast:
    """How things stood after the newest event up to a time, or after that of a sequence number.

    `around` is from when to when the happenings are wanted, `warned_since` the same for warnings; times as the journal
    writes them. Raises `sqlite3.Error`.
    """
    one = connection.execute
    first = one("SELECT time FROM journal ORDER BY sequence LIMIT 1").fetchone()
    bounds = (None if first is None else str(first[0]), last_time(connection))
    if isinstance(up_to, int):
        found = one("SELECT max(sequence) FROM journal WHERE sequence <= ?", (up_to,)).fetchone()[0]
    else:
        found = one("SELECT max(sequence) FROM journal WHERE time <= ?", (up_to,)).fetchone()[0]
    if found is None:
        shown, cut = _around(connection, 1, around)
        return JournalPast(*bounds, around=shown, cut=cut)
    as_of = int(found)
    begun = _newest(connection, ("station-started",), 1, as_of)
    since = begun[0]["sequence"] if begun else 1
    newest = {(row["event"], _about(row)): row for row in _newest(connection, _STANDING, since, as_of)}
    for kind, key in (("warning", "code"), ("command", "command"), ("asked", "request")):
        newest |= {(kind, row[key]): row for row in _newest_by(connection, kind, key, since, as_of)}
    warned = one(
        "SELECT sequence, json FROM journal WHERE event = 'warning' AND sequence BETWEEN ? AND ? AND time >= ? "
        "ORDER BY sequence DESC LIMIT ?",
        (since, as_of, warned_since, RECENT_WARNINGS_MAX),
    ).fetchall()
    simulated = _newest(connection, ("simulated",), 1, as_of)
    shown, cut = _around(connection, as_of, around)
    return JournalPast(
        *bounds,
        _rows(one("SELECT sequence, json FROM journal WHERE sequence = ?", (as_of,)).fetchall())[0],
        begun[0] if begun else None,
        simulated[0] if simulated else None,
        newest,
        tuple(_rows(reversed(warned))),
        shown,
        cut,
    )


def _newest(connection: sqlite3.Connection, kinds: tuple[str, ...], since: int, until: int) -> list[Row]:
    """The newest of each kind and rig between two sequence numbers, oldest first."""
    found = connection.execute(
        "SELECT sequence, json FROM journal WHERE sequence IN (SELECT max(sequence) FROM journal "
        "WHERE event IN (SELECT value FROM json_each(?)) AND sequence BETWEEN ? AND ? "
        "GROUP BY event, json_extract(json, '$.rig')) ORDER BY sequence",
        (json.dumps(kinds), since, until),
    )
    return _rows(found.fetchall())


def _newest_by(connection: sqlite3.Connection, kind: str, key: str, since: int, until: int) -> list[Row]:
    """The newest of one kind for each value of one of its fields; what was asked and refused is left out."""
    found = connection.execute(
        "SELECT sequence, json FROM journal WHERE sequence IN (SELECT max(sequence) FROM journal "
        "WHERE event = ? AND sequence BETWEEN ? AND ? AND coalesce(json_extract(json, '$.accepted'), 1) "
        "GROUP BY json_extract(json, ?)) ORDER BY sequence",
        (kind, since, until, f"$.{key}"),
    )
    return _rows(found.fetchall())


def _around(connection: sqlite3.Connection, as_of: int, around: tuple[str, str]) -> tuple[tuple[Row, ...], bool]:
    found = connection.execute(
        "SELECT sequence, json FROM journal WHERE time BETWEEN ? AND ? ORDER BY abs(sequence - ?), sequence LIMIT ?",
        (*around, as_of, AROUND_MAX + 1),
    ).fetchall()
    return tuple(_rows(sorted(found[:AROUND_MAX]))), len(found) > AROUND_MAX


def _rows(found: Any) -> list[Row]:
    return [{"sequence": sequence, **json.loads(text)} for sequence, text in found]


def _about(row: Row) -> str | None:
    rig = row.get("rig")
    return rig if isinstance(rig, str) else None
