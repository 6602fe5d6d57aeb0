"""What recalling presets is worth: the same random jumps of the dial with presets and without, side by side.

After each jump the operator keys with a quarter of the drive. The mismatch that the tube sees at that first key-down is
noted, then automatic tuning works until the tank is right, and that time is noted too.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from random import Random
from statistics import median

from qsyd_rules.event import AmplifierRequest, FaultAcknowledged, PresetsChanged
from qsyd_rules.preset import Preset, Presets
from qsyd_rules.station import Station, WithoutPreset
from qsyd_rules.words import AmplifierState
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.unattended import UnattendedStation

DRIVE_W = 12.0
GOOD_SWR = 1.2
"""A mismatch at the tube under this is a good tune. Common practice, no source."""
FIRST_LOOK_US = 100_000
LOOK_US = 20_000
GIVE_UP_US = 15_000_000


@dataclass(frozen=True, slots=True)
class Jump:
    """One jump of the dial and what came of it."""

    frequency_hz: int
    mismatch_swr: float
    """At the first key-down, as the tube sees it."""
    tuned_s: float
    """Keyed time until the tune was good; `GIVE_UP_US` where it never was."""
    tripped: bool
    """Whether a protection ended it."""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the comparison."""

    jumps: tuple[Jump, ...]

    @property
    def mismatch_median(self) -> float:
        return median(jump.mismatch_swr for jump in self.jumps)

    @property
    def mismatch_worst(self) -> float:
        return max(jump.mismatch_swr for jump in self.jumps)

    @property
    def trips(self) -> int:
        return sum(jump.tripped for jump in self.jumps)

    @property
    def tuned_median_s(self) -> float:
        return median(jump.tuned_s for jump in self.jumps)

    @property
    def tuned_worst_s(self) -> float:
        return max(jump.tuned_s for jump in self.jumps)


def random_dial(station: Station, seed: int, jumps: int) -> list[int]:
    """Frequencies anywhere in the amplifier's bands, no two in a row in one segment."""
    random, found, last = Random(seed), list[int](), None
    served = [segment for segment in station.segments if station.amplifier and segment.band in station.amplifier.bands]
    while len(found) < jumps:
        segment = random.choice(served)
        if segment != last:
            found.append(random.randrange(segment.low_hz + 2_000, segment.high_hz - 2_000))
            last = segment
    return found


def with_recall(station: Station, plant: StationPlant, presets: Presets, dial: list[int]) -> Side:
    """The jumps on a station with these presets."""
    return _jumped(station, plant, presets, dial)


def without_recall(station: Station, plant: StationPlant, dial: list[int]) -> Side:
    """The jumps on the same station without any: the tank stays where the last jump has left it."""
    if station.amplifier is None:
        raise ValueError("a station without an amplifier")
    bare = replace(station, amplifier=replace(station.amplifier, without_preset=WithoutPreset.OPERATE))
    return _jumped(bare, plant, {}, dial)


def _jumped(station: Station, plant: StationPlant, presets: Mapping[tuple[str, str], Preset], dial: list[int]) -> Side:
    unattended = UnattendedStation(station, plant)
    unattended.tell(PresetsChanged(unattended.now_us, dict(presets)))
    unattended.warm_up()
    unattended.ask(AmplifierRequest.OPERATE)
    return Side(tuple(_jump(unattended, frequency_hz) for frequency_hz in dial))


def _jump(unattended: UnattendedStation, frequency_hz: int) -> Jump:
    plant = unattended.plant
    _ready(unattended)
    unattended.turn_dial(frequency_hz)
    segment = unattended.core.atlas.segment_at(frequency_hz)
    name = segment.name if segment is not None else None
    unattended.run(
        lambda: (
            (sight := unattended.sight()).segment == name
            and sight.amplifier is AmplifierState.OPERATE
            and sight.released
            and sight.antenna is not None
        ),
        60_000_000,
    )
    unattended.pass_time(1_000_000)
    unattended.set_drive(DRIVE_W)
    unattended.key(True)
    began_us = unattended.now_us
    unattended.pass_time(FIRST_LOOK_US)
    first = plant.truth(unattended.now_us).mismatch_swr or 1.0
    plant.auto_tune(True, unattended.now_us)
    while True:
        truth = plant.truth(unattended.now_us)
        if truth.mismatch_swr is not None and truth.mismatch_swr <= GOOD_SWR:
            break
        if unattended.now_us >= began_us + GIVE_UP_US or unattended.sight().fault is not None:
            break
        unattended.pass_time(LOOK_US)
    tripped = unattended.sight().fault is not None
    tuned_s = GIVE_UP_US / 1e6 if tripped else (unattended.now_us - began_us - FIRST_LOOK_US) / 1e6
    unattended.key(False)
    plant.auto_tune(False, unattended.now_us)
    unattended.pass_time(500_000)
    return Jump(frequency_hz, first, tuned_s, tripped)


def _ready(unattended: UnattendedStation) -> None:
    """After a trip: acknowledged, warmed up anew where that is needed, and operate asked for again."""
    if unattended.sight().fault is None:
        return
    unattended.tell(FaultAcknowledged(unattended.now_us, 0, None, "operator", "a trial without presets"))
    if unattended.sight().amplifier in {AmplifierState.OFF, AmplifierState.COOL_DOWN}:
        unattended.warm_up()
    unattended.ask(AmplifierRequest.OPERATE_WHEN_READY)
    unattended.run(lambda: unattended.sight().wish, 600_000_000)
