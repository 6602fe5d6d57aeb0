"""Licence privileges: whether a whole emission may be made where the dial stands, and with how much power.

The law asks where the emission lies, not the dial: 47 CFR 97.301 (frequencies by licence class), 97.305 (emissions),
97.307(b) (the whole emission inside), 97.303(h) (60 m) and 97.313 (power), in their columns for ITU Region 2. Rows of
97.305 and 97.313 that hold only for stations in Region 1 or 3 or outside the contiguous United States are left out.
What one class may do is a `Stretch` of a band here; the word segment is kept for tank settings.

Not legal advice: the licensee and the control operator answer for every transmission.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Self

from qsyd_rules.band import megahertz
from qsyd_rules.words import LicenceClass, Mode

OCCUPIED_HZ: Mapping[Mode, tuple[int, int]] = {
    Mode.CW: (-75, 75),
    Mode.LSB: (-3_000, 0),
    Mode.USB: (0, 3_000),
    Mode.AM: (-3_000, 3_000),
    Mode.FM: (-8_000, 8_000),
    Mode.DATA: (0, 2_800),
}
"""Lowest and highest frequency of an emission relative to the dial, in hertz.

CW: 150 Hz (NCVEC Extra pool, checked). Voice: 3 kHz of audio; FM by Carson's rule with 5 kHz deviation, 2 (5 + 3) kHz.
Common practice, no source. Data: a rig tells neither width nor side of a data signal; taken is the widest that
97.307(f)(3) authorises below 28 MHz, 2.8 kHz, above the dial as audio in an upper sideband. The modulation index of
FM, at most 1 below 29 MHz by 97.307(f)(1), is not told by a rig and not judged.
"""


class Emission(StrEnum):
    """Kinds of emission in the tables, as far as a rig's mode can tell them apart."""

    CW = "cw"
    DATA = "data"
    """RTTY and data, which 97.305(c) grants together."""
    PHONE = "phone"
    SSB = "ssb"
    """Phone with a single sideband only: Technicians on 10 m, 97.307(f)(10)."""
    USB = "usb"
    """Phone with the upper sideband only: 60 m."""


