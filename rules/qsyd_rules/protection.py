"""Protections: what the meters may not show, and for how long.

Fast limits (grid current, reflected power, SWR, drive) trip on size, at the first reading beyond. Slow ones trip on size
and time: an excess is integrated over time, so that twice the limit is borne for `SLOW_US` and a tenth above it ten
times as long. They never act on what is unknown: a missing or stale reading trips nothing, it only takes operate away
where the station file asks for the reading.

These supervise; they are slower than the amplifier's own protection and do not replace it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from qsyd_rules.fault import FaultCode
from qsyd_rules.readings import Readings, dissipation_w, gain, swr
from qsyd_rules.station import Amplifier
from qsyd_rules.thermal import LIMIT_C, Anode, warmed
from qsyd_rules.words import AmplifierState, Mode

SLOW_US = 500_000
"""What twice the limit is borne for."""
STEP_US_MAX = 1_000_000
"""Longest stretch that one reading is taken to speak for."""
COOL_C = 150.0
"""An anode that was too hot goes on below this. Common practice, no source."""
CLASS_AB_EFFICIENCY = 0.6
"""Output over plate input of a class-AB grounded-grid triode, 0.55 to 0.65 (from memory)."""
METERS_LAG_US = 1_000_000
"""After a trip under power meters may show it for so long, out of the signal path. Common practice, no source."""
IDLE_PLATE_MA = 30.0
"""A tube that is cut off in standby draws less than this. Common practice, no source."""
BYPASSED_GAIN = 3.0
"""An amplifier out of the signal path has no gain; this much is no metering error. Common practice, no source."""

DUTY = {Mode.CW: 0.4, Mode.USB: 0.5, Mode.LSB: 0.5, Mode.AM: 1.0, Mode.FM: 1.0, Mode.DATA: 1.0}
"""Average over peak power: FCC OET Bulletin 65 Supplement B, table 2; heavily processed speech, the worse case."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the readings are judged in. `in_path` since `line_since_us` or not, settled in either case."""

    keyed: bool
    in_path: bool
    line_since_us: int | None
    heater_on: bool
    mode: Mode | None


@dataclass(frozen=True, slots=True)
class Guarded:
    """The memory of the protections: how much of each slow limit is used up, and how hot the anode is believed to be."""

    at_us: int = 0
    charge: Mapping[FaultCode, float] = field(default_factory=dict)
    """0 at rest, 1 trips."""
    anode: Anode = field(default_factory=Anode)


@dataclass(frozen=True, slots=True)
class Trip:
    """A limit that was passed, in words with its figures."""

    code: FaultCode
    detail: str


def watch(
    guarded: Guarded,
    readings: Readings,
    amplifier: Amplifier,
    circumstances: Circumstances,
    at_us: int,
    standing: frozenset[FaultCode] = frozenset(),
) -> tuple[Guarded, Trip | None]:
    """Judge one set of readings; the first limit passed, the most telling first, but for what is `standing` already.

    `at_us` is when they arrived. The time since the last ones counts for the slow limits, at most `STEP_US_MAX`.
    """
    step_us = max(0, min(at_us - guarded.at_us, STEP_US_MAX)) if guarded.at_us else 0
    anode = _warm(guarded, readings, amplifier, circumstances, at_us)
    charge = dict(guarded.charge)
    for code, excess in _slow(readings, amplifier, circumstances):
        if code in standing:
            continue  # what stands must not hide what comes on top of it
        if code is FaultCode.NOT_READY and standing and _has_just_left(circumstances, at_us):
            continue  # nor be taken for it
        charge[code] = max(0.0, charge.get(code, 0.0) + excess * step_us / SLOW_US)
    after = Guarded(at_us, charge, anode)
    fast = next((each for each in _fast(readings, amplifier, circumstances) if each.code not in standing), None)
    hot = _hot(anode) if FaultCode.ANODE_HOT not in standing else None
    trip = fast or _used_up(charge, readings) or hot
    if trip is not None:
        after = replace(after, charge={})
    return after, trip


def _has_just_left(circumstances: Circumstances, at_us: int) -> bool:
    """Whether the amplifier has been out of the signal path for so short that meters may still show it in there."""
    since_us = circumstances.line_since_us
    return since_us is not None and at_us < since_us + METERS_LAG_US


def persists(
    code: FaultCode, readings: Readings, amplifier: Amplifier, circumstances: Circumstances, guarded: Guarded
) -> str | None:
    """What of a fault's cause can still be seen, in words; None where it has gone, or nothing tells any more."""
    for trip in _fast(readings, amplifier, circumstances):
        if trip.code is code:
            return trip.detail
    if any(found is code and excess > 0 for found, excess in _slow(readings, amplifier, circumstances)):
        return _shown(code, readings)
    if code is FaultCode.ANODE_HOT and guarded.anode.temperature_c > COOL_C:
        return f"anode believed at {guarded.anode.temperature_c:.0f} °C, to be under {COOL_C:.0f} °C first"
    return None


def _warm(
    guarded: Guarded, readings: Readings, amplifier: Amplifier, circumstances: Circumstances, at_us: int
) -> Anode:
    rated_w = amplifier.limits.dissipation_w
    if rated_w is None:
        return guarded.anode
    if guarded.at_us == 0:
        return Anode(guarded.anode.temperature_c, at_us)
    return warmed(guarded.anode, heat_w(readings, amplifier, circumstances), rated_w, at_us)


