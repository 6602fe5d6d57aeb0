"""The gate's account of the note that has to be durable before anything moves."""

from dataclasses import dataclass, replace

HANGS_AFTER_US = 500_000
"""A note that is not answered for this long counts as failed."""


@dataclass(frozen=True, slots=True)
class Note:
    """The newest note of what is about to be done, as it was asked for and answered."""

    number: int | None = None
    asked_us: int = 0
    durable: bool = False
    disk_dead: bool = False
    """A note failed or hung, and none has been written since."""

    def asked(self, number: int, at_us: int) -> "Note":
        """Another note is wanted; what was on record is used up."""
        return Note(number, at_us, disk_dead=self.disk_dead or self._hangs(at_us))

    def answered(self, number: int, error: str | None) -> "Note":
        """A note is durable, or could not be written; an older one's answer tells nothing of the newest."""
        if number != self.number:
            return self
        return replace(self, durable=error is None, disk_dead=error is not None)

    def lets_antenna_move(self, at_us: int) -> bool:
        """Whether it is on record, or known not to be recordable: antenna changes then go on, barefoot."""
        return self.durable or self.disk_dead or self._hangs(at_us)

    def _hangs(self, at_us: int) -> bool:
        return self.number is not None and not self.durable and at_us >= self.asked_us + HANGS_AFTER_US


NO_NOTE = Note()
