"""Presets: the tank setting stored for one antenna in one segment, and whether it may still be recalled."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from qsyd_rules.segment import Segment


@dataclass(frozen=True, slots=True)
class Preset:
    """What is stored for one (antenna, segment). Values are checked by whoever makes them; here they are only held."""

    antenna: str
    segment: str
    """`BAND/N`, as the segment was named when the preset was saved."""
    tune: int
    """Position of the tune capacitor, in the amplifier's own steps, 0 or more."""
    load: int
    """Position of the load capacitor, in the amplifier's own steps, 0 or more."""
    matching: tuple[int, ...] = ()
    """Positions of a matching unit; empty where there is none."""
    drive_w: int | None = None
    """Drive this setting was made with, in watts; None where it is not known."""
    forward_w: int | None = None
    reflected_w: int | None = None
    grid_ma: int | None = None
    saved_at: str | None = None
    """When it was saved: RFC 3339, UTC."""
    low_hz: int | None = None
    """The segment's low edge when it was saved. Both edges are None until a station file gives them."""
    high_hz: int | None = None


Presets = Mapping[tuple[str, str], Preset]
"""Presets by (antenna, segment)."""


class PresetStanding(StrEnum):
    """What a segment has in store, in the words that worksheets and status use."""

    SAVED = "saved"
    MISSING = "missing"
    STALE = "stale"


def standing(preset: Preset | None, segment: Segment) -> PresetStanding:
    """Say whether `preset` may be recalled in `segment`: a preset made for other edges is stale and never is.

    A preset without edges is as good as one of this segment, since it takes the segment's (`adopt`).
    """
    if preset is None:
        return PresetStanding.MISSING
    adopted = adopt(preset, segment)
    if (adopted.segment, adopted.low_hz, adopted.high_hz) == (segment.name, segment.low_hz, segment.high_hz):
        return PresetStanding.SAVED
    return PresetStanding.STALE


def adopt(preset: Preset, segment: Segment) -> Preset:
    """Give a preset that has no edges those of its segment; any other comes back as it was."""
    if preset.segment == segment.name and preset.low_hz is None and preset.high_hz is None:
        return replace(preset, low_hz=segment.low_hz, high_hz=segment.high_hz)
    return preset