def heat_w(readings: Readings, amplifier: Amplifier, circumstances: Circumstances) -> float:
    """Heat into the anode: measured, or estimated from output, mode and efficiency where plate readings are missing."""
    measured = dissipation_w(readings)
    if measured is not None:
        return measured
    if not (circumstances.keyed and circumstances.in_path):
        return 0.0
    output_w = readings.forward_w
    if output_w is None:
        duty = DUTY[circumstances.mode] if circumstances.mode is not None else 1.0
        output_w = amplifier.output_w * duty
    return output_w * (1 / CLASS_AB_EFFICIENCY - 1)


def _fast(readings: Readings, amplifier: Amplifier, circumstances: Circumstances) -> Iterator[Trip]:
    limits = amplifier.limits
    if readings.fault:
        yield Trip(FaultCode.TOLD, f"it says {readings.fault!r}")
    if circumstances.in_path:
        if _above(readings.grid_ma, limits.grid_current_ma):
            yield Trip(FaultCode.GRID_CURRENT, f"grid {readings.grid_ma:g} mA, limit {limits.grid_current_ma} mA")
        if _above(readings.drive_w, limits.drive_w):
            yield Trip(FaultCode.DRIVE, f"drive {readings.drive_w:g} W, limit {limits.drive_w} W")
        ratio = swr(readings.forward_w, readings.reflected_w, limits.forward_floor_w)
        if ratio is not None and limits.swr is not None and ratio > limits.swr:
            yield Trip(FaultCode.SWR, f"SWR {ratio:.1f}, limit {float(limits.swr):g}; {_powers(readings)}")
        if _above(readings.reflected_w, limits.reflected_power_w):
            yield Trip(FaultCode.REFLECTED_POWER, f"{_powers(readings)}, limit {limits.reflected_power_w} W reflected")


def _slow(readings: Readings, amplifier: Amplifier, circumstances: Circumstances) -> Iterator[tuple[FaultCode, float]]:
    """How far each slow limit is passed, in parts of it; negative while it is kept, so that the memory fades."""
    limits = amplifier.limits
    amplifies = circumstances.in_path and circumstances.keyed
    yield FaultCode.PLATE_CURRENT, _excess(readings.plate_ma, limits.plate_current_ma)
    ratio = gain(readings.forward_w, readings.drive_w, limits.forward_floor_w)
    low, high = limits.gain_min, limits.gain_max
    if amplifies and readings.drive_w is not None and readings.forward_w is not None and low is not None:
        # below the floor of output the gain is unknown, but drive that yields nothing is the worst gain there is
        driven = readings.drive_w * float(low) > limits.forward_floor_w
        poor = driven and readings.forward_w < readings.drive_w * float(low)
        yield FaultCode.GAIN_LOW, 1.0 if poor else -1.0
    else:
        yield FaultCode.GAIN_LOW, -1.0
    much = amplifies and ratio is not None and high is not None and ratio > high
    yield FaultCode.GAIN_HIGH, 1.0 if much else -1.0
    supplied = circumstances.heater_on and readings.plate_v is not None
    low_v, high_v = limits.plate_voltage_min_v, limits.plate_voltage_max_v
    sags = supplied and circumstances.in_path and low_v is not None and (readings.plate_v or 0) < low_v
    yield FaultCode.PLATE_VOLTAGE_LOW, 1.0 if sags else -1.0
    yield FaultCode.PLATE_VOLTAGE_HIGH, 1.0 if supplied and _above(readings.plate_v, high_v) else -1.0
    yield FaultCode.EXHAUST_HOT, 1.0 if _above(readings.temperature_c, limits.temperature_c) else -1.0
    heater_gone = circumstances.heater_on and readings.state is AmplifierState.OFF
    yield FaultCode.HEATER_LOST, 1.0 if heater_gone else -1.0
    bypassed = not circumstances.in_path and circumstances.line_since_us is not None
    conducts = readings.plate_ma is not None and readings.plate_ma > IDLE_PLATE_MA
    amplified = ratio is not None and ratio > BYPASSED_GAIN
    yield FaultCode.NOT_READY, 4.0 if bypassed and (conducts or amplified) else -1.0


def _used_up(charge: Mapping[FaultCode, float], readings: Readings) -> Trip | None:
    code = next((code for code in FaultCode if charge.get(code, 0.0) >= 1.0), None)
    return None if code is None else Trip(code, _shown(code, readings))


def _shown(code: FaultCode, readings: Readings) -> str:
    match code:
        case FaultCode.PLATE_CURRENT:
            return f"plate {readings.plate_ma:g} mA"
        case FaultCode.GAIN_LOW | FaultCode.GAIN_HIGH:
            return f"{readings.forward_w:g} W out for {readings.drive_w:g} W of drive"
        case FaultCode.PLATE_VOLTAGE_LOW | FaultCode.PLATE_VOLTAGE_HIGH:
            return f"plate {readings.plate_v:g} V"
        case FaultCode.EXHAUST_HOT:
            return f"exhaust {readings.temperature_c:g} °C"
        case FaultCode.HEATER_LOST:
            return "it says it is off, and nobody switched it off"
        case _:
            plate = "" if readings.plate_ma is None else f", plate {readings.plate_ma:g} mA"
            return f"{_powers(readings)}{plate}, out of the signal path"


def _hot(anode: Anode) -> Trip | None:
    if anode.temperature_c < LIMIT_C:
        return None
    return Trip(FaultCode.ANODE_HOT, f"anode believed at {anode.temperature_c:.0f} °C, limit {LIMIT_C:.0f} °C")


def _powers(readings: Readings) -> str:
    shown = [
        f"{value:g} W {what}"
        for value, what in ((readings.forward_w, "forward"), (readings.reflected_w, "reflected"))
        if value is not None
    ]
    return ", ".join(shown) or "powers unknown"


def _above(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value > limit


def _excess(value: float | None, limit: float | None) -> float:
    if value is None or limit is None:
        return -1.0
    return value / limit - 1
