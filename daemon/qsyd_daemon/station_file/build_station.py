"""The core's view of a station from the models: bands, segments, rigs, antennas, amplifier; all but the rules."""

from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from qsyd_daemon.station_file.errors import nearest
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.model import AntennaKeys, StationKeys
from qsyd_daemon.station_file.yaml_tree import Location
from qsyd_rules.band import Band
from qsyd_rules.band_tables import BandTables
from qsyd_rules.quantity import format_frequency
from qsyd_rules.segment import Computed, Division, Edges, Segment, segments_of
from qsyd_rules.segment_advice import reach_of
from qsyd_rules.station import (
    Amplifier,
    AmplifierLimits,
    Antenna,
    ChangeOverTimes,
    Resonance,
    Rig,
    Station,
    WithoutPreset,
)
from qsyd_rules.words import LicenceClass

LOW_POWER_BANDS = ("60m", "30m")
"""Where the power limits are far below an amplifier's output. Source: 47 CFR 97.313 (c) and (i)."""
WARM_UP_US_USUAL = 120_000_000
"""Less warm-up than this gets a warning. Common practice, no source."""


@dataclass(slots=True)
class Names:
    """What the file declares and the tables know: what a reference may name."""

    rigs: tuple[str, ...]
    antennas: tuple[str, ...]
    outputs: tuple[str, ...]
    bands: dict[str, Band]
    segments: dict[str, Segment] = field(default_factory=dict)
    bands_sure: bool = True
    """False where the region is not known, so that no band can be called unknown."""

    def check_band(self, name: str, location: Location, findings: Findings, region: int) -> None:
        if self.bands_sure and name not in self.bands:
            findings.error(location, f"region {region} has no band `{name}`", nearest(name, self.bands))

    def check_segment(self, name: str, location: Location, findings: Findings) -> None:
        """Judge the name of a segment, unless faults in the bands or their division make it doubtful."""
        band = name.partition("/")[0]
        if name in self.segments or not self.bands_sure:
            return
        if all(findings.is_whole("segments", key) for key in (band, "loaded_q", "edge_swr")):
            same_band = [known for known in self.segments if known.startswith(f"{band}/")]
            hint = nearest(name, same_band or self.segments)
            if "/" not in name and same_band:
                hint = f"write it as BAND/N, such as {same_band[0]}"
            findings.error(location, f"there is no segment `{name}`", hint)


def station_of(keys: StationKeys, tables: BandTables, findings: Findings) -> tuple[Station, Names]:
    """The station without its rules, and the names that rules and tests may use."""
    licence = None if keys.privileges is None else LicenceClass(keys.privileges)
    bands = tables.bands(keys.region, licence)
    names = Names(
        findings.names("rigs"),
        findings.names("antennas"),
        findings.names("outputs"),
        {band.name: band for band in bands},
        bands_sure=findings.is_whole("region") and findings.is_whole("privileges"),
    )
    if licence is not None and keys.region != 2:
        text = f"{licence} is held to the edges of Region 2 and of region {keys.region}"
        findings.warning(("privileges",), text, "leave privileges out where the US rules do not apply")
    for section in ("rigs", "antennas"):
        if not findings.names(section) and findings.is_whole(section):
            findings.error((section,), f"`{section}` names none", "name at least one", key=True)
    segments = _segments(keys, names, findings)
    names.segments = {segment.name: segment for segment in segments}
    station = Station(
        name=keys.station,
        region=keys.region,
        bands=bands,
        segments=segments,
        rigs=_rigs(keys, findings),
        antennas=_antennas(keys, names, findings),
        privileges=None if licence is None else tables.privileges(licence),
        amplifier=_amplifier(keys, names, findings),
        change_over=ChangeOverTimes(
            guard_us=keys.change_over.guard,
            relay_settle_us=keys.change_over.relay_settle,
            preset_settle_us=keys.change_over.preset_settle,
            rest_us=keys.change_over.rest,
            hysteresis_hz=keys.change_over.hysteresis,
        ),
        computed=Computed(Fraction(keys.segments.loaded_q), Fraction(keys.segments.edge_swr)),
    )
    return station, names


def _rigs(keys: StationKeys, findings: Findings) -> tuple[Rig, ...]:
    rigs = []
    for name, rig in keys.rigs.items():
        if rig.lost_after < rig.poll:
            at = "lost_after" if findings.is_written(("rigs", name, "lost_after")) else "poll"
            text = "the rig would count as lost between two polls: lost_after is shorter than poll"
            findings.error(("rigs", name, at), text, "use at least a few polls, such as poll 50 ms and lost_after 2 s")
        rigs.append(Rig(name, rig.lost_after))
    return tuple(rigs)


def _antennas(keys: StationKeys, names: Names, findings: Findings) -> tuple[Antenna, ...]:
    antennas = []
    ports: dict[str, str] = {}
    for name, antenna in keys.antennas.items():
        here = ("antennas", name)
        for index, band in enumerate(antenna.bands):
            names.check_band(band, (*here, "bands", index), findings, keys.region)
        for band, count in Counter(antenna.bands).items():
            if count > 1:
                findings.warning((*here, "bands"), f"`{name}` names {band} {count} times", "name it once")
        other = ports.setdefault(str(antenna.port), name)
        if other != name:
            text = f"port {antenna.port} already belongs to `{other}`"
            findings.error((*here, "port"), text, "give each antenna its own port, or list all bands under one")
        resonances = _resonances(antenna, here, names, findings)
        antennas.append(
            Antenna(name, antenna.port, antenna.bands, antenna.max_power, resonances, antenna.matching or 0)
        )
    return tuple(antennas)


