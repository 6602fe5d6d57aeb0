"""How far people should stay from an antenna, as a first look and a caution only.

Not an evaluation: the licensee answers for that (47 CFR 97.13(c)), with the station's own antennas, heights and limits.
The far-field formula is not valid close in, inside about a wavelength over 2 pi; use the tables of FCC OET Bulletin 65
Supplement B there. Most distances at HF are mostly inside that zone.
"""

from math import pi, sqrt

GROUND_REFLECTION = 2.56
"""Factor on power density for a usual ground, FCC OET Bulletin 65 (as quoted); 1 in free space, 4 in full reflection."""


def public_limit_mw_cm2(frequency_hz: int) -> float:
    """Power density permitted for the general public, averaged over 30 minutes: 47 CFR 1.1310(e)(1), Table 1.

    From 0.3 to 300 MHz, else `ValueError`; at a boundary the stricter.
    """
    megahertz = frequency_hz / 1e6
    if not 0.3 <= megahertz <= 300:
        raise ValueError(f"{frequency_hz} Hz: the table is used from 0.3 to 300 MHz")
    if megahertz < 1.34:
        return 100.0
    return min(100.0, 180 / (megahertz * megahertz)) if megahertz < 30 else 0.2


def power_density_mw_cm2(eirp_w: float, distance_m: float, factor: float = GROUND_REFLECTION) -> float:
    """S = F EIRP / (4 pi R^2), FCC OET Bulletin 65; 1 mW/cm2 is 10 W/m2."""
    return factor * eirp_w / (4 * pi * distance_m * distance_m) / 10


def caution_distance_m(
    pep_w: float,
    frequency_hz: int,
    *,
    duty: float,
    on_air: float = 1.0,
    gain_dbi: float = 2.15,
    factor: float = GROUND_REFLECTION,
) -> float:
    """Where the far-field formula falls to the public limit: R = sqrt(F EIRP / (4 pi S)). A caution, see above.

    EIRP is of average power: PEP times `duty` (SSB 0.2 unprocessed, CW 0.4, data 1: OET Bulletin 65 Supplement B, Table
    2, as quoted) times `on_air`, the share of time transmitted, each 0 to 1. Feed-line loss is left out, to the safe side.
    """
    eirp_w = pep_w * duty * on_air * 10 ** (gain_dbi / 10)
    return sqrt(factor * eirp_w / (4 * pi * public_limit_mw_cm2(frequency_hz) * 10))
