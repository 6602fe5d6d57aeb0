"""A compact source of overs for months: what the meters of a station show, over by over, with all that makes them differ.

What it models, and no more: three antennas as series RLC circuits (Z = R [1 + jQ (f/f0 - f0/f)], exact for the model), whose
resonance wanders with the dew of each night and with the weather that a test asks for; a tube whose gain sags by 1 dB
from low to full output, with a mains voltage that moves it by 0.1 dB from day to day; a mismatch that has changed since
the tank was tuned, which costs gain as its own mismatch loss; meters with 2 % of noise on each reading, a watt or
milliampere of offset at random, and whole numbers; operators who use 50 to 110 % of the preset's output, on four modes, of
which speech swings more; overs at odd hours of the day, some segments much more than others.

What it does not model: feed-line loss, meters that age, anybody who retunes by hand, two faults at once.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import log10, pi, sin, sqrt
from random import Random

from qsyd_rules.over import Over
from qsyd_rules.preset import Preset
from qsyd_rules.words import Mode

DAY_S = 86_400.0
BEGINS_S = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""
FULL_W = 1450.0
GAIN_DB = 13.5
OVERS_A_DAY = 60


@dataclass(frozen=True, slots=True)
class Wire:
    """An antenna as the model has it: resonance, Q and resistance in the middle of its band, and how dew moves it."""

    name: str
    band: str
    resonance_hz: float
    q: float
    r: float
    """Resistance over that of the line."""
    dew: float
    """Part of the resonance by which a wet night lowers it."""

    def rho(self, hz: float, lowered: float) -> float:
        """Magnitude of the reflection, with the resonance lowered by this part."""
        f0 = self.resonance_hz * (1 - lowered)
        x = self.r * self.q * (hz / f0 - f0 / hz)
        return sqrt(((self.r - 1) ** 2 + x * x) / ((self.r + 1) ** 2 + x * x))


WIRES = (
    Wire("dipole", "80m", 3_680_000, 12, 1.2, 0.0015),
    Wire("loop", "40m", 7_120_000, 9, 1.4, 0.001),
    Wire("beam", "20m", 14_170_000, 8, 0.9, 0.0005),
)
PLACES = (
    ("dipole", "80m/1", 3_550_000),
    ("dipole", "80m/2", 3_650_000),
    ("dipole", "80m/3", 3_750_000),
    ("loop", "40m/1", 7_075_000),
    ("loop", "40m/2", 7_225_000),
    ("beam", "20m/1", 14_050_000),
    ("beam", "20m/2", 14_150_000),
    ("beam", "20m/3", 14_250_000),
)
_WEIGHTS = (2, 3, 5, 6, 3, 8, 5, 10)
_MODES = ((Mode.CW, 0.0), (Mode.DATA, 0.0), (Mode.USB, 0.04), (Mode.FM, 0.0))
"""Each with how much more its meters scatter."""

Lowered = Callable[[str, float], float]
"""By what part weather lowers the resonance of an antenna, at this many seconds."""


def fair_weather(_: str, __: float) -> float:
    """Nothing but the nights."""
    return 0.0


@dataclass
class YearOfOvers:
    """One station's meters. `weather` and `lost_db` (gain lost by the tube at this many seconds) are what a test changes."""

    seed: int
    weather: Lowered = fair_weather
    lost_db: Callable[[float], float] = lambda _: 0.0
    random: Random = field(init=False)

    def __post_init__(self) -> None:
        self.random = Random(self.seed)
        self._wires = {wire.name: wire for wire in WIRES}
        self._damp = [self.random.random() for _ in range(1000)]
        self._mains_db = [self.random.gauss(0, 0.1) for _ in range(1000)]

    def presets(self) -> dict[tuple[str, str], Preset]:
        """A preset for each place, saved at noon of the first day with one look at the meters."""
        presets = {}
        for antenna, segment, hz in PLACES:
            over = self._over(antenna, segment, hz, BEGINS_S + DAY_S / 2, FULL_W, 0.0, Mode.CW, tuned=True)
            assert over.drive_w is not None
            assert over.reflected_w is not None
            assert over.grid_ma is not None
            presets[(antenna, segment)] = Preset(
                antenna,
                segment,
                1000,
                2000,
                drive_w=round(over.drive_w),
                forward_w=round(over.forward_w),
                reflected_w=round(over.reflected_w),
                grid_ma=round(over.grid_ma),
            )
        return presets

    def overs(self, days: int) -> Iterator[Over]:
        """The overs of the days that follow, in order."""
        for day in range(1, days + 1):
            hours = sorted(
                self.random.triangular(6, 24, 20) if self.random.random() < 0.8 else self.random.uniform(0, 24)
                for _ in range(OVERS_A_DAY)
            )
            for hour in hours:
                antenna, segment, centre_hz = self.random.choices(PLACES, _WEIGHTS)[0]
                mode, swing = self.random.choice(_MODES)
                hz = centre_hz + self.random.uniform(-15_000, 15_000)
                level_w = FULL_W * self.random.uniform(0.5, 1.1)
                yield self._over(antenna, segment, hz, BEGINS_S + day * DAY_S + hour * 3600, level_w, swing, mode)

    def _over(
        self,
        antenna: str,
        segment: str,
        hz: float,
        at_s: float,
        level_w: float,
        swing: float,
        mode: Mode,
        *,
        tuned: bool = False,
    ) -> Over:
        wire, day = self._wires[antenna], int((at_s - BEGINS_S) / DAY_S)
        night = max(0.0, sin(2 * pi * ((at_s - BEGINS_S) / DAY_S % 1 + 0.25)))  # highest at midnight, none at noon
        lowered = wire.dew * self._damp[day] * night + self.weather(antenna, at_s)
        rho, dry = wire.rho(hz, lowered), wire.rho(hz, 0.0)
        changed = 0.0 if tuned else abs(rho - dry)
        sag_db = 1.0 * min(1.2, level_w / FULL_W) ** 2
        gain_db = GAIN_DB + 1.0 - sag_db + self._mains_db[day] - self.lost_db(at_s) + 10 * log10(1 - changed**2)
        drive_w = level_w / 10 ** (gain_db / 10)
        grid_ma = 95 * (level_w / FULL_W) * 10 ** (self.lost_db(at_s) / 20)
        return Over(
            at_s,
            antenna,
            segment,
            mode,
            self._read(level_w, swing),
            self._read(level_w * rho**2, swing, 1.0),
            self._read(drive_w, swing, 0.5),
            self._read(grid_ma, swing, 1.0),
        )

    def _read(self, true: float, swing: float, offset: float = 0.0) -> float:
        shown = true * (1 + self.random.gauss(0, 0.02 + swing)) + self.random.gauss(0, offset)
        return float(max(0, round(shown)))