_GRANTED_BY: Mapping[Mode, frozenset[Emission]] = {
    Mode.CW: frozenset({Emission.CW}),
    Mode.LSB: frozenset({Emission.PHONE, Emission.SSB}),
    Mode.USB: frozenset({Emission.PHONE, Emission.SSB, Emission.USB}),
    Mode.AM: frozenset({Emission.PHONE}),
    Mode.FM: frozenset({Emission.PHONE}),
    Mode.DATA: frozenset({Emission.DATA}),
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a band for which something is granted; both edges belong to it."""

    band: str
    low_hz: int
    high_hz: int

    def __contains__(self, frequency_hz: int) -> bool:
        return self.low_hz <= frequency_hz <= self.high_hz


@dataclass(frozen=True, slots=True)
class Grant:
    """A row of the tables: a stretch, and the emissions granted there (None: all that others grant)."""

    stretch: Stretch
    emissions: frozenset[Emission] | None

    def permits(self, mode: Mode) -> bool:
        return self.emissions is None or not self.emissions.isdisjoint(_GRANTED_BY[mode])


@dataclass(frozen=True, slots=True)
class Channel:
    """A 60 m channel: upper sideband and data with the dial on `usb_dial_hz`, CW with the dial on `centre_hz`."""

    centre_hz: int
    usb_dial_hz: int
    stretch: Stretch
    """Where a dial may stand that means this channel: the channel, and the upper-sideband dial just below it."""


@dataclass(frozen=True, slots=True)
class SixtyMetre:
    """What 97.303(h) grants on 60 m: a few channels, and a stretch where the dial moves freely."""

    channels: tuple[Channel, ...]
    free: Grant
    bandwidth_hz: int
    """The widest emission, in hertz: what an upper sideband is taken to occupy here."""


@dataclass(frozen=True, slots=True)
class PowerLimit:
    """A transmitter power below the general limit, in watts of peak envelope power."""

    stretch: Stretch
    max_w: int


@dataclass(frozen=True, slots=True)
class _Dials:
    """Closed intervals of the dial, rising and apart, in two columns for bisection."""

    lows_hz: tuple[int, ...]
    highs_hz: tuple[int, ...]

    @classmethod
    def of(cls, intervals: Iterable[tuple[int, int]]) -> Self:
        rising = sorted(interval for interval in intervals if interval[0] <= interval[1])
        return cls(tuple(low for low, _ in rising), tuple(high for _, high in rising))


@dataclass(frozen=True, slots=True)
class Privileges:
    """What one licence class may transmit in ITU Region 2, by dial frequency and mode."""

    licence: LicenceClass
    sixty_metre: SixtyMetre | None
    """None where the class has no 60 m."""
    power_limits: tuple[PowerLimit, ...]
    licensed: tuple[Stretch, ...]
    """Every stretch of the class, whatever the emission; those that touch are joined."""
    permitted: Mapping[Mode, tuple[Stretch, ...]] = field(hash=False)
    """Where both class and emission are granted, by mode; those that touch are joined."""
    _dials: Mapping[Mode | None, _Dials] = field(hash=False, repr=False)
    """Where the dial may stand so that the whole emission lies inside, by mode."""

    @classmethod
    def of(
        cls,
        licence: LicenceClass,
        licence_grants: Iterable[Grant],
        emission_grants: Iterable[Grant],
        sixty_metre: SixtyMetre | None,
        power_limits: Iterable[PowerLimit],
    ) -> Self:
        """Lay the licence's grants (97.301) over those of emissions (97.305); CW is granted wherever the licence is."""
        by_licence, by_emission = tuple(licence_grants), tuple(emission_grants)
        on_60m: tuple[Stretch, ...] = ()
        if sixty_metre is not None:
            on_60m = (sixty_metre.free.stretch, *(channel.stretch for channel in sixty_metre.channels))
        licensed = _joined([*(grant.stretch for grant in by_licence), *on_60m])
        permitted: dict[Mode, tuple[Stretch, ...]] = {}
        dials: dict[Mode | None, _Dials] = {None: _Dials.of((it.low_hz, it.high_hz) for it in licensed)}
        for mode in Mode:
            own = [grant.stretch for grant in by_licence if grant.permits(mode)]
            if mode is not Mode.CW:
                granted = [grant.stretch for grant in by_emission if grant.permits(mode)]
                own = [both for mine in own for other in granted if (both := _overlap(mine, other))]
            joined = _joined(own)
            below_hz, above_hz = OCCUPIED_HZ[mode]
            intervals = [(it.low_hz - below_hz, it.high_hz - above_hz) for it in joined]
            if sixty_metre is not None and sixty_metre.free.permits(mode):
                joined = _joined([*joined, *on_60m])
                intervals += _dials_on_60m(sixty_metre, mode)
            permitted[mode] = joined
            dials[mode] = _Dials.of(intervals)
        return cls(licence, sixty_metre, tuple(power_limits), licensed, permitted, dials)

    def refusal(self, frequency_hz: int, mode: Mode | None) -> str | None:
        """Why this dial frequency and mode may not be transmitted, in a sentence; None where they may.

        Without a mode only the frequency is judged: whether it lies in any stretch of the licence.
        """
        dials = self._dials[mode]
        position = bisect_right(dials.lows_hz, frequency_hz)
        if position and frequency_hz <= dials.highs_hz[position - 1]:
            return None
        return self._reason(frequency_hz, mode)

    def power_limit_w(self, frequency_hz: int) -> int | None:
        """Transmitter power allowed here in watts PEP, where it is below the general 1500 W; else None.

        On 60 m the law limits effective radiated power (97.313(i)); the figure, rounded down to whole watts, is right
        for a dipole. An antenna with gain over a dipole needs less power than this.
        """
        return min((it.max_w for it in self.power_limits if frequency_hz in it.stretch), default=None)

    def _reason(self, frequency_hz: int, mode: Mode | None) -> str:
        here = next((it for it in self.licensed if frequency_hz in it), None)
        dial = megahertz(frequency_hz)
        if mode is None or here is None:
            return f"{dial} is outside {self.licence}"
        stretch = next((it for it in self.permitted[mode] if frequency_hz in it), None)
        if stretch is None:
            return f"{self.licence} may not use {mode} on {dial} ({self._elsewhere(frequency_hz, mode, here.band)})"
        low_hz, high_hz = OCCUPIED_HZ[mode]
        if self.sixty_metre is not None and stretch.band == self.sixty_metre.free.stretch.band:
            for channel in self.sixty_metre.channels:
                if frequency_hz in channel.stretch:
                    wanted = megahertz(channel.centre_hz if mode is Mode.CW else channel.usb_dial_hz)
                    return f"{mode} in the channel at {megahertz(channel.centre_hz)} needs the dial on {wanted}, not {dial}"
            high_hz = min(high_hz, self.sixty_metre.bandwidth_hz)
        if frequency_hz + low_hz < stretch.low_hz:
            reached = (
                f"reaches down to {megahertz(frequency_hz + low_hz)}, past the edge at {megahertz(stretch.low_hz)}"
            )
        else:
            reached = f"reaches {megahertz(frequency_hz + high_hz)}, past the edge at {megahertz(stretch.high_hz)}"
        return f"{mode} on {dial} {reached}"

    def _elsewhere(self, frequency_hz: int, mode: Mode, band: str) -> str:
        """Where in the band the mode would do, or which modes would do here."""
        in_band = [it for it in self.permitted[mode] if it.band == band]
        if not in_band:
            modes = [str(other) for other in Mode if any(frequency_hz in it for it in self.permitted[other])]
            return f"only {' and '.join(filter(None, [', '.join(modes[:-1]), modes[-1]]))} there"
        kind = mode if mode in {Mode.CW, Mode.DATA} else Emission.PHONE
        above = [it.low_hz for it in in_band if it.low_hz > frequency_hz]
        if above:
            return f"{kind} from {megahertz(min(above))}"
        return f"{kind} up to {megahertz(max(it.high_hz for it in in_band))}"


def _dials_on_60m(sixty_metre: SixtyMetre, mode: Mode) -> list[tuple[int, int]]:
    below_hz, above_hz = OCCUPIED_HZ[mode]
    free = sixty_metre.free.stretch
    points = [it.centre_hz if mode is Mode.CW else it.usb_dial_hz for it in sixty_metre.channels]
    moving = (free.low_hz - below_hz, free.high_hz - min(above_hz, sixty_metre.bandwidth_hz))
    return [moving, *((point, point) for point in points)]


def _overlap(one: Stretch, other: Stretch) -> Stretch | None:
    low_hz, high_hz = max(one.low_hz, other.low_hz), min(one.high_hz, other.high_hz)
    return Stretch(one.band, low_hz, high_hz) if low_hz < high_hz else None


def _joined(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """Rising order, with those that touch or overlap made one: an emission may lie across such an edge."""
    joined: list[Stretch] = []
    for stretch in sorted(stretches, key=lambda it: it.low_hz):
        if joined and stretch.low_hz <= joined[-1].high_hz:
            last = joined.pop()
            stretch = Stretch(last.band, last.low_hz, max(last.high_hz, stretch.high_hz))
        joined.append(stretch)
    return tuple(joined)
