"""Antennas as series RLC resonances.

Z = R (1 + jQ (f/f0 - f0/f)): exact for this model; a thin-wire dipole follows it within a few per cent inside its band.
An antenna may have several resonances, one a band; the one nearest by ratio serves alone, so coupling between them
is left out, and between bands the impedance jumps.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, log, sqrt


@dataclass(frozen=True, slots=True)
class Resonance:
    """One resonance at its feed point."""

    resistance_ohm: float
    resonant_hz: float
    q: float

    def ohm(self, frequency_hz: float) -> complex:
        """Impedance at a frequency."""
        detuned = frequency_hz / self.resonant_hz - self.resonant_hz / frequency_hz
        return complex(self.resistance_ohm, self.resistance_ohm * self.q * detuned)


def bandwidth_hz(resonance: Resonance, swr: float, reference_ohm: float = 50.0) -> float:
    """Width within which the SWR is at most `swr`: (f0/Q)(1/r) sqrt((S - r)(S r - 1)/S), r = R/Z0; 0 where it never is.

    The same as 2 sqrt(beta)/Q of Yaghjian and Best, IEEE Trans. Antennas and Propagation, 2005, for R = Z0 (formula
    from memory).
    """
    ratio = resonance.resistance_ohm / reference_ohm
    if swr < max(ratio, 1 / ratio):
        return 0.0
    return resonance.resonant_hz / resonance.q / ratio * sqrt((swr - ratio) * (swr * ratio - 1) / swr)


@dataclass(frozen=True, slots=True)
class Antenna:
    """A named antenna; at least one resonance."""

    name: str
    resonances: tuple[Resonance, ...]

    def ohm(self, frequency_hz: float, shift: float = 1.0, damping: float = 1.0) -> complex:
        """Feed-point impedance with every f0 times `shift` and every R times `damping` (weather)."""
        nearest, least = self.resonances[0], inf
        for resonance in self.resonances:
            apart = abs(log(frequency_hz / resonance.resonant_hz))
            if apart < least:
                nearest, least = resonance, apart
        return Resonance(nearest.resistance_ohm * damping, nearest.resonant_hz * shift, nearest.q / damping).ohm(
            frequency_hz
        )


Termination = Callable[[int, int], complex]
"""What an output looks into: impedance in ohm at a frequency in hertz and a time in microseconds."""

OPEN_OHM = 10_000.0 + 0j
"""A port with nothing on it, or contacts on their way."""
