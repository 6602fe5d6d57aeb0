"""The anode's temperature as a first-order model, fed by the heat that goes into it.

T(t) = Tinf + (T0 - Tinf) e^(-t/tau), Tinf = ambient + heat / rated heat * permitted rise. It knows no watts of cooling
air, only what the maker's rated dissipation means: at that heat, for ever, the anode just reaches its limit.
"""

from dataclasses import dataclass
from math import exp, log

AMBIENT_C = 40.0
LIMIT_C = 200.0
"""Air in the cabinet, and what an external-anode tube's seals bear. Common practice, no source."""
TAU_US = 15_000_000
"""Common practice, no source: 10 to 20 s."""


@dataclass(frozen=True, slots=True)
class Anode:
    """What the anode's temperature is believed to be at `at_us`, in degrees Celsius."""

    temperature_c: float = AMBIENT_C
    at_us: int = 0


def warmed(anode: Anode, heat_w: float, rated_w: float, at_us: int) -> Anode:
    """The anode at `at_us`, if this heat has gone into it since. Time that runs backwards changes nothing."""
    if at_us <= anode.at_us:
        return anode
    final_c = AMBIENT_C + heat_w / rated_w * (LIMIT_C - AMBIENT_C)
    share = exp(-(at_us - anode.at_us) / TAU_US)
    return Anode(final_c + (anode.temperature_c - final_c) * share, at_us)


def limit_at_us(anode: Anode, heat_w: float, rated_w: float) -> int | None:
    """When the anode would reach its limit at this heat; None if never."""
    final_c = AMBIENT_C + heat_w / rated_w * (LIMIT_C - AMBIENT_C)
    if anode.temperature_c >= LIMIT_C:
        return anode.at_us
    if final_c <= LIMIT_C:
        return None
    left = (final_c - LIMIT_C) / (final_c - anode.temperature_c)
    return anode.at_us + round(-log(left) * TAU_US)
