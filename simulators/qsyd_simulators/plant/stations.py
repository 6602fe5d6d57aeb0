"""Ready-made stations, all invented: three antennas each, between them 80m to 10m.

Resistances, Qs and cable lengths are round figures of wire antennas and small beams over ground (from memory: a half-wave
dipole has Q 10 to 15 and 40 to 100 ohm with height).
"""

from collections.abc import Callable

from qsyd_simulators.plant.aerial_run import AerialRun
from qsyd_simulators.plant.antenna import Antenna, Resonance
from qsyd_simulators.plant.feed_line import FeedLine
from qsyd_simulators.plant.matching_unit import MatchingUnit
from qsyd_simulators.plant.meters import Meters, usual_meters
from qsyd_simulators.plant.stage import PI_L_MAKE, PI_MAKE
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.tank import HF_BANDS
from qsyd_simulators.plant.trips import Trips
from qsyd_simulators.plant.weather import CALM, Weather, changeable

PLOVER_SANDS = {
    1: AerialRun(
        Antenna(
            "mast-beam",
            (
                Resonance(42.0, 14_160_000, 14.0),
                Resonance(46.0, 18_110_000, 15.0),
                Resonance(48.0, 21_190_000, 15.0),
                Resonance(52.0, 24_930_000, 14.0),
                Resonance(47.0, 28_550_000, 13.0),
            ),
        ),
        FeedLine(length_m=38.0, loss_db_at_10_mhz=0.55),
    ),
    2: AerialRun(
        Antenna("shore-dipole", (Resonance(58.0, 3_720_000, 12.0), Resonance(62.0, 7_120_000, 11.0))),
        FeedLine(length_m=27.0, loss_db_at_10_mhz=0.35),
        MatchingUnit(),
    ),
    3: AerialRun(
        Antenna("dune-vertical", (Resonance(37.0, 7_060_000, 9.0), Resonance(55.0, 21_150_000, 10.0))),
        FeedLine(length_m=52.0, loss_db_at_10_mhz=0.75),
    ),
}
"""Port by port, a sandy coast: `mast-beam`, `shore-dipole` and `dune-vertical`."""

ORCHARD_BANK = {
    1: AerialRun(
        Antenna("gable-dipole", (Resonance(66.0, 3_650_000, 13.0), Resonance(54.0, 7_150_000, 12.0))),
        FeedLine(length_m=19.0, loss_db_at_10_mhz=0.3),
    ),
    2: AerialRun(
        Antenna(
            "apple-fan",
            (Resonance(61.0, 14_180_000, 11.0), Resonance(64.0, 21_240_000, 11.5), Resonance(68.0, 28_600_000, 12.0)),
        ),
        FeedLine(length_m=24.0, loss_db_at_10_mhz=0.4),
    ),
    3: AerialRun(
        Antenna("pole-loop", (Resonance(71.0, 18_120_000, 10.0), Resonance(75.0, 24_940_000, 10.0))),
        FeedLine(length_m=31.0, loss_db_at_10_mhz=0.45),
        MatchingUnit(),
    ),
}
"""Port by port, a garden inland: `gable-dipole`, `apple-fan` and `pole-loop`."""

HERON_POINT = {
    1: AerialRun(
        Antenna(
            "reed-beam",
            (
                Resonance(44.0, 14_170_000, 13.0),
                Resonance(47.0, 18_115_000, 14.0),
                Resonance(49.0, 21_200_000, 14.0),
                Resonance(51.0, 24_940_000, 14.0),
                Resonance(48.0, 28_800_000, 11.0),
            ),
        ),
        FeedLine(length_m=33.0, loss_db_at_10_mhz=0.5),
    ),
    2: AerialRun(
        Antenna("cage-dipole", (Resonance(55.0, 3_740_000, 4.5), Resonance(60.0, 7_140_000, 8.0))),
        FeedLine(length_m=22.0, loss_db_at_10_mhz=0.3),
    ),
    3: AerialRun(
        Antenna("marsh-vertical", (Resonance(39.0, 7_120_000, 8.0), Resonance(54.0, 21_200_000, 10.0))),
        FeedLine(length_m=47.0, loss_db_at_10_mhz=0.7),
    ),
}
"""Port by port, an estuary: `reed-beam`, `cage-dipole` (thick enough to serve all of 80m) and `marsh-vertical`."""


def heron_point(
    seed: int = 1, *, weather: Weather | None = None, meters: Meters | None = None, trips: Trips | None = None
) -> StationPlant:
    """A pi network and a tube of gain 30, on antennas that bear the amplifier over all their bands; calm weather."""
    return StationPlant(
        HERON_POINT,
        PI_MAKE,
        weather=CALM if weather is None else weather,
        meters=usual_meters(seed) if meters is None else meters,
        trips=trips,
    )


def plover_sands(
    seed: int = 1, *, weather: Weather | None = None, meters: Meters | None = None, trips: Trips | None = None
) -> StationPlant:
    """A pi network and a tube of gain 30; the weather changes, the meters are as good as usual ones."""
    return StationPlant(
        PLOVER_SANDS,
        PI_MAKE,
        weather=changeable(seed) if weather is None else weather,
        meters=usual_meters(seed) if meters is None else meters,
        trips=trips,
    )


def orchard_bank(
    seed: int = 1, *, weather: Weather | None = None, meters: Meters | None = None, trips: Trips | None = None
) -> StationPlant:
    """A pi-L network and tubes of gain 20; calm weather, the meters are as good as usual ones."""
    return StationPlant(
        ORCHARD_BANK,
        PI_L_MAKE,
        weather=CALM if weather is None else weather,
        meters=usual_meters(seed) if meters is None else meters,
        trips=trips,
    )


def bands_of(run: AerialRun) -> list[str]:
    """The bands that an antenna has a resonance in."""
    return [
        name
        for name, low_hz, high_hz in HF_BANDS
        if any(low_hz <= resonance.resonant_hz <= high_hz for resonance in run.antenna.resonances)
    ]


STATIONS: dict[str, Callable[..., StationPlant]] = {
    "plover-sands": plover_sands,
    "orchard-bank": orchard_bank,
    "heron-point": heron_point,
}
"""By name, as the command line has them."""
