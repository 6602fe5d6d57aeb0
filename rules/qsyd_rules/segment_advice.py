"""How many segments a band needs on an antenna: the tank and the antenna together decide what one setting spans.

A tank that is left alone detunes as the frequency leaves the segment's centre, and the antenna's impedance moves with it.
Both are series RLC circuits here, `Z = R [1 + jQ u]` with `u = f/f0 - f0/f`; a detuning of `x = Q u` is a mismatch S with
`(S - 1)^2 / S = x^2` (from the bandwidth of the matched circuit, `2 sqrt(beta) / Q` of Yaghjian and Best, IEEE Trans.
Antennas and Propagation, 2005; formula from memory). How the two add depends on the length of the feed line, so they are
taken to add as badly as they can: the mismatches multiply. Held against a pi tank solved exactly, behind lines of up to
half a wavelength, that is at most a tenth too low where the SWR is below 2.5 at the centre; how much it is too high
depends on the line. With a worse SWR, or a line of more than a wavelength, the line itself stores energy and the truth
may be worse.

The antenna is measured where there are three presets or more with readings in the band, at three segment centres: with
`G = (S^2 + 1) / (2 S)` the model says `G = A + B u^2`, which is linear in 1, f^2 and f^-2, so ordinary least squares fit it.
Else it is what the station file says of its resonances; else only the tank is known, and that is said.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import inf, sqrt

from qsyd_rules.band import Band
from qsyd_rules.over import reflection, swr_of
from qsyd_rules.preset import Presets, PresetStanding, standing
from qsyd_rules.segment import Parts, Segment, segments_of
from qsyd_rules.station import Antenna, Resonance, Station

PARTS_MOST = 60
"""No band is advised to be cut finer than this."""
MISFIT_MOST = 0.15
"""A fit that misses a measured SWR by more than this part of it is no fit."""
BANDWIDTH_SWR = 2.0
ROUNDING = 0.005
"""The circuit is symmetric in u and the segments are in f, so a lower edge is off a little more than the formula says."""


class Source(StrEnum):
    """Where what is known of an antenna in a band comes from."""

    MEASURED = "measured"
    FILE = "station file"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Resonator:
    """A series RLC antenna near one resonance: `G = a + b u^2`, and the SWR follows from `G`."""

    resonance_hz: float
    a: float
    """`(S^2 + 1) / (2 S)` at resonance; 1 where it is matched there."""
    b: float

    def swr(self, hz: float) -> float:
        """SWR at this frequency."""
        g = self.a + self.b * _u(hz, self.resonance_hz) ** 2
        return g + sqrt(max(0.0, g * g - 1))

    @property
    def best_swr(self) -> float:
        """SWR at resonance."""
        return self.a + sqrt(max(0.0, self.a * self.a - 1))

    @property
    def q(self) -> float:
        """Q of the circuit, `b = r Q^2 / 2`. A resistance above or below the line's gives the same SWR: the sharper counts."""
        return sqrt(2 * self.b * self.best_swr)

    @property
    def bandwidth_hz(self) -> float | None:
        """Width within 2:1; None where the SWR is never that low."""
        spare = _g(BANDWIDTH_SWR) - self.a
        return self.resonance_hz * sqrt(spare / self.b) if spare > 0 and self.b > 0 else None

    def change(self, hz: float, centre_hz: float) -> float:
        """Mismatch at `hz` of what was matched at `centre_hz`; the line between does not matter to it."""
        return _swr_of_detuning(self.q * (_u(hz, self.resonance_hz) - _u(centre_hz, self.resonance_hz)))


@dataclass(frozen=True, slots=True)
class Advice:
    """What one band needs on one antenna. Mismatches are what the tube would see at the worst edge, as an SWR."""

    antenna: str
    band: str
    source: Source
    resonator: Resonator | None
    segments: int
    """As the station file has them."""
    edge_swr: float
    """Worst at their edges."""
    wanted_swr: float
    needed: int | None
    """Equal parts that keep to `wanted_swr`; None where even `PARTS_MOST` do not."""
    needed_edge_swr: float | None
    points: int
    """Measured SWRs that it rests on."""


def advice_of(station: Station, presets: Presets) -> tuple[Advice, ...]:
    """The advice for every antenna and band that the amplifier serves there, in order of the file."""
    amplifier = station.amplifier
    if amplifier is None:
        return ()
    advice = []
    for antenna in station.antennas:
        if antenna.max_power_w is not None and antenna.max_power_w < amplifier.output_w:
            continue
        advice += [
            _advise(station, antenna, band, presets)
            for band in station.bands
            if band.name in antenna.bands and band.name in amplifier.bands
        ]
    return tuple(advice)


def resonator_of(resonance: Resonance) -> Resonator:
    """The circuit with this resonance, SWR there and 2:1 bandwidth. `swr` must be below 2."""
    a = _g(float(resonance.swr))
    width = resonance.bandwidth_hz / resonance.frequency_hz
    return Resonator(resonance.frequency_hz, a, (_g(BANDWIDTH_SWR) - a) / width**2)


