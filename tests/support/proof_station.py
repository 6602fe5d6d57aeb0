"""The small station of the proof: three segments on two bands, an antenna for each, an amplifier, every command wired.

Two bands more are there for the worlds of estimates and of tune-ups: on 15m the topmost of four segments has no preset, but
three beside it; 10m has none at all. Its times are short and multiples of 50 ms, so that differences between them stay few, and each differs from the others,
so that none can stand in for another. All of it is invented.
"""

from dataclasses import dataclass

from qsyd_rules.band import Band
from qsyd_rules.command import CommandName
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.segment import Parts, segments_of
from qsyd_rules.station import Amplifier, AmplifierLimits, Antenna, ChangeOverTimes, Rig, Station, WithoutPreset
from qsyd_rules.tuning import Tuning
from qsyd_rules.wiring import Wiring

MS = 1_000
S = 1_000_000

GUARD_US = 50 * MS
RELAY_US = 100 * MS
TANK_US = 200 * MS
REST_US = 150 * MS
LOST_US = 1 * S
WARM_UP_US = 3 * S
COOL_DOWN_US = 2 * S
KEY_DOWN_US = 4 * S
HYSTERESIS_HZ = 1_000


@dataclass(frozen=True, slots=True)
class Place:
    """Where a dial belongs, written out by hand; `near` are all segments within the hysteresis of it on its band."""

    band: str
    segment: str
    antenna: str
    near: frozenset[str]
    rests_on: str = "preset"
    """What operate may rest on there: `preset`, `estimate`, or `nothing` but a tune-up."""


LOWER, UPPER, FAR, OTHER, OUTSIDE = 14_174_600, 14_175_400, 14_300_000, 7_050_000, 5_000_000
PLACES: dict[int, Place | None] = {
    LOWER: Place("20m", "20m/1", "beam", frozenset({"20m/1", "20m/2"})),
    UPPER: Place("20m", "20m/2", "beam", frozenset({"20m/1", "20m/2"})),
    FAR: Place("20m", "20m/2", "beam", frozenset({"20m/2"})),
    OTHER: Place("40m", "40m/1", "wire", frozenset({"40m/1"})),
    OUTSIDE: None,
}
USUAL = tuple(PLACES)
STORED, GUESS_EDGE, GUESSED, BARE = 21_337_000, 21_338_000, 21_400_000, 28_500_000
PLACES |= {
    STORED: Place("15m", "15m/3", "loop", frozenset({"15m/3", "15m/4"})),
    GUESS_EDGE: Place("15m", "15m/4", "loop", frozenset({"15m/3", "15m/4"}), "estimate"),
    GUESSED: Place("15m", "15m/4", "loop", frozenset({"15m/4"}), "estimate"),
    BARE: Place("10m", "10m/1", "loop", frozenset({"10m/1"}), "nothing"),
}
"""Where the dial may stand: on both sides of an edge within its hysteresis, past it, on another band, on none."""

BANDS = (
    Band("40m", 7_000_000, 7_300_000),
    Band("20m", 14_000_000, 14_350_000),
    Band("15m", 21_000_000, 21_450_000),
    Band("10m", 28_000_000, 29_700_000),
)
SEGMENTS = tuple(
    segment for band, parts in zip(BANDS, (1, 2, 4, 1), strict=True) for segment in segments_of(band, Parts(parts))
)
PORTS = {"beam": 1, "wire": 2, "loop": 3}
TANKS = {
    ("beam", "20m/1"): (11, 21),
    ("beam", "20m/2"): (12, 22),
    ("wire", "40m/1"): (13, 23),
    ("loop", "15m/1"): (1000, 1400),
    ("loop", "15m/2"): (960, 1320),
    ("loop", "15m/3"): (920, 1240),
}
DRIVEN_W = {("loop", "15m/1"): 60, ("loop", "15m/2"): 60, ("loop", "15m/3"): 60}
"""The drive that these were saved with; the others do not tell."""
GUESSES = {("loop", "15m/4"): (881, 1162)}
"""What the law `a + b/f^2` makes of the three beside it (a fit done apart, in the test of this table)."""
GUESS_W = 15
"""A quarter of their drive."""
TUNINGS: dict[str, Tuning | None] = {
    "nothing": None,
    "10m/1": Tuning("loop", "10m/1", 10, Preset("loop", "10m/1", 31, 41)),
    "10m/1, held": Tuning("loop", "10m/1", 10, Preset("loop", "10m/1", 31, 41), "a reading"),
    "20m/1": Tuning("beam", "20m/1", 12, Preset("beam", "20m/1", 51, 61)),
}
"""What may be tuned up, by the words of a printed history."""

STATION = Station(
    name="Shingle Spit",
    region=2,
    bands=BANDS,
    segments=SEGMENTS,
    rigs=(Rig("main", LOST_US),),
    antennas=(Antenna("beam", 1, ("20m",)), Antenna("wire", 2, ("40m",)), Antenna("loop", 3, ("15m", "10m"))),
    amplifier=Amplifier(
        "main",
        ("20m", "40m", "15m", "10m"),
        warm_up_us=WARM_UP_US,
        cool_down_us=COOL_DOWN_US,
        without_preset=WithoutPreset.ESTIMATE,
        limits=AmplifierLimits(key_down_us=KEY_DOWN_US),
    ),
    change_over=ChangeOverTimes(GUARD_US, RELAY_US, TANK_US, REST_US, HYSTERESIS_HZ),
)
ATLAS = Atlas(STATION)
EDGES = {segment.name: (segment.low_hz, segment.high_hz) for segment in SEGMENTS}
PRESETS = {
    key: Preset(*key, *tank, drive_w=DRIVEN_W.get(key), low_hz=EDGES[key[1]][0], high_hz=EDGES[key[1]][1])
    for key, tank in TANKS.items()
}
_PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
_SWITCH = frozenset({CommandName.SELECT_ANTENNA})
OUTPUTS = {"permit": _PERMIT, "switch": _SWITCH, "amp": frozenset(CommandName) - _PERMIT - _SWITCH}
WIRING = Wiring(OUTPUTS)
