"""What the monitor remembers of a command that has left."""

from dataclasses import dataclass

from qsyd_rules.command import Command, CommandName


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
