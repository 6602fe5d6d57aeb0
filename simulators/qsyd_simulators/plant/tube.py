"""A grounded-grid triode in class AB: what comes out, and what it costs, for a drive and a plate load.

The cathode current is a clipped cosine of `a cos x - b`: `a` is the drive voltage less what the plate's swing takes off it
through the tube's finite mu, `b` the bias less what the plate voltage adds through mu. Plate and grid share the
cathode current: the lower the plate is at the current's crest and the further the grid is positive, the more goes to
the grid. So a load that is too light (resistance too high) lets the plate bottom, and grid current rises while plate
current falls; a load that is too heavy, or reactive, leaves the plate high: plate current rises, output falls,
and the difference heats the anode. Left out: harmonics, transit time, the three-halves law, input mismatch.

The characteristic is our own simplification; its figures are set so that the design point falls on the usual ones of the
trade: 3.3 kV, 0.76 A, 60 %, gain 30 or 20, tens of milliamperes of grid current (from memory; common practice).
"""

from dataclasses import dataclass
from math import sqrt
from typing import NamedTuple

from qsyd_simulators.plant.conduction import clipped_cosine


@dataclass(frozen=True, slots=True)
class Tube:
    """A tube (or several in parallel) with its bias and its plate supply."""

    slope_s: float
    """Cathode current over drive voltage, A/V, where it flows."""
    mu: float
    """Plate volts worth one volt of drive."""
    bias_v: float
    """Cathode bias while keyed."""
    grid_share: float
    """How readily the grid takes current from a low plate; without unit."""
    no_load_v: float
    """Of the plate supply."""
    source_ohm: float
    """By which the plate supply sags."""
    plate_load_ohm: float
    """The load it is made for."""
    dissipation_w_max: float
    """What the anode may give off for ever, with its air."""


GAIN_30 = Tube(
    slope_s=0.0315,
    mu=200.0,
    bias_v=11.2,
    grid_share=0.5,
    no_load_v=3570.0,
    source_ohm=357.0,
    plate_load_ohm=2550.0,
    dissipation_w_max=1500.0,
)
"""An indirectly heated external-anode triode of high mu: 50 W of drive for 1.5 kW."""

GAIN_20 = Tube(
    slope_s=0.0225,
    mu=120.0,
    bias_v=20.0,
    grid_share=0.4,
    no_load_v=3570.0,
    source_ohm=357.0,
    plate_load_ohm=2550.0,
    dissipation_w_max=1500.0,
)
"""Glass triodes in parallel, of lower gain: 75 W of drive for 1.5 kW."""


class OperatingPoint(NamedTuple):
    """What one drive power into one plate load does. Volts, amperes, watts."""

    plate_v: float
    plate_a: float
    grid_a: float
    output_w: float
    """Into the tank, before its losses."""
    dissipation_w: float
    """Heat in the anode."""
    swing_v: float
    """Peak RF voltage at the plate."""


def operating_point(tube: Tube, load_ohm: complex, drive_w: float, emission: float = 1.0) -> OperatingPoint:
    """Solve the stage for `drive_w` at its cathode and `load_ohm` at its plate.

    `emission` is how much of its slope the cathode has, 0 cold to 1. Drive voltage and plate voltage are found by
    fixed-point iteration, which contracts well since both depend little on themselves.
    """
    slope_s = tube.slope_s * emission
    if slope_s <= 0:
        return OperatingPoint(tube.no_load_v, 0.0, 0.0, 0.0, 0.0, 0.0)
    crest_ohm = (abs(load_ohm) + load_ohm.real) / 2
    """The plate swings most at the current's crest where the load is real; a reactive one moves the two apart, and the
    mean of the whole swing and of its part in phase stands for what the plate misses while current flows."""
    plate_v = tube.no_load_v - tube.source_ohm * 0.3
    effective_v = sqrt(3 * drive_w / slope_s)
    for _ in range(_TURNS_MAX):
        direct, fundamental = clipped_cosine(effective_v, tube.bias_v - plate_v / tube.mu)
        direct_a, fundamental_a = slope_s * direct, slope_s * fundamental
        grid_pull = tube.grid_share * max(_PULL_V_MIN, effective_v - tube.bias_v) / plate_v
        left = 1 - grid_pull - crest_ohm * fundamental_a / plate_v
        lowest = (left + sqrt(left * left + 4 * grid_pull)) / 2  # of the plate, as a share of its voltage
        plate_share = lowest / (lowest + grid_pull)
        swing_v = load_ohm * (plate_share * fundamental_a)
        cathode_v = effective_v + swing_v.real / tube.mu
        taken_w = cathode_v * fundamental_a / 2
        sagged_v = tube.no_load_v - tube.source_ohm * plate_share * direct_a
        again_v = effective_v * sqrt(drive_w / taken_w) if taken_w > 0 else effective_v
        is_found = (
            abs(again_v - effective_v) <= _PRECISION * again_v and abs(sagged_v - plate_v) <= _PRECISION * plate_v
        )
        effective_v, plate_v = again_v, max(sagged_v, _PLATE_V_MIN)
        if is_found:
            break
    plate_a = plate_share * direct_a
    output_w = (plate_share * fundamental_a) ** 2 * load_ohm.real / 2
    fed_through_w = plate_share * taken_w  # drive and plate are in series for the output
    return OperatingPoint(
        plate_v,
        plate_a,
        (1 - plate_share) * direct_a,
        output_w,
        max(0.0, plate_v * plate_a + fed_through_w - output_w),
        abs(swing_v),
    )


_TURNS_MAX = 60
_PRECISION = 1e-5
_PLATE_V_MIN = 100.0
_PULL_V_MIN = 0.01
