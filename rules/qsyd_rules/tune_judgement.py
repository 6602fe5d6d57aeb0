"""What the meters say while an operator tunes up: stop at once, not right yet, or good.

Advice follows the trade: little plate current with much grid current is loading too light; much plate current with
little output is off resonance; an SWR is the antenna's affair, which no tank cures. Common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from qsyd_rules.readings import Readings, dissipation_w, gain, swr
from qsyd_rules.station import AmplifierLimits

SWR_MOST = 2.5
"""Where the station file sets no limit. Common practice, no source: trips lie at 2.5 to 3."""
GAIN_LEAST = 8.0
"""Where the station file sets no limit: a grounded-grid triode gives 10 to 15 dB (from memory), ten times or more."""
DRIVE_OVER = 1.35
"""Drive above the step's by this much is another step's drive, not an error of the meter."""
OUTPUT_OVER = 1.8
"""Output above the step's by this much, where no meter tells the drive."""
OUTPUT_SLIP = 2.0
"""Told output above the station's by this much is a slip of the eye or the keyboard."""
GAIN_MOST = 200.0
"""Where the station file sets no limit: a grid-driven tetrode gives up to 23 dB (from memory); no stage gives more."""
NEIGHBOUR_GAIN_PART = 0.6
NEIGHBOUR_GRID_TIMES = 1.7
GRID_NOISE_MA = 15.0
"""Grid current below this is compared with nothing."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What the presets beside it showed when they were saved; None where they do not tell."""

    gain: float | None = None
    grid_ma_per_w: float | None = None
    """Grid current over output."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Something that may do harm: the key has to come up now."""

    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class NotYet:
    """Nothing harmful, and nothing to save either."""

    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Good:
    """Within the limits, and like the neighbours."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What one step is judged by. Powers in watts."""

    limits: AmplifierLimits
    usual: Usual
    drive_w: float
    """What this step allows."""
    output_w: float
    """About what the amplifier gives for it."""
    most_w: float
    """More than this is more than the station is made for."""
    matched: bool = False
    """Whether a matching unit stands between amplifier and antenna."""


def judge(readings: Readings, measure: Measure) -> Stop | NotYet | Good:
    """Judge one set of readings, taken while keyed in operate; what is unknown is not judged."""
    return next(_stops(readings, measure), None) or next(_not_yet(readings, measure), None) or Good()


def slip(readings: Readings, measure: Measure, output_w: float) -> str | None:
    """Why these numbers, told by a person, cannot be what the meters showed; None where they may be.

    `output_w` is what the station is made for. What cannot be is asked for again; what can, and is bad, is judged.
    """
    forward_w, drive_w = readings.forward_w, readings.drive_w
    if forward_w is not None and forward_w > output_w * OUTPUT_SLIP:
        return f"output {forward_w:.0f} W, where the station is made for {output_w:.0f} W: look at the meter again"
    if forward_w and readings.reflected_w is not None and readings.reflected_w >= forward_w:
        return (
            f"reflected power {readings.reflected_w:.0f} W cannot reach the forward power of {forward_w:.0f} W: "
            "look at the meters again"
        )
    ratio = gain(forward_w, drive_w, measure.limits.forward_floor_w)
    most = float(measure.limits.gain_max) if measure.limits.gain_max is not None else GAIN_MOST
    if ratio is not None and ratio > most:
        return (
            f"{forward_w:.0f} W from {drive_w:g} W is a gain of {ratio:.0f} times, and {most:g} is the most it can be"
        )
    return None


