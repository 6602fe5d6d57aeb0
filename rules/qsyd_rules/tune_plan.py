"""What a tune-up is to do: which segments of which antennas, with what drive, and where the tank begins."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from qsyd_rules.command import CommandName
from qsyd_rules.event import Hold
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset, Presets, PresetStanding, adopt, standing
from qsyd_rules.segment import Segment
from qsyd_rules.station import Amplifier, AmplifierLimits
from qsyd_rules.tune_judgement import Usual
from qsyd_rules.tune_where import where
from qsyd_rules.wiring import Wiring

KEY_DOWN_US = 10_000_000
"""Longest key-down of one step. Common practice, no source: seconds, not minutes, while off resonance."""
GAIN_ASSUMED = 30.0
"""Where neither limits nor presets tell what full drive is. Common practice, no source: about thirty times."""
NEIGHBOURS = 2
"""So many presets beside a segment tell what is usual."""
LEVELS = (0.25, 0.5, 0.75, 1.0)
"""The steps of the drive: from a quarter upwards."""


@dataclass(frozen=True, slots=True)
class TunePlace:
    """One antenna in one segment."""

    antenna: str
    segment: Segment
    start: Preset | None
    """Where the tank begins: what is stored, else what is estimated or stored beside it; None leaves it alone."""
    start_from: str | None
    """In words, where that comes from."""
    drive_w: int
    """Full drive, about what `output_w` takes."""
    usual: Usual
    matching: int = 0
    """How many positions set the matching unit in the antenna's line; 0 where there is none."""
    elsewhere_hz: int | None = None
    """Where it is tuned instead of the segment's centre."""
    elsewhere_because: str | None = None

    @property
    def dial_hz(self) -> int:
        """Where the dial has to stand."""
        return self.segment.centre_hz if self.elsewhere_hz is None else self.elsewhere_hz

    def __str__(self) -> str:
        return f"{self.antenna} on {self.segment.name}"


@dataclass(frozen=True, slots=True)
class TunePlan:
    """Everything a tune-up needs to know beforehand; it stays the same until the tune-up ends."""

    places: tuple[TunePlace, ...]
    output_w: int
    limits: AmplifierLimits
    key_down_us: int = KEY_DOWN_US
    limits_drive: bool = False
    """Whether a device keeps the drive down; else the operator does."""
    inhibits: bool = False
    matches: bool = False
    """Whether a device sets matching units; else the operator does."""
    meters: frozenset[str] = frozenset()
    """Readings that the amplifier's devices tell."""
    sets_dial: bool = False
    """Whether the rig may be set to where a place is tuned."""
    left_out: tuple[str, ...] = ()
    """What was chosen and cannot be tuned now, each with why."""


def plan_tune_up(
    atlas: Atlas,
    wiring: Wiring,
    presets: Presets,
    chosen: Iterable[tuple[str, str]],
    *,
    key_down_us: int = KEY_DOWN_US,
    sets_dial: bool = False,
    minute: int | None = None,
    held: Hold | None = None,
) -> TunePlan:
    """Make the plan for these (antenna, segment), at this minute of the UTC day. What cannot be tuned is left out.

    Raises `ValueError` for one that the amplifier does not serve, and where nothing is left.
    """
    amplifier = atlas.station.amplifier
    if amplifier is None:
        raise ValueError("the station has no amplifier to tune")
    serving = dict(tunable(atlas))
    places, left_out = list[TunePlace](), list[str]()
    for key in chosen:
        if key not in serving:
            raise ValueError(f"the amplifier does not serve {key[0]} on {key[1]}")
        place = _place(atlas, amplifier, presets, key[0], serving[key])
        hz, because = where(atlas, presets, key[0], serving[key], minute)
        if held is not None and holds_off(atlas, held.antenna, place.antenna, place.segment.band):
            hz, because = None, f"{held.antenna} is held by {held.operator}"
        if hz is None:
            left_out.append(f"{place}: {because}")
        elif hz == place.segment.centre_hz:
            places.append(place)
        else:
            places.append(replace(place, elsewhere_hz=hz, elsewhere_because=because))
    if left_out and not places:
        more = f"; and {len(left_out) - 3} more" if len(left_out) > 3 else ""
        raise ValueError(f"nothing can be tuned now: {'; '.join(left_out[:3])}{more}")
    if not places:
        raise ValueError("there is nothing to tune: no segment that the amplifier serves is missing or stale")
    return TunePlan(
        tuple(places),
        amplifier.output_w,
        amplifier.limits,
        key_down_us,
        wiring.carries(CommandName.LIMIT_DRIVE),
        wiring.inhibits,
        wiring.matches,
        _meters(wiring),
        sets_dial,
        tuple(left_out),
    )


