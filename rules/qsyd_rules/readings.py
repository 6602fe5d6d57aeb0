"""What a device tells of itself, and the meters that follow from it.

A reading is believed for as long as its device's `stale_after`; after that it is unknown, never zero and never the
last value. What follows from others (SWR, gain, efficiency, dissipation) is unknown where any of them is.
"""

from dataclasses import dataclass
from math import inf, log10, sqrt

from qsyd_rules.words import AmplifierState


@dataclass(frozen=True, slots=True)
class Readings:
    """One set of readings, all of the same instant; None for what the device does not tell."""

    forward_w: float | None = None
    reflected_w: float | None = None
    drive_w: float | None = None
    plate_v: float | None = None
    plate_ma: float | None = None
    grid_ma: float | None = None
    temperature_c: float | None = None
    tune: int | None = None
    load: int | None = None
    state: AmplifierState | None = None
    fault: str | None = None


NO_READINGS = Readings()


def swr(forward_w: float | None, reflected_w: float | None, floor_w: float) -> float | None:
    """Standing-wave ratio from powers read at the same instant; unknown below `floor_w`, where the ratio is noise.

    S = (1 + rho) / (1 - rho), rho = sqrt(Pr / Pf): any radio handbook, chapter on transmission lines (from memory).
    Reflected at or above forward power is infinite.
    """
    if forward_w is None or reflected_w is None or forward_w < floor_w or forward_w <= 0:
        return None
    if reflected_w >= forward_w:
        return inf
    rho = sqrt(max(0.0, reflected_w) / forward_w)
    return (1 + rho) / (1 - rho)


def gain(forward_w: float | None, drive_w: float | None, floor_w: float) -> float | None:
    """Power gain as a ratio, output over drive; unknown below `floor_w` of output or without drive."""
    if forward_w is None or drive_w is None or forward_w < floor_w or drive_w <= 0:
        return None
    return forward_w / drive_w


def decibels(ratio: float) -> float:
    """A power ratio in dB: 10 log10."""
    return 10 * log10(ratio)


def plate_input_w(plate_v: float | None, plate_ma: float | None) -> float | None:
    """DC power into the plate: V times I."""
    if plate_v is None or plate_ma is None:
        return None
    return plate_v * plate_ma / 1000


def dissipation_w(readings: Readings) -> float | None:
    """Heat in the anode: plate input less delivered output, never negative.

    A grounded-grid stage feeds part of its drive through to the output, so the true figure is a little larger.
    """
    put_in = plate_input_w(readings.plate_v, readings.plate_ma)
    if put_in is None or readings.forward_w is None:
        return None
    delivered = readings.forward_w - (readings.reflected_w or 0.0)
    return max(0.0, put_in - delivered)


PLATE_LOAD_K = 1.5
"""Class AB, ARRL Handbook as quoted on a 1999 mailing list; other books have 1.8 with a plate-voltage floor."""


def plate_load_ohm(plate_v: float | None, plate_ma: float | None, k: float = PLATE_LOAD_K) -> float | None:
    """The load the tube sees at full single-tone drive: R = V / (K I). Unknown without plate current."""
    if plate_v is None or plate_ma is None or plate_ma <= 0:
        return None
    return plate_v / (k * plate_ma / 1000)


def efficiency(readings: Readings) -> float | None:
    """Output over plate input, 0 to 1; unknown without plate input."""
    put_in = plate_input_w(readings.plate_v, readings.plate_ma)
    if put_in is None or put_in <= 0 or readings.forward_w is None:
        return None
    return readings.forward_w / put_in
