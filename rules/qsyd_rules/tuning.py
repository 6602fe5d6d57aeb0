"""What a tune-up asks of the station: one antenna in one segment, where the tank is being set by a person."""

from dataclasses import dataclass

from qsyd_rules.preset import Preset

SET_BY_HAND = "it was set by hand in a tune-up"
"""Why nobody knows where a tank rests that was being tuned."""


@dataclass(frozen=True, slots=True)
class Tuning:
    """In force while an operator tunes up. Nothing else that stands in the way of transmitting or operating is waived."""

    antenna: str
    segment: str
    drive_w: int | None = None
    """No more drive than this; None where nothing is known of drive."""
    start: Preset | None = None
    """Where the tank begins, whatever is stored; None leaves it where it is."""
    hold: str | None = None
    """Why nobody may transmit now, in words; None lets the key go down."""

    def is_at(self, other: "Tuning | None") -> bool:
        """Whether the other one tunes the same antenna in the same segment."""
        return other is not None and self.is_for(other.antenna, other.segment)

    def is_for(self, antenna: str | None, segment: str | None) -> bool:
        """Whether this is the place that is tuned."""
        return (self.antenna, self.segment) == (antenna, segment)
