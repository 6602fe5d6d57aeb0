"""The small station of the proof: three segments on two bands, two antennas, an amplifier, every command wired.

Its times are short and multiples of 50 ms, so that differences between them stay few, and each differs from the others,
so that none can stand in for another. All of it is invented.
"""

from dataclasses import dataclass

from qsyd_rules.band import Band
from qsyd_rules.command import CommandName
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.segment import Parts, segments_of
from qsyd_rules.station import Amplifier, AmplifierLimits, Antenna, ChangeOverTimes, Rig, Station
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


LOWER, UPPER, FAR, OTHER, OUTSIDE = 14_174_600, 14_175_400, 14_300_000, 7_050_000, 5_000_000
PLACES: dict[int, Place | None] = {
    LOWER: Place("20m", "20m/1", "beam", frozenset({"20m/1", "20m/2"})),
    UPPER: Place("20m", "20m/2", "beam", frozenset({"20m/1", "20m/2"})),
    FAR: Place("20m", "20m/2", "beam", frozenset({"20m/2"})),
    OTHER: Place("40m", "40m/1", "wire", frozenset({"40m/1"})),
    OUTSIDE: None,
}
"""Where the dial may stand: on both sides of an edge within its hysteresis, past it, on another band, on none."""

BANDS = (Band("40m", 7_000_000, 7_300_000), Band("20m", 14_000_000, 14_350_000))
SEGMENTS = (*segments_of(BANDS[0], Parts(1)), *segments_of(BANDS[1], Parts(2)))
PORTS = {"beam": 1, "wire": 2}
TANKS = {("beam", "20m/1"): (11, 21), ("beam", "20m/2"): (12, 22), ("wire", "40m/1"): (13, 23)}

STATION = Station(
    name="Shingle Spit",
    region=2,
    bands=BANDS,
    segments=SEGMENTS,
    rigs=(Rig("main", LOST_US),),
    antennas=(Antenna("beam", 1, ("20m",)), Antenna("wire", 2, ("40m",))),
    amplifier=Amplifier(
        "main",
        ("20m", "40m"),
        warm_up_us=WARM_UP_US,
        cool_down_us=COOL_DOWN_US,
        limits=AmplifierLimits(key_down_us=KEY_DOWN_US),
    ),
    change_over=ChangeOverTimes(GUARD_US, RELAY_US, TANK_US, REST_US, HYSTERESIS_HZ),
)
ATLAS = Atlas(STATION)
EDGES = {segment.name: (segment.low_hz, segment.high_hz) for segment in SEGMENTS}
PRESETS = {
    (antenna, segment): Preset(antenna, segment, *tank, low_hz=EDGES[segment][0], high_hz=EDGES[segment][1])
    for (antenna, segment), tank in TANKS.items()
}
_PERMIT = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT})
_SWITCH = frozenset({CommandName.SELECT_ANTENNA})
OUTPUTS = {"permit": _PERMIT, "switch": _SWITCH, "amp": frozenset(CommandName) - _PERMIT - _SWITCH}
WIRING = Wiring(OUTPUTS)