def _stops(readings: Readings, measure: Measure) -> Iterator[Stop]:
    limits = measure.limits
    forward_w = readings.forward_w
    if readings.drive_w is not None and readings.drive_w > measure.drive_w * DRIVE_OVER + 2:
        yield Stop(
            f"drive is {readings.drive_w:.0f} W, and this step allows {measure.drive_w:.0f} W",
            f"turn the rig down to {measure.drive_w:.0f} W before you key again",
        )
    elif readings.drive_w is None and forward_w is not None and forward_w > measure.output_w * OUTPUT_OVER:
        yield Stop(
            f"output is {forward_w:.0f} W, where this step should give about {measure.output_w:.0f} W: too much drive",
            f"turn the rig down to {measure.drive_w:.0f} W before you key again",
        )
    if forward_w is not None and forward_w > measure.most_w:
        yield Stop(f"output is {forward_w:.0f} W, more than the {measure.most_w:.0f} W it may be", "less drive")
    ratio = swr(forward_w, readings.reflected_w, limits.forward_floor_w)
    most = float(limits.swr) if limits.swr is not None else SWR_MOST
    if ratio is not None and ratio > most:
        yield Stop(
            f"SWR {ratio:.1f} at the antenna, limit {most:g}",
            "no tank setting cures that: "
            + ("`again` lets you set the matching unit anew; else " if measure.matched else "")
            + "look at antenna, feed line and switch before you go on",
        )
    if _above(readings.reflected_w, limits.reflected_power_w):
        yield Stop(
            f"reflected power {readings.reflected_w:.0f} W, limit {limits.reflected_power_w} W",
            "look at antenna, feed line and switch before you go on",
        )
    if _above(readings.grid_ma, limits.grid_current_ma):
        yield Stop(
            f"grid current {readings.grid_ma:.0f} mA, limit {limits.grid_current_ma} mA",
            "loading is too light or drive too high: less drive, then heavier loading, then peak the tune capacitor",
        )
    if _above(readings.plate_ma, limits.plate_current_ma):
        yield Stop(
            f"plate current {readings.plate_ma:.0f} mA, limit {limits.plate_current_ma} mA",
            "the tank is off resonance or loaded too heavily: less drive, and peak the tune capacitor first",
        )
    heat_w = dissipation_w(readings)
    if heat_w is not None and limits.dissipation_w is not None and heat_w > 1.5 * limits.dissipation_w:
        yield Stop(
            f"the anode takes {heat_w:.0f} W of heat, and bears {limits.dissipation_w} W",
            "the tank is far off: let the tube cool, then peak the tune capacitor with little drive",
        )


def _not_yet(readings: Readings, measure: Measure) -> Iterator[NotYet]:
    limits, usual = measure.limits, measure.usual
    forward_w = readings.forward_w
    if forward_w is not None and forward_w < limits.forward_floor_w:
        yield NotYet(f"output is only {forward_w:.0f} W", "is the amplifier driven at all? Peak the tune capacitor")
    heat_w = dissipation_w(readings)
    if heat_w is not None and limits.dissipation_w is not None and heat_w > limits.dissipation_w:
        yield NotYet(
            f"the anode takes {heat_w:.0f} W of heat, and bears {limits.dissipation_w} W",
            "peak the tune capacitor; plate current must dip as output rises",
        )
    ratio = gain(forward_w, readings.drive_w, limits.forward_floor_w)
    least = float(limits.gain_min) if limits.gain_min is not None else GAIN_LEAST
    if ratio is not None and ratio < least:
        yield NotYet(
            f"gain is {ratio:.0f} times, at least {least:g} are right", "peak the tune capacitor, then set load"
        )
    if ratio is not None and usual.gain is not None and ratio < usual.gain * NEIGHBOUR_GAIN_PART:
        yield NotYet(
            f"gain is {ratio:.0f} times, where the neighbouring segments have {usual.gain:.0f}",
            "peak the tune capacitor, then set load for most output",
        )
    if readings.grid_ma is None or forward_w is None or usual.grid_ma_per_w is None:
        return
    usual_ma = usual.grid_ma_per_w * forward_w
    if readings.grid_ma > max(GRID_NOISE_MA, usual_ma * NEIGHBOUR_GRID_TIMES):
        yield NotYet(
            f"grid current is {readings.grid_ma:.0f} mA, where the neighbouring segments have {usual_ma:.0f} mA",
            "loading is too light: heavier loading, then peak the tune capacitor",
        )


def _above(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value > limit
