"""A stepper that turns a capacitor: it takes its time, counts its steps, and its coupling has play.

The count is what a device tells; the shaft is where the plates really are. They differ by at most half the play.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Motor:
    """Positions are 0 to `steps` - 1, with an end stop at each."""

    steps: int = 4000
    steps_per_s: int = 2000
    """Two seconds from end to end. Common practice, no source: a motor takes 1 to 10 s for its whole travel."""
    backlash: int = 4
    """Steps the coupling turns before the shaft follows, when the direction changes."""

    def checked(self, name: str, position: int) -> int:
        """The position; raises `ValueError` for one that is not there."""
        if not 0 <= position < self.steps:
            raise ValueError(f"{name} {position}: positions are 0 to {self.steps - 1}")
        return position

    def stopped(self, position: int) -> int:
        """A position, or the end stop it would run into."""
        return min(self.steps - 1, max(0, position))

    def resting(self, position: int) -> "Travel":
        """A motor that stands at `position`, its coupling in the middle of its play."""
        return Travel(self.checked("position", position), position, 0, float(position))

    def sent(self, travel: "Travel", target: int, at_us: int) -> "Travel":
        """A motor that turns back, goes on or sets out to `target`."""
        return Travel(self.position_at(travel, at_us), target, at_us, self.shaft_at(travel, at_us))

    def position_at(self, travel: "Travel", at_us: int) -> int:
        """Steps counted."""
        travelled = max(0, at_us - travel.started_at_us) * self.steps_per_s // 1_000_000
        distance = travel.target - travel.start
        if travelled >= abs(distance):
            return travel.target
        return travel.start + (travelled if distance > 0 else -travelled)

    def shaft_at(self, travel: "Travel", at_us: int) -> float:
        """Where the plates are, in steps; the shaft is dragged along once the play is used up."""
        position, play = self.position_at(travel, at_us), self.backlash / 2
        return min(position + play, max(position - play, travel.shaft))

    def arrives_us(self, travel: "Travel") -> int:
        """When it will stand still."""
        return travel.started_at_us + -(-abs(travel.target - travel.start) * 1_000_000 // self.steps_per_s)


@dataclass(frozen=True, slots=True)
class Travel:
    """A motor on its way from `start` to `target`, or arrived."""

    start: int
    target: int
    started_at_us: int
    shaft: float
    """Where the shaft was when the motor set out."""
