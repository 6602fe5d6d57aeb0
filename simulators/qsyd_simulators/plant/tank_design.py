"""Element values of pi and pi-L networks from the classical handbook formulas.

Q = R1/XC1, the loaded Q of the input side; handbooks have other definitions too, which give other values. Formulas from
memory; the element values they give were computed apart with ABCD chains and with another program.
"""

from dataclasses import dataclass
from math import pi, sqrt


@dataclass(frozen=True, slots=True)
class PiElements:
    """Farads and henries."""

    c1_f: float
    l1_h: float
    c2_f: float


@dataclass(frozen=True, slots=True)
class PiLElements:
    """Farads and henries; `l2_h` is in series with the antenna."""

    c1_f: float
    l1_h: float
    c2_f: float
    l2_h: float


def pi_elements(frequency_hz: float, plate_ohm: float, antenna_ohm: float, q: float) -> PiElements:
    """XC1 = R1/Q; Q2 = sqrt(R2 (1+Q^2)/R1 - 1); XC2 = R2/Q2; XL = (Q R1 + R1 R2/XC2)/(1+Q^2).

    Raises `ValueError` where Q is too low for the ratio of the resistances, Q <= sqrt(R1/R2 - 1).
    """
    squared = antenna_ohm * (1 + q * q) / plate_ohm - 1
    if squared <= 0:
        least = sqrt(max(0.0, plate_ohm / antenna_ohm - 1))
        raise ValueError(f"Q {q:g} cannot match {plate_ohm:g} ohm to {antenna_ohm:g} ohm; it must be above {least:.2f}")
    omega = 2 * pi * frequency_hz
    xc2 = antenna_ohm / sqrt(squared)
    xl = (q * plate_ohm + plate_ohm * antenna_ohm / xc2) / (1 + q * q)
    return PiElements(c1_f=q / (omega * plate_ohm), l1_h=xl / omega, c2_f=1 / (omega * xc2))


def pi_l_elements(
    frequency_hz: float, plate_ohm: float, between_ohm: float, antenna_ohm: float, q: float
) -> PiLElements:
    """A pi from the plate to `between_ohm`, then an L down to the antenna.

    QL2 = sqrt(Ri/R2 - 1), XL2 = R2 QL2, XCp = Ri/QL2; C2 is that of the pi plus Cp. Raises `ValueError` as the pi does,
    and where `between_ohm` is not above `antenna_ohm`.
    """
    if between_ohm <= antenna_ohm:
        raise ValueError(f"{between_ohm:g} ohm between pi and L must be above the antenna's {antenna_ohm:g} ohm")
    first = pi_elements(frequency_hz, plate_ohm, between_ohm, q)
    omega = 2 * pi * frequency_hz
    ql2 = sqrt(between_ohm / antenna_ohm - 1)
    return PiLElements(
        c1_f=first.c1_f,
        l1_h=first.l1_h,
        c2_f=first.c2_f + ql2 / (omega * between_ohm),
        l2_h=antenna_ohm * ql2 / omega,
    )
