"""Where a frequency places the station: antenna, segment, preset, drive, and what forbids transmitting there.

A `Placement` is a decision, not a deed: it says what has to be right before the first key-down, and why.
"""

from dataclasses import dataclass, replace

from qsyd_rules.band import Band
from qsyd_rules.estimate import Estimate, estimate, reduced_drive_w
from qsyd_rules.preset import Preset, Presets, PresetStanding, adopt, standing
from qsyd_rules.quantity import format_frequency
from qsyd_rules.rulebook import Rulebook, Selections, Situation
from qsyd_rules.segment import Segment, SegmentIndex
from qsyd_rules.station import Amplifier, Antenna, Send, Station, WithoutPreset
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import Mode

_SIDEBAND_HZ = {Mode.USB: (0, 3_000), Mode.LSB: (-3_000, 0), Mode.AM: (-3_000, 3_000)}
"""What a voice signal occupies around the dial. Common practice, no source."""
PLACES_KEPT = 64
"""So many answers an atlas remembers."""


@dataclass(frozen=True, slots=True)
class Advice:
    """A warning about a place, and the rule that gave it (None where no rule did)."""

    text: str
    rule: str | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """One decision. None stands for what does not exist: no band, no antenna that serves, no preset."""

    rig: str
    frequency_hz: int
    """The transmit frequency."""
    band: Band | None
    segment: Segment | None
    antenna: Antenna | None
    preset: Preset | None
    """The preset to recall: that of this antenna and segment, if it is not stale and the amplifier serves here."""
    preset_standing: PresetStanding | None
    """None where no amplifier serves, so that a preset means nothing."""
    drive_w: int | None
    barefoot_because: str | None
    """Why the amplifier stays in standby here, whatever the operator wishes; None where it may operate."""
    inhibits: tuple[str, ...]
    """Every reason of this place to forbid transmitting."""
    advice: tuple[Advice, ...]
    sends: tuple[tuple[str, Send], ...]
    """Texts that rules send while they hold, each with its rule's name."""
    selections: Selections
    estimate: Estimate | None = None
    """What is recalled instead of a preset, where there is none and the station file allows an estimate."""
    held: bool = False
    """Whether the antenna is the one that an operator holds."""

    @property
    def key(self) -> tuple[str | None, str | None, bool]:
        """What makes two places the same for the relays: antenna, segment, and whether the amplifier serves."""
        return (
            self.antenna.name if self.antenna else None,
            self.segment.name if self.segment else None,
            self.barefoot_because is None,
        )

    @property
    def served(self) -> bool:
        """Whether an antenna serves this frequency at all."""
        return self.antenna is not None and self.segment is not None


