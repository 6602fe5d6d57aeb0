"""Coaxial cable by the full line equations: Zin = Z0 (Zl + Z0 tanh gl)/(Z0 + Zl tanh gl), g = alpha + j beta.

Z0 is taken as real. Matched loss rises with the root of the frequency (skin effect; any radio handbook, from memory).
"""

from cmath import cosh, sinh
from dataclasses import dataclass
from math import log, pi, sqrt

from qsyd_simulators.plant.two_port import TwoPort

LIGHT_M_S = 299_792_458.0
NEPER_PER_DB = log(10) / 20


@dataclass(frozen=True, slots=True)
class FeedLine:
    """A run of cable."""

    length_m: float
    loss_db_at_10_mhz: float
    """Of the whole run, into a matched load."""
    velocity: float = 0.84
    """Share of the speed of light; foam dielectric. From memory."""
    z0_ohm: float = 50.0

    def matched_loss_db(self, frequency_hz: float) -> float:
        """Loss of the whole run into a matched load."""
        return self.loss_db_at_10_mhz * sqrt(frequency_hz / 10e6)

    def two_port(self, frequency_hz: float) -> TwoPort:
        """From the shack to the antenna."""
        turn = 2 * pi * frequency_hz * self.length_m / (LIGHT_M_S * self.velocity)
        gamma_length = complex(self.matched_loss_db(frequency_hz) * NEPER_PER_DB, turn)
        along, across = cosh(gamma_length), sinh(gamma_length)
        return TwoPort(along, self.z0_ohm * across, across / self.z0_ohm, along)
