"""What the monitor remembers of a command that has left, and of the note that had to go before it."""

from dataclasses import dataclass, replace

from qsyd_rules.command import Command, CommandName

NOTE_WAIT_US = 500_000
"""A disk that hangs is given this long before an antenna changes without its note."""


@dataclass(frozen=True, slots=True)
class Told:
    """The newest command of one kind: when it left, when and how it was answered."""

    command: Command
    number: int
    left_us: int
    answered_us: int | None = None
    good: bool = False
    """Answered, and what was answered still counts."""

    def is_settled(self, at_us: int, settle_us: int) -> bool:
        """Whether it was answered well and its contacts have come to rest since."""
        return self.good and self.answered_us is not None and at_us >= self.answered_us + settle_us


@dataclass(frozen=True, slots=True)
class Underway:
    """A command that has left and has not ended."""

    number: int
    name: CommandName
    left_us: int


@dataclass(frozen=True, slots=True)
class Noted:
    """The newest note of an intent: when it was asked for, and whether it is durable."""

    number: int | None = None
    """None where none was asked for since the last release."""
    asked_us: int = 0
    durable_us: int | None = None
    """Since when it is durable."""
    disk_bad: bool = False
    """A note failed or was not answered in time, and none has been written since."""

    def asked(self, number: int, at_us: int) -> "Noted":
        """Another note is asked for; the one before counts no more."""
        return Noted(number, at_us, disk_bad=self._is_bad(at_us))

    def answered(self, number: int, good: bool, at_us: int) -> "Noted":
        """A note was written or could not be; the answer to an older one tells nothing of the newest."""
        if number != self.number:
            return self
        return replace(self, durable_us=at_us if good else None, disk_bad=not good)

    @property
    def durable(self) -> bool:
        """Whether it is written."""
        return self.durable_us is not None

    def released(self, left_us: int, at_us: int) -> "Noted":
        """A release that left then was answered: what had been noted by then has been done."""
        if self.durable_us is None or self.durable_us >= left_us:
            return self
        return Noted(disk_bad=self._is_bad(at_us))

    def lets_move(self, at_us: int) -> bool:
        """Whether it is written, or has waited long enough for a disk that does not answer."""
        return self.durable or self._is_bad(at_us)

    def _is_bad(self, at_us: int) -> bool:
        late = self.number is not None and not self.durable and at_us >= self.asked_us + NOTE_WAIT_US
        return self.disk_bad or late


NO_NOTE = Noted()