class Atlas:
    """Everything that placing needs, prepared once for a station; immutable."""

    __slots__ = (
        "_bands",
        "_by_name",
        "_estimated",
        "_first_antenna",
        "_placed",
        "_segments",
        "rulebook",
        "segments_by_name",
        "station",
    )

    def __init__(self, station: Station) -> None:
        self.station = station
        self.rulebook = Rulebook(station)
        self._segments = SegmentIndex(station.segments)
        self._bands = {band.name: band for band in station.bands}
        self.segments_by_name = {segment.name: segment for segment in station.segments}
        self._by_name = {antenna.name: antenna for antenna in station.antennas}
        self._estimated: tuple[Presets, dict[tuple[str, str], Estimate | None]] = ({}, {})
        self._placed: tuple[Presets, dict[Situation, Placement]] = ({}, {})
        self._first_antenna: dict[str, Antenna] = {}
        for antenna in station.antennas:
            for band in antenna.bands:
                self._first_antenna.setdefault(band, antenna)

    def segment_at(self, frequency_hz: int) -> Segment | None:
        """The segment that holds this frequency; None outside every band."""
        return self._segments.at(frequency_hz)

    def place(self, situation: Situation, presets: Presets) -> Placement:
        """Decide where this situation places the station. Total: every frequency has a placement.

        Most events change nothing that decides, so the latest answers are kept: the same question gets the same object.
        """
        if self._placed[0] is not presets or len(self._placed[1]) >= PLACES_KEPT:
            self._placed = (presets, {})
        known = self._placed[1]
        placement = known.get(situation)
        if placement is None:
            placement = known[situation] = self._place(situation, presets)
        return placement

    def _place(self, situation: Situation, presets: Presets) -> Placement:
        station, frequency_hz = self.station, situation.frequency_hz
        selections = self.rulebook.select(situation)
        segment = self._segments.at(frequency_hz)
        band = self._bands[segment.band] if segment else None
        tuned = self._tuned(situation, segment)
        tuning = situation.tuning if tuned is not None else None
        held = self._held(situation, band) if tuning is None else None
        if held is not None and selections.antenna is not None:
            selections = replace(selections, antenna=None)  # it goes before the rules
        antenna = tuned or held or self._antenna(selections, band)
        inhibits, advice, sends = self._remarks(selections)
        if band is None:
            inhibits = (f"{format_frequency(frequency_hz)} is outside every band of region {station.region}", *inhibits)
        elif antenna is None:
            inhibits = (f"no antenna serves {band.name}", *inhibits)
        if band is not None and station.privileges is not None:
            refusal = station.privileges.refusal(frequency_hz, situation.mode)
            if refusal is not None:
                inhibits = (refusal, *inhibits)
        elif band is not None:
            past = _past_the_edge(frequency_hz, situation.mode, band)
            advice = (Advice(past), *advice) if past else advice
        preset, preset_standing, barefoot = self._amplifier(situation, selections, antenna, segment, presets, tuning)
        fitted = None if tuning is not None else self._fitted(antenna, segment, preset_standing, presets)
        return Placement(
            situation.rig,
            frequency_hz,
            band,
            segment,
            antenna,
            preset,
            preset_standing,
            self._drive_w(selections, preset if tuning is None else None, fitted, tuning),
            barefoot,
            inhibits,
            advice,
            sends,
            selections,
            fitted,
            held is not None,
        )

    def _tuned(self, situation: Situation, segment: Segment | None) -> Antenna | None:
        """The antenna that is tuned up where the dial is; None elsewhere, and where another station file has taken it away."""
        tuning = situation.tuning
        if tuning is None or segment is None or segment.name != tuning.segment:
            return None
        antenna = self._by_name.get(tuning.antenna)
        return antenna if antenna is not None and segment.band in antenna.bands else None

    def _held(self, situation: Situation, band: Band | None) -> Antenna | None:
        """The antenna that an operator holds, where it covers the band."""
        if situation.held is None or band is None:
            return None
        antenna = self._by_name.get(situation.held)
        return antenna if antenna is not None and band.name in antenna.bands else None

    def _antenna(self, selections: Selections, band: Band | None) -> Antenna | None:
        if band is None:
            return None
        if selections.antenna is not None:
            name = self.rulebook.rules[selections.antenna].then.antenna
            if name is not None:
                return self._by_name[name]
        return self._first_antenna.get(band.name)

    def _remarks(
        self, selections: Selections
    ) -> tuple[tuple[str, ...], tuple[Advice, ...], tuple[tuple[str, Send], ...]]:
        if not selections.remarks:
            return (), (), ()
        rules = [self.rulebook.rules[number] for number in selections.remarks]
        return (
            tuple(rule.then.inhibit for rule in rules if rule.then.inhibit is not None),
            tuple(Advice(rule.then.warn, rule.name) for rule in rules if rule.then.warn is not None),
            tuple((rule.name, rule.then.send) for rule in rules if rule.then.send is not None),
        )

    def _amplifier(
        self,
        situation: Situation,
        selections: Selections,
        antenna: Antenna | None,
        segment: Segment | None,
        presets: Presets,
        tuning: Tuning | None,
    ) -> tuple[Preset | None, PresetStanding | None, str | None]:
        amplifier = self.station.amplifier
        if antenna is None or segment is None:
            return None, None, "nothing serves this frequency"
        if amplifier is None:
            return None, None, "the station has no amplifier"
        barefoot = self._barefoot(amplifier, situation, antenna, segment)
        if barefoot is not None:
            return None, None, barefoot
        stored = presets.get((antenna.name, segment.name))
        kind = standing(stored, segment)
        if tuning is not None:
            preset = tuning.start
        else:
            preset = adopt(stored, segment) if stored is not None and kind is PresetStanding.SAVED else None
        if selections.amplifier is not None:
            barefoot = f"rule “{self.rulebook.rules[selections.amplifier].name}”"
        elif tuning is None and preset is None and amplifier.without_preset is not WithoutPreset.OPERATE:
            missing = "no preset" if kind is PresetStanding.MISSING else "only a stale preset"
            if amplifier.without_preset is WithoutPreset.STANDBY:
                barefoot = f"{missing} for {antenna.name} on {segment.name}"
            elif self._fitted(antenna, segment, kind, presets) is None:
                barefoot = f"{missing} for {antenna.name} on {segment.name}, and too few beside it for an estimate"
        return preset, kind, barefoot

    def _fitted(
        self, antenna: Antenna | None, segment: Segment | None, kind: PresetStanding | None, presets: Presets
    ) -> Estimate | None:
        """What stands in for a preset here; None where there is one, or nothing may or can."""
        amplifier = self.station.amplifier
        if amplifier is None or amplifier.without_preset is not WithoutPreset.ESTIMATE:
            return None
        if antenna is None or segment is None or kind in {None, PresetStanding.SAVED}:
            return None
        fitted = self.estimate(antenna.name, segment, presets)
        usable = fitted is not None and reduced_drive_w(amplifier.limits.drive_w, fitted) is not None
        return fitted if usable else None

    def estimate(self, antenna: str, segment: Segment, presets: Presets) -> Estimate | None:
        """`estimate.estimate` for this station; worked out once for each state of the store, for it takes up to 2 ms."""
        if self._estimated[0] is not presets:
            self._estimated = (presets, {})
        known = self._estimated[1]
        key = (antenna, segment.name)
        if key not in known:
            known[key] = estimate(presets, antenna, segment, self.station.segments)
        return known[key]

    def _barefoot(self, amplifier: Amplifier, situation: Situation, antenna: Antenna, segment: Segment) -> str | None:
        if situation.rig != amplifier.follows:
            return f"the amplifier follows {amplifier.follows}"
        if segment.band not in amplifier.bands:
            return f"the amplifier does not serve {segment.band}"
        if antenna.max_power_w is not None and antenna.max_power_w < amplifier.output_w:
            return f"{antenna.name} bears {antenna.max_power_w} W, the amplifier gives {amplifier.output_w} W"
        if self.station.privileges is not None:
            limit_w = self.station.privileges.power_limit_w(situation.frequency_hz)
            if limit_w is not None and limit_w < amplifier.output_w:
                return f"the power limit here is {limit_w} W"
        return None

    def _drive_w(
        self, selections: Selections, preset: Preset | None, fitted: Estimate | None, tuning: Tuning | None
    ) -> int | None:
        amplifier = self.station.amplifier
        limits = [
            self.rulebook.rules[selections.drive].then.drive_w if selections.drive is not None else None,
            preset.drive_w if preset is not None else None,
            tuning.drive_w if tuning is not None else None,
            amplifier.limits.drive_w if amplifier is not None else None,
        ]
        if amplifier is not None and fitted is not None:
            limits.append(reduced_drive_w(amplifier.limits.drive_w, fitted))
        return min((limit for limit in limits if limit is not None), default=None)


def _past_the_edge(frequency_hz: int, mode: Mode | None, band: Band) -> str | None:
    """A warning where a voice signal reaches past the band; privileges, where the file has them, forbid it."""
    if mode is None or mode not in _SIDEBAND_HZ:
        return None
    down, up = _SIDEBAND_HZ[mode]
    reach_hz = frequency_hz + (up if frequency_hz + up > band.high_hz else down)
    if reach_hz in band:
        return None
    return f"{mode} on {format_frequency(frequency_hz)} reaches {format_frequency(reach_hz)}, past the band's edge"
