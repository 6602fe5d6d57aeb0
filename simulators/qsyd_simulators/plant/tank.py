"""The output tank: two motor-driven capacitors, and a coil (or two) for each band.

A pi has C1 across the plate, L1, C2 across the output; a pi-L has L2 after it. The tube's own output capacitance and the
wiring's are part of C1, so on the highest bands C1 cannot be as small as one might wish. Coils have a finite Q; the
capacitors' losses are left out. The band switch follows the frequency by itself and always fits.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import log, pi
from typing import NamedTuple

from qsyd_simulators.plant.capacitor import Capacitor
from qsyd_simulators.plant.tank_design import PiElements, PiLElements, pi_elements, pi_l_elements
from qsyd_simulators.plant.two_port import TwoPort, mismatch_swr, series, shunt


@dataclass(frozen=True, slots=True)
class TankBand:
    """The coils that one position of the band switch puts in."""

    name: str
    low_hz: int
    high_hz: int
    l1_h: float
    l2_h: float | None = None
    """None in a pi network."""


class TankSetting(NamedTuple):
    """Positions of both capacitors, and how far off the tube's load is there at best: 1 is right."""

    tune: int
    load: int
    swr: float


@dataclass(frozen=True, slots=True)
class Tank:
    """Everything of the tank that stays; positions, frequency and antenna are asked with."""

    bands: tuple[TankBand, ...]
    tune: Capacitor
    load: Capacitor
    stray_f: float
    """Tube output capacitance and strays, part of C1."""
    coil_q: float = 200.0
    """Unloaded. Common practice, no source: 200 to 400 for a silvered tube coil."""

    def band_at(self, frequency_hz: int) -> TankBand:
        """The band whose coil is switched in: the one that holds the frequency, or the nearest by ratio."""
        return min(self.bands, key=lambda band: _ratio_off(band, frequency_hz))

    def c1_f(self, tune: float) -> float:
        """All the capacitance across the plate."""
        return self.stray_f + self.tune.farads(tune)

    def two_port(self, frequency_hz: int, tune: float, load: float) -> TwoPort:
        """From the plate to the output connector. Positions may lie between two steps."""
        omega = 2 * pi * frequency_hz
        band = self.band_at(frequency_hz)
        chain = shunt(1j * omega * self.c1_f(tune)).then(series(self._coil_ohm(omega, band.l1_h)))
        chain = chain.then(shunt(1j * omega * self.load.farads(load)))
        return chain if band.l2_h is None else chain.then(series(self._coil_ohm(omega, band.l2_h)))

    def plate_load_ohm(self, frequency_hz: int, tune: float, load: float, antenna_ohm: complex) -> complex:
        """What the tube sees."""
        return self.two_port(frequency_hz, tune, load).input_ohm(antenna_ohm)

    def swr_at(self, frequency_hz: int, tune: float, load: float, antenna_ohm: complex, wanted_ohm: float) -> float:
        """The mismatch that the tube sees, against the load it wants."""
        return mismatch_swr(self.plate_load_ohm(frequency_hz, tune, load, antenna_ohm), wanted_ohm)

    def solve(self, frequency_hz: int, antenna_ohm: complex, wanted_ohm: float) -> TankSetting:
        """The positions that present `wanted_ohm` to the tube most nearly; `swr` says how nearly.

        C1 does not change the conductance at the plate, so C2 alone settles that and C1 then tunes what is left out:
        Re(Y) falls to 1/R at one C2 or a few, of which the largest is the usual one; it is found by bisection among whole
        positions. Where there is none (an antenna that the tank cannot match) the best of what the end stops leave is
        returned.
        """
        omega = 2 * pi * frequency_hz
        stray = self.tune.farads(0) + self.stray_f

        def beyond_c1_s(load: int) -> complex:
            return 1 / self.two_port(frequency_hz, 0, load).input_ohm(antenna_ohm) - 1j * omega * stray

        def excess_s(load: int) -> float:
            return beyond_c1_s(load).real - 1 / wanted_ohm

        def setting(load: int) -> TankSetting:
            beyond_s = beyond_c1_s(load)
            exact = int(self.tune.position(-beyond_s.imag / omega - self.stray_f))
            near = (exact, min(exact + 1, self.tune.steps - 1))
            swrs = [mismatch_swr(1 / (beyond_s + 1j * omega * self.c1_f(tune)), wanted_ohm) for tune in near]
            return TankSetting(near[swrs.index(min(swrs))], load, min(swrs))

        last = self.load.steps - 1
        looks = [last - last * number // _COARSE for number in range(_COARSE + 1)]
        excesses = [excess_s(load) for load in looks]
        for high, low, at_high, at_low in zip(looks, looks[1:], excesses, excesses[1:], strict=False):
            if (at_high > 0) != (at_low > 0):
                root = _root_between(low, high, at_low > 0, excess_s)
                found = min((setting(load) for load in range(max(0, root - 3), min(last, root + 3) + 1)), key=_swr)
                if found.swr <= _MATCHED_SWR:
                    return found
        return min((setting(load) for load in looks), key=_swr)

    def _coil_ohm(self, omega: float, henries: float) -> complex:
        reactance_ohm = omega * henries
        return complex(reactance_ohm / self.coil_q, reactance_ohm)


_COARSE = 80
"""Where the conductance is looked at to begin with: every 1/80 of the load capacitor's way."""
_MATCHED_SWR = 1.1
"""What rounding to whole positions may leave; above it an end stop is in the way."""


def _swr(setting: TankSetting) -> float:
    return setting.swr


def _root_between(low: int, high: int, low_is_above: bool, excess_s: Callable[[int], float]) -> int:
    while high - low > 1:
        middle = (low + high) // 2
        if (excess_s(middle) > 0) == low_is_above:
            low = middle
        else:
            high = middle
    return low


def _ratio_off(band: TankBand, frequency_hz: int) -> float:
    if band.low_hz <= frequency_hz <= band.high_hz:
        return 0.0
    return min(abs(log(frequency_hz / band.low_hz)), abs(log(frequency_hz / band.high_hz)))


HF_BANDS: tuple[tuple[str, int, int], ...] = (
    ("160m", 1_800_000, 2_000_000),
    ("80m", 3_500_000, 4_000_000),
    ("40m", 7_000_000, 7_300_000),
    ("30m", 10_100_000, 10_150_000),
    ("20m", 14_000_000, 14_350_000),
    ("17m", 18_068_000, 18_168_000),
    ("15m", 21_000_000, 21_450_000),
    ("12m", 24_890_000, 24_990_000),
    ("10m", 28_000_000, 29_700_000),
)
"""Band switch positions: the widest edges any region has, from the ADIF Band enumeration without 60m."""


def designed_tank(
    wanted_ohm: float,
    *,
    q: float = 12.0,
    between_ohm: float | None = None,
    tune: Capacitor = Capacitor(8e-12, 480e-12),  # noqa: B008 - frozen
    load: Capacitor = Capacitor(40e-12, 4_000e-12),  # noqa: B008 - frozen
    stray_f: float = 18e-12,
) -> Tank:
    """A tank whose coils are right at each band's centre into 50 ohm: a pi-L where `between_ohm` is given, else a pi.

    Where C1 would be near its end stop, or below what the tube alone adds, Q is higher. Ranges of the capacitors and
    the strays are round figures (common practice, no source).
    """
    bands = []
    for name, low_hz, high_hz in HF_BANDS:
        centre_hz = (low_hz + high_hz) / 2
        band_q = max(q, wanted_ohm * 2 * pi * centre_hz * _ABOVE_STRAY * (stray_f + tune.least_f))
        elements: PiElements | PiLElements
        if between_ohm is None:
            elements = pi_elements(centre_hz, wanted_ohm, _OUTPUT_OHM, band_q)
            bands.append(TankBand(name, low_hz, high_hz, elements.l1_h))
        else:
            elements = pi_l_elements(centre_hz, wanted_ohm, between_ohm, _OUTPUT_OHM, band_q)
            bands.append(TankBand(name, low_hz, high_hz, elements.l1_h, elements.l2_h))
    return Tank(tuple(bands), tune, load, stray_f)


_OUTPUT_OHM = 50.0
_ABOVE_STRAY = 1.25
"""C1 is designed so much above its least, so that there is room to tune to both sides."""