def _resonances(antenna: AntennaKeys, here: Location, names: Names, findings: Findings) -> tuple[Resonance, ...]:
    """Each is near one of the antenna's bands, and narrower than its own frequency."""
    found = []
    bands = [names.bands[name] for name in antenna.bands if name in names.bands]
    for index, keys in enumerate(antenna.resonances):
        place = (*here, "resonances", index)
        if 2 * keys.bandwidth > keys.frequency:
            text = f"a bandwidth of {format_frequency(keys.bandwidth)} at {format_frequency(keys.frequency)} is no resonance"
            findings.error((*place, "bandwidth"), text, "write the width within which the SWR stays below 2")
        near = any(keys.frequency in reach_of(band) for band in bands)
        if not near and bands and names.bands_sure and findings.is_whole(*here, "bands"):
            listed = ", ".join(band.name for band in bands)
            text = f"{format_frequency(keys.frequency)} is near none of the antenna's bands, {listed}"
            findings.error((*place, "frequency"), text, "write a resonance in or beside one of them, or leave it out")
        found.append(Resonance(keys.frequency, keys.bandwidth, keys.swr))
    return tuple(found)


def _amplifier(keys: StationKeys, names: Names, findings: Findings) -> Amplifier | None:
    amplifier = keys.amplifier
    if amplifier is None:
        return None
    follows = amplifier.follows
    if follows is None:
        follows = next(iter(keys.rigs), "?")
    elif follows not in names.rigs:
        findings.error(("amplifier", "follows"), f"there is no rig `{follows}`", nearest(follows, names.rigs))
    if 0 < amplifier.warm_up < WARM_UP_US_USUAL:
        at: Location = ("amplifier", "warm_up")
        findings.warning(
            at, "warm-up is under 120 s", "a shorter one than the tube's data sheet asks for costs cathode life"
        )
    covered = {band for antenna in keys.antennas.values() for band in antenna.bands}
    bands = amplifier.bands
    if bands is None:
        bands = tuple(name for name in names.bands if name in covered and name not in LOW_POWER_BANDS)
    for index, band in enumerate(amplifier.bands or ()):
        place: Location = ("amplifier", "bands", index)
        names.check_band(band, place, findings, keys.region)
        if band in names.bands and band not in covered and findings.is_whole("antennas"):
            findings.warning(place, f"no antenna covers {band}", "leave it out, or give an antenna this band")
    limits = amplifier.limits
    return Amplifier(
        follows=follows,
        bands=bands,
        warm_up_us=amplifier.warm_up,
        cool_down_us=amplifier.cool_down,
        output_w=amplifier.output,
        without_preset=WithoutPreset(amplifier.without_preset),
        limits=AmplifierLimits(
            grid_current_ma=limits.grid_current,
            plate_current_ma=limits.plate_current,
            reflected_power_w=limits.reflected_power,
            swr=limits.swr,
            drive_w=limits.drive,
            gain_min=limits.gain[0] if limits.gain else None,
            gain_max=limits.gain[1] if limits.gain else None,
            plate_voltage_min_v=limits.plate_voltage[0] if limits.plate_voltage else None,
            plate_voltage_max_v=limits.plate_voltage[1] if limits.plate_voltage else None,
            temperature_c=limits.temperature,
            dissipation_w=limits.dissipation,
            forward_floor_w=limits.forward_floor,
            key_down_us=limits.key_down,
        ),
    )


def _segments(keys: StationKeys, names: Names, findings: Findings) -> tuple[Segment, ...]:
    divisions: dict[str, Division] = dict(keys.segments.__pydantic_extra__ or {})
    for name in divisions:
        if name not in names.bands and names.bands_sure:
            known = (*names.bands, *type(keys.segments).model_fields)
            what = f"`{name}` is neither a band of region {keys.region} nor a key of `segments`"
            findings.error(("segments", name), what, nearest(name, known), key=True)
    computed = Computed(Fraction(keys.segments.loaded_q), Fraction(keys.segments.edge_swr))
    segments: list[Segment] = []
    for band in names.bands.values():
        division = divisions.get(band.name, computed)
        if isinstance(division, Edges) and not _edges_fit(band, division.edges_hz, findings):
            findings.leave_out(("segments", band.name))
            continue
        try:
            segments.extend(segments_of(band, division))
        except ValueError as error:
            place: Location = ("segments", band.name)
            if division is computed:
                place = ("segments", "edge_swr" if findings.is_written(("segments", "edge_swr")) else "loaded_q")
            findings.error(place, str(error), "use fewer segments, or leave the default")
            findings.leave_out(("segments", band.name))
    return tuple(segments)


def _edges_fit(band: Band, edges_hz: tuple[int, ...], findings: Findings) -> bool:
    """Report every edge that is wrong, at its own place; whether none is."""
    place: Location = ("segments", band.name)
    own = f"{format_frequency(band.low_hz)} and {format_frequency(band.high_hz)}"
    before = len(findings.errors)
    if len(edges_hz) < 2:
        findings.error(place, f"{len(edges_hz)} edges make no segment", f"begin and end with {band.name}'s own, {own}")
        return False
    for index, (lower_hz, upper_hz) in enumerate(pairwise(edges_hz), start=1):
        if upper_hz <= lower_hz:
            text = f"segment edge {format_frequency(upper_hz)} follows {format_frequency(lower_hz)}"
            findings.error((*place, index), text, "edges must rise")
    for index, edge_hz, which in ((0, band.low_hz, "first"), (len(edges_hz) - 1, band.high_hz, "last")):
        if edges_hz[index] != edge_hz:
            text = f"the {which} edge of {band.name} is {format_frequency(edges_hz[index])}"
            findings.error((*place, index), text, f"it must be the band's own, {format_frequency(edge_hz)}")
    return len(findings.errors) == before
