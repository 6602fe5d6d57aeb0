"""Why an antenna and why not another; and why just now, from the journal."""

import json
from collections.abc import Sequence
from typing import Any

from qsyd_daemon.store.journal_database import JournalRow
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.rulebook import Situation
from qsyd_rules.station import Antenna

LEADING = frozenset(
    {
        "frequency", "link-up", "link-lost", "placed", "preset-saved", "hold-started", "hold-ended", "output-recovered",
        "output-failed", "amplifier", "fault", "fault-acknowledged", "warning", "unkeyed", "station-started",
    }
)  # fmt: skip
"""Events that a change-over can follow from."""
LEADING_MAX = 6


def antennas(atlas: Atlas, placement: Placement, situation: Situation) -> list[dict[str, Any]]:
    """Every antenna of the station, whether it serves here, and why or why not."""
    return [
        {
            "name": antenna.name,
            "serves": placement.antenna is antenna,
            "because": _because(atlas, placement, situation, antenna),
        }
        for antenna in atlas.station.antennas
    ]


def _because(atlas: Atlas, placement: Placement, situation: Situation, antenna: Antenna) -> str:
    band, chosen, rules = placement.band, placement.antenna, atlas.rulebook.rules
    if band is None:
        return "the frequency is outside every band"
    if band.name not in antenna.bands or chosen is None:
        return f"it does not cover {band.name}"
    decider = placement.selections.antenna
    if placement.held:
        return "an operator holds it" if chosen is antenna else f"an operator holds {chosen.name}"
    if decider is not None:
        rule = f"rule “{rules[decider].name}”"
        return rule if chosen is antenna else f"{rule} chooses {chosen.name}"
    if chosen is antenna:
        return f"the first in the file that covers {band.name}"
    for other in rules:
        if other.then.antenna == antenna.name and other.when.events is None:
            _, why = atlas.rulebook.matches(other, situation)
            return f"rule “{other.name}” would choose it, but {why}"
    return f"{chosen.name} comes before it in the file"


def just_now(rows: Sequence[JournalRow]) -> dict[str, Any] | None:
    """The newest change-over or decision of the journal, with what led to it; None where there is neither.

    `rows` are the newest of the journal, oldest first.
    """
    wanted = "change-over-started" if any(row.event == "change-over-started" for row in rows) else "placed"
    index = next((at for at in reversed(range(len(rows))) if rows[at].event == wanted), None)
    if index is None:
        return None
    led = [row for row in rows[:index] if row.event in LEADING][-LEADING_MAX:]
    followed = [row for row in rows[index + 1 :] if row.event in {"change-over-finished", "warning", "fault"}]
    return {
        "what": json.loads(rows[index].text_json),
        "led_to_it": [json.loads(row.text_json) for row in led],
        "then": [json.loads(row.text_json) for row in followed[:LEADING_MAX]],
    }
