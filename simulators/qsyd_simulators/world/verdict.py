"""What came of watching a run: violations, how often each invariant had something to hold, and what is counted apart."""

from collections import Counter
from dataclasses import dataclass, field

COMMANDED = (
    *("I1", "I2", "I3", "I4", "I5", "I6", "I7", "I8", "I9", "I10", "I11", "I12", "I13", "I14", "I15", "I16", "I17"),
    *("I18", "I21", "I24", "I25"),
)
"""Invariants of what is commanded, held against the commands as they leave."""
LIVELY = ("L1", "L2")
"""Every change-over ends; a healed world reaches its target."""
TRUE = ("W1", "W2", "W3", "W4")
"""Ground truth of contacts, cathode and RF, which no belief of the daemon touches."""
TRIPPED = "gate"
"""Begins the name of a violation where gate or monitor had to step in, so that the sequencer is wrong, or they are."""
INVARIANTS = (*COMMANDED, *LIVELY, *TRUE)


@dataclass(frozen=True, slots=True)
class Violation:
    """An invariant that did not hold, when, and in what way."""

    invariant: str
    at_us: int
    text: str

    def __str__(self) -> str:
        return f"{self.invariant} at {self.at_us / 1e6:.6f} s: {self.text}"


@dataclass(slots=True)
class Verdict:
    """The watchers of one run write here."""

    exercised: Counter[str] = field(default_factory=Counter)
    """How often the antecedent of each invariant was there."""
    exposures: Counter[str] = field(default_factory=Counter)
    """Harm that no daemon could have prevented with this hardware, by kind."""
    violations: list[Violation] = field(default_factory=list)

    def violate(self, invariant: str, at_us: int, text: str) -> None:
        """Note a violation; each kind once a run, for what follows from it says nothing new."""
        if all(each.invariant != invariant for each in self.violations):
            self.violations.append(Violation(invariant, at_us, text))
