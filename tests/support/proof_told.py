"""What the witness remembers of one actuator, and of the note of what is being done."""

from typing import Any, NamedTuple

NOTE_WAIT_US = 500_000


class Told(NamedTuple):
    """The newest command to one actuator: what it said, its number until it is answered, when and how that came."""

    what: Any
    number: int
    answered_us: int | None = None
    good: bool = False

    def is_settled(self, now_us: int, settle_us: int) -> bool:
        return self.good and self.answered_us is not None and now_us >= self.answered_us + settle_us


NOBODY = Told(None, 0)


class Noted(NamedTuple):
    """The newest note: what it says is to be done, since when it is wanted, and what has become of it."""

    target: str
    number: int
    asked_us: int
    durable: bool = False
    failed: bool = False
    disk_dead: bool = False
    """The note before this one could not be made."""

    def is_bad(self, at_us: int) -> bool:
        """Whether it cannot be made, as far as anybody knows."""
        return self.failed or self.disk_dead or at_us >= self.asked_us + NOTE_WAIT_US

    def lets_move(self, at_us: int) -> bool:
        """Whether it is durable, or the disk has been given its chance."""
        return self.durable or self.is_bad(at_us)