def holds_off(atlas: Atlas, held: str, antenna: str, band: str) -> bool:
    """Whether an antenna that an operator holds keeps this other one from the band."""
    return held != antenna and any(each.name == held and band in each.bands for each in atlas.station.antennas)


def tunable(atlas: Atlas) -> Iterable[tuple[tuple[str, str], Segment]]:
    """Every (antenna, segment) that the amplifier serves, in the worksheet's order."""
    amplifier = atlas.station.amplifier
    for antenna in atlas.station.antennas if amplifier is not None else ():
        if amplifier is None or (antenna.max_power_w is not None and antenna.max_power_w < amplifier.output_w):
            continue
        for segment in atlas.station.segments:
            if segment.band in antenna.bands and segment.band in amplifier.bands:
                yield (antenna.name, segment.name), segment


def lacking(atlas: Atlas, presets: Presets, marked: Collection[tuple[str, str]] = ()) -> list[tuple[str, str]]:
    """Those of `tunable` whose preset is missing, stale, or marked as one that no longer fits."""
    return [
        key
        for key, segment in tunable(atlas)
        if standing(presets.get(key), segment) is not PresetStanding.SAVED or key in marked
    ]


def _place(atlas: Atlas, amplifier: Amplifier, presets: Presets, antenna: str, segment: Segment) -> TunePlace:
    beside = _beside(atlas, presets, antenna, segment)
    start, start_from = _start(atlas, presets, antenna, segment, beside)
    matching = next(each.matching for each in atlas.station.antennas if each.name == antenna)
    return TunePlace(antenna, segment, start, start_from, _drive_w(amplifier, beside), _usual(beside), matching)


def _beside(atlas: Atlas, presets: Presets, antenna: str, segment: Segment) -> list[Preset]:
    """The presets of this antenna on this band, the nearest first."""
    found = []
    for (name, at), preset in presets.items():
        other = atlas.segments_by_name.get(at)
        if name != antenna or other is None or other.band != segment.band or other == segment:
            continue
        if standing(preset, other) is PresetStanding.SAVED:
            found.append((abs(other.centre_hz - segment.centre_hz), at, preset))
    return [preset for *_, preset in sorted(found, key=lambda each: each[:2])]


def _start(
    atlas: Atlas, presets: Presets, antenna: str, segment: Segment, beside: list[Preset]
) -> tuple[Preset | None, str | None]:
    stored = presets.get((antenna, segment.name))
    if stored is not None and standing(stored, segment) is PresetStanding.SAVED:
        return adopt(stored, segment), "the preset there is"
    fitted = atlas.estimate(antenna, segment, presets)
    if fitted is not None:
        return Preset(
            antenna, segment.name, max(0, fitted.tune), max(0, fitted.load)
        ), "an estimate from its neighbours"
    if beside:
        near = beside[0]
        return Preset(antenna, segment.name, near.tune, near.load, near.matching), f"the preset of {near.segment}"
    return None, None


def _drive_w(amplifier: Amplifier, beside: list[Preset]) -> int:
    """Full drive: what the neighbours took, within the limit; else the limit; else what a usual gain makes of it."""
    limit_w = amplifier.limits.drive_w
    known = [preset.drive_w for preset in beside[:NEIGHBOURS] if preset.drive_w]
    if known:
        return max(1, min(max(known), limit_w) if limit_w is not None else max(known))
    usual_w = round(amplifier.output_w / GAIN_ASSUMED)
    return max(1, limit_w if limit_w is not None else usual_w)


def _usual(beside: list[Preset]) -> Usual:
    near = beside[:NEIGHBOURS]
    gains = [each.forward_w / each.drive_w for each in near if each.forward_w and each.drive_w]
    grids = [each.grid_ma / each.forward_w for each in near if each.forward_w and each.grid_ma]
    return Usual(
        sum(gains) / len(gains) if gains else None,
        sum(grids) / len(grids) if grids else None,
    )


def _meters(wiring: Wiring) -> frozenset[str]:
    told = [
        meters.names for output, meters in wiring.meters.items() if CommandName.AMPLIFIER_OPERATE in wiring.of(output)
    ]
    return frozenset(name for names in told for name in names)
