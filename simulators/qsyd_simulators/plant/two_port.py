"""Two-ports as chain (ABCD) matrices: `V1 = A V2 + B I2`, `I1 = C V2 + D I2`. Any book on network theory.

They are plain tuples, since a station calculates some ten of them for each reading.
"""

from math import inf
from typing import NamedTuple


class TwoPort(NamedTuple):
    """One chain matrix at one frequency; `b` in ohm, `c` in siemens."""

    a: complex
    b: complex
    c: complex
    d: complex

    def then(self, after: "TwoPort") -> "TwoPort":
        """This one followed by another, towards the load: the product of the matrices."""
        a, b, c, d = self
        return TwoPort(
            a * after.a + b * after.c, a * after.b + b * after.d, c * after.a + d * after.c, c * after.b + d * after.d
        )

    def input_ohm(self, load_ohm: complex) -> complex:
        """What it presents at its input with `load_ohm` at its output."""
        return (self.a * load_ohm + self.b) / (self.c * load_ohm + self.d)

    def efficiency(self, load_ohm: complex) -> float:
        """Power into the load over power into the input, 0 to 1."""
        volts = self.a * load_ohm + self.b  # at the input, for one ampere through the load
        amperes = self.c * load_ohm + self.d
        put_in = (volts * amperes.conjugate()).real
        return load_ohm.real / put_in if put_in > 0 else 0.0


THROUGH = TwoPort(1, 0, 0, 1)


def series(impedance_ohm: complex) -> TwoPort:
    """An element in the way."""
    return TwoPort(1, impedance_ohm, 0, 1)


def shunt(admittance_s: complex) -> TwoPort:
    """An element across."""
    return TwoPort(1, 0, admittance_s, 1)


def mismatch_swr(impedance_ohm: complex, wanted_ohm: float) -> float:
    """Standing-wave ratio of an impedance against a resistance, 1 or more.

    S = (1 + rho) / (1 - rho), rho = |Z - R| / |Z + R|: any radio handbook, chapter on transmission lines (from memory).
    """
    far = abs(impedance_ohm + wanted_ohm)
    near = abs(impedance_ohm - wanted_ohm)
    return (far + near) / (far - near) if far > near else inf


def reflected_share(impedance_ohm: complex, reference_ohm: float) -> float:
    """Reflected over forward power, 0 to 1: rho squared."""
    rho = abs((impedance_ohm - reference_ohm) / (impedance_ohm + reference_ohm))
    return min(1.0, rho * rho)
