"""Heat, each first order: T(t) = Tinf + (T0 - Tinf) e^(-t/tau), 63.2 % of the way after one tau, 95.0 % after three.

The anode is at its limit for ever at its rated dissipation with full air; with the blower stopped a tenth of the air
is left. The exhaust is warmer than the room by P / (density * specific heat * flow): energy balance, any textbook
(1.2 kg/m3, 1005 J/(kg K)). Time constants are common practice, no source; the cabinet's own, of minutes, is left out.
"""

from dataclasses import dataclass
from math import exp, log

AIR_J_M3_K = 1.2 * 1005
CATHODE_TAUS_TO_READY = 3.0
"""The warm-up is three time constants, 180 s of 60 s: the cathode has 95 % of its temperature then."""


def approached(start: float, final: float, elapsed_us: int, tau_us: float) -> float:
    """Where something is after `elapsed_us` on its way from `start` to `final`."""
    return final + (start - final) * exp(-max(0, elapsed_us) / tau_us)


def emission(warmth: float) -> float:
    """How much of its slope a cathode has, 0 to 1, by its warmth; full at 95 %, little below three quarters.

    Real emission rises exponentially with temperature (Richardson); the eighth power stands for that.
    """
    return min(1.0, (warmth / (1 - exp(-CATHODE_TAUS_TO_READY))) ** 8)


@dataclass(frozen=True, slots=True)
class Cooling:
    """Blower and anode."""

    room_c: float = 25.0
    anode_limit_c: float = 200.0
    """What an external anode's seals bear. Common practice, no source."""
    anode_tau_us: int = 15_000_000
    exhaust_tau_us: int = 30_000_000
    flow_m3_s: float = 0.024
    """About 50 cubic feet a minute."""
    still_share: float = 0.1
    """Of the air that is left when the blower stops."""
    heater_w: float = 55.0


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures at `at_us`, degrees Celsius."""

    anode_c: float
    exhaust_c: float
    at_us: int

    def later(
        self, cooling: Cooling, anode_w: float, rated_w: float, heater_on: bool, blows: bool, at_us: int
    ) -> "Heat":
        """After this heat has gone in until `at_us`; time that runs backwards changes nothing."""
        if at_us <= self.at_us:
            return self
        elapsed_us = at_us - self.at_us
        air = 1.0 if blows else cooling.still_share
        anode_final = cooling.room_c + anode_w / rated_w / air * (cooling.anode_limit_c - cooling.room_c)
        warmed_w = anode_w + (cooling.heater_w if heater_on else 0.0)
        exhaust_final = cooling.room_c + warmed_w / (AIR_J_M3_K * cooling.flow_m3_s * air)
        return Heat(
            approached(self.anode_c, anode_final, elapsed_us, cooling.anode_tau_us),
            approached(self.exhaust_c, exhaust_final, elapsed_us, cooling.exhaust_tau_us),
            at_us,
        )

    def limit_in_s(self, cooling: Cooling, anode_w: float, rated_w: float) -> float | None:
        """How long the anode has left at this heat with full air; None for ever."""
        final = cooling.room_c + anode_w / rated_w * (cooling.anode_limit_c - cooling.room_c)
        if self.anode_c >= cooling.anode_limit_c:
            return 0.0
        if final <= cooling.anode_limit_c:
            return None
        return cooling.anode_tau_us / 1e6 * log((final - self.anode_c) / (final - cooling.anode_limit_c))
