"""Where a segment may be tuned: at its centre, or at the nearest frequency where a carrier may be sent with the amplifier.

A centre may lie outside the licence's privileges, between two channels, or where a rule inhibits; then the tank is set as
near to it as may be, which is a little off at the segment's far edge and better than no setting.
"""

from collections.abc import Iterator

from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.rulebook import Situation
from qsyd_rules.segment import Segment
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import AmplifierState, Mode

STEP_HZ = 1_000
TRIES = 64
"""At most so many frequencies of a segment are tried, however wide it is."""
MARGIN_HZ = 1_000
"""A dial this near to the segment's edge might stand in the next one."""


def where(
    atlas: Atlas, presets: Presets, antenna: str, segment: Segment, minute: int | None
) -> tuple[int | None, str | None]:
    """The frequency to tune at, and why it is not the centre; None where nothing in the segment will do, and why not.

    Judged for a steady carrier (CW), at this minute of the UTC day.
    """
    because: str | None = None
    for hz in _outward(segment):
        obstacle = _obstacle(atlas, presets, antenna, segment, hz, minute)
        if obstacle is None:
            return hz, because
        because = because or obstacle
    return None, because


def _outward(segment: Segment) -> Iterator[int]:
    """The centre, then further and further from it on both sides."""
    centre_hz = segment.centre_hz
    step_hz = max(STEP_HZ, (segment.high_hz - segment.low_hz) // TRIES)
    yield centre_hz
    for number in range(1, TRIES // 2 + 1):
        for hz in (centre_hz - number * step_hz, centre_hz + number * step_hz):
            if segment.low_hz + MARGIN_HZ <= hz <= segment.high_hz - MARGIN_HZ:
                yield hz


def _obstacle(
    atlas: Atlas, presets: Presets, antenna: str, segment: Segment, hz: int, minute: int | None
) -> str | None:
    tuning = Tuning(antenna, segment.name)
    at = atlas.place(
        Situation(atlas.station.followed, hz, Mode.CW, AmplifierState.STANDBY, False, minute, tuning), presets
    )
    return at.inhibits[0] if at.inhibits else at.barefoot_because
