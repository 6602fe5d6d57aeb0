"""One rig's conversation as the follower drives it, whatever the protocol.

The follower owns the link and the clock. It feeds the session what arrives and what time it is, sends the bytes that
`due` hands out, and sleeps until `wake_at_us`. The session decides what to ask, in which order, and what a refusal
means; it never sends a byte that keys the transmitter or changes a setting of the rig, except to ask the rig to
report changes by itself, and the frequency where it was made to be allowed that and is asked to.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from qsyd_rules.words import Mode


@dataclass(frozen=True, slots=True)
class RigReading:
    """The rig's state, complete and consistent, as far as this rig can tell it.

    `frequency_hz` is the dial (the VFO in use); `transmit_hz` is where the rig would transmit, None while that is not
    known (split, and the other VFO cannot be read). `mode` and `keyed` are None where the rig cannot tell.
    `asked_at_us` is when the oldest query behind this frequency was sent; None for what the rig reported unasked.
    """

    frequency_hz: int
    transmit_hz: int | None
    split: bool
    mode: Mode | None
    keyed: bool | None
    asked_at_us: int | None
    key_asked_at_us: int | None = field(default=None, compare=False)
    """When the question behind `keyed` was sent; an answer may be long on its way, and is as old as its question."""


class RigSession(Protocol):
    """What every protocol offers. Times are microseconds on one monotonic clock."""

    @property
    def errors(self) -> Mapping[str, int]:
        """What went wrong with questions since the session was made, by kind: damaged, refused, unanswered."""

    def opened(self, at_us: int) -> None:
        """The link has (re)opened: forget everything that was under way; what the rig refuses is found anew."""

    def received(self, data: bytes, at_us: int) -> list[RigReading]:
        """Take in bytes, in whatever pieces; hand out the readings that they complete. Never raises on line noise."""

    def read_now(self, at_us: int) -> None:
        """Read frequency (and split, and what makes the transmit frequency) at once, not at the next poll."""

    def set_frequency(self, frequency_hz: int, at_us: int) -> str | None:
        """Set the transmit frequency once, and read it back; why it is not tried, in words, or None.

        Never while split is on or the rig says that it transmits, nor by a session that was not made to.
        """

    def due(self, at_us: int) -> bytes:
        """The bytes to send now; empty when nothing is due."""

    def wake_at_us(self, at_us: int) -> int:
        """When to call `due` next, if nothing arrives before."""
