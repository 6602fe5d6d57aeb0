"""Relay care: a bound on how often change-overs may begin, whatever the dial does."""

from dataclasses import dataclass

BURST = 10
REFILL_US = 1_000_000
"""One change-over a second sustained, ten at once."""


@dataclass(frozen=True, slots=True)
class RelayCare:
    """A bucket of change-overs; `spent_until_us` is when it will be full again."""

    spent_until_us: int = 0

    def allowed_at_us(self, at_us: int) -> int:
        """The earliest instant, not before `at_us`, at which another change-over may begin."""
        return max(at_us, self.spent_until_us - (BURST - 1) * REFILL_US)

    def spend(self, at_us: int) -> "RelayCare":
        """The bucket after a change-over has begun."""
        return RelayCare(max(self.spent_until_us, at_us) + REFILL_US)
