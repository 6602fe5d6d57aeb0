"""A variable capacitor on a motor's shaft: capacitance over position, and the way back."""

from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True, slots=True)
class Capacitor:
    """Nearly linear from `least_f` at position 0 to `most_f` at the last of `steps` positions."""

    least_f: float
    most_f: float
    steps: int = 4000
    bend: float = 0.03
    """How far plates of real capacitors bulge above the straight line, as a share of the span times 4 at the middle."""

    def farads(self, shaft: float) -> float:
        """Capacitance at a shaft position, which may lie between two steps."""
        turned = shaft / (self.steps - 1)
        return self.least_f + (self.most_f - self.least_f) * turned * (1 + self.bend * (1 - turned))

    def position(self, farads: float) -> float:
        """Where the shaft would have that capacitance; beyond an end stop, that end stop."""
        share = (farads - self.least_f) / (self.most_f - self.least_f)
        share = min(1.0, max(0.0, share))
        if self.bend == 0:
            return share * (self.steps - 1)
        slope = 1 + self.bend
        return (slope - sqrt(slope * slope - 4 * self.bend * share)) / (2 * self.bend) * (self.steps - 1)