def fitted(points: list[tuple[int, float]]) -> Resonator | None:
    """The circuit through measured (hertz, SWR), by least squares; None where they are no such circuit.

    `G = (A - 2B) + (B/f0^2) f^2 + (B f0^2) f^-2`: both of the last coefficients are above zero for a resonance.
    """
    if len({hz for hz, _ in points}) < 3 or any(swr == inf for _, swr in points):
        return None
    middle_hz = sum(hz for hz, _ in points) / len(points)
    rows = [(1.0, (hz / middle_hz) ** 2, (middle_hz / hz) ** 2) for hz, _ in points]
    solution = _least_squares(rows, [_g(swr) for _, swr in points])
    if solution is None:
        return None
    constant, rising, falling = solution
    if rising <= 0 or falling <= 0:
        return None
    b = sqrt(rising * falling)
    circuit = Resonator(middle_hz * (falling / rising) ** 0.25, max(1.0, constant + 2 * b), b)
    if any(abs(circuit.swr(hz) / swr - 1) > MISFIT_MOST for hz, swr in points):
        return None
    return circuit


def edge_swr(segments: Iterable[Segment], loaded_q: Fraction, circuit: Resonator | None) -> float:
    """The worst mismatch at the edges of these segments, each with tank and antenna matched at its centre."""
    worst = 1.0
    for segment in segments:
        for hz in (segment.low_hz, segment.high_hz):
            worst = max(worst, tube_swr(hz, segment.centre_hz, loaded_q, circuit))
    return worst


def tube_swr(hz: float, centre_hz: float, loaded_q: Fraction, circuit: Resonator | None) -> float:
    """The worst mismatch that the tube may see at `hz`, tank and antenna matched at `centre_hz` and left alone.

    Without a circuit the antenna is taken to be the same everywhere: the tank alone.
    """
    tank = _swr_of_detuning(float(loaded_q) * _u(hz, centre_hz))
    return tank * circuit.change(hz, centre_hz) if circuit is not None else tank


def _advise(station: Station, antenna: Antenna, band: Band, presets: Presets) -> Advice:
    mine = [segment for segment in station.segments if segment.band == band.name]
    points = _measured(antenna, mine, presets)
    circuit, source = fitted(points), Source.MEASURED
    if circuit is None:
        near = [resonance for resonance in antenna.resonances if resonance.frequency_hz in reach_of(band)]
        circuit = resonator_of(near[0]) if near else None
        source = Source.FILE if near else Source.NOTHING
    tank = station.computed
    wanted = float(tank.edge_swr)
    needed, needed_swr = None, None
    for count in range(1, PARTS_MOST + 1):
        swr = edge_swr(segments_of(band, Parts(count)), tank.loaded_q, circuit)
        if swr <= wanted * (1 + ROUNDING):
            needed, needed_swr = count, swr
            break
    return Advice(
        antenna.name,
        band.name,
        source,
        circuit,
        len(mine),
        edge_swr(mine, tank.loaded_q, circuit),
        wanted,
        needed,
        needed_swr,
        len(points) if source is Source.MEASURED else 0,
    )


def reach_of(band: Band) -> range:
    """Where a resonance has to lie to speak for this band: in it, or within a twentieth of its frequency beside it."""
    return range(band.low_hz - band.low_hz // 20, band.high_hz + band.high_hz // 20 + 1)


def _measured(antenna: Antenna, segments: list[Segment], presets: Presets) -> list[tuple[int, float]]:
    points = []
    for segment in segments:
        preset = presets.get((antenna.name, segment.name))
        if preset is None or standing(preset, segment) is not PresetStanding.SAVED:
            continue
        rho = reflection(preset.forward_w, preset.reflected_w)
        if rho is not None and rho < 1:
            points.append((segment.centre_hz, swr_of(rho)))
    return points


def _u(hz: float, resonance_hz: float) -> float:
    return hz / resonance_hz - resonance_hz / hz


def _g(swr: float) -> float:
    return (swr * swr + 1) / (2 * swr)


def _swr_of_detuning(x: float) -> float:
    """S of `(S - 1)^2 / S = x^2`."""
    g = 1 + x * x / 2
    return g + sqrt(g * g - 1)


def _least_squares(rows: list[tuple[float, float, float]], values: list[float]) -> tuple[float, float, float] | None:
    """Normal equations of three unknowns, by elimination with exact fractions: the columns are nearly dependent."""
    exact = [tuple(Fraction(cell) for cell in row) for row in rows]
    matrix = [
        [sum((row[i] * row[j] for row in exact), Fraction(0)) for j in range(3)]
        + [sum((row[i] * Fraction(value) for row, value in zip(exact, values, strict=True)), Fraction(0))]
        for i in range(3)
    ]
    for i in range(3):
        pivot = next((k for k in range(i, 3) if matrix[k][i] != 0), None)
        if pivot is None:
            return None
        matrix[i], matrix[pivot] = matrix[pivot], matrix[i]
        for k in range(3):
            if k != i:
                factor = matrix[k][i] / matrix[i][i]
                matrix[k] = [a - factor * b for a, b in zip(matrix[k], matrix[i], strict=True)]
    first, second, third = (float(matrix[i][3] / matrix[i][i]) for i in range(3))
    return first, second, third
