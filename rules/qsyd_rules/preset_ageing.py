"""Whether a preset still fits: every over is held against the readings that were saved with it.

One over proves nothing: meters err, speech swings, rain comes and goes within hours. So a change counts when it lasts: at
least `LASTING` looks in a row, over at least `LASTS_S`, nearly all on the same side, and their middle beyond the limit. A
look is the mean of the overs of a quarter of an hour, lest one busy hour should outvote a day. What is
compared is the magnitude of the reflection (an SWR, but one whose noise is even), and the gain and grid current
where output (for the gain: or drive) is about that of the saved readings, since gain sags near full output.

The cause is judged from the company a change keeps; `ageing_cause` does. A finding marks its preset until it is saved
again; it goes on being recalled meanwhile, for an old setting is still the best there is.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import log10
from statistics import median

from qsyd_rules.over import Over, reflection
from qsyd_rules.preset import Preset, Presets

RHO_LIMIT = 0.08
"""Change of the reflection that counts: SWR 1.0 to 1.17, 1.2 to 1.41, 1.5 to 1.78. Common practice, no source."""
GAIN_LIMIT_DB = 1.0
"""Loss of gain that counts. Gain sags by about 1 dB near full output anyway; so output or drive have to be alike."""
GRID_LIMIT = 0.35
"""Change of grid current that counts, as a part of the saved one."""
ALIKE = (0.75, 1.25)
"""Output over that of the saved readings, or drive over theirs, within which gain is compared; grid current with the
output alone. The drive counts too, for where it is limited to the preset's a tube that has lost much gives less output."""
LASTING = 8
LASTS_S = 6 * 3600.0
STRAY_PART = 8
"""One in so many looks may lie on the other side of half the limit."""
SLOT_S = 900.0
KEPT = 40
"""Looks remembered for each preset: ten hours at least."""
CAME = 4
"""Looks in a row that show a change of SWR, or that it has gone again."""


class Cause(StrEnum):
    """What most likely has changed."""

    ANTENNA = "antenna"
    WEATHER = "weather"
    TUBE = "tube"
    TANK = "tank"


@dataclass(frozen=True, slots=True)
class Sight:
    """One look against the saved readings, the mean of `overs`; None for what cannot be compared."""

    at_s: float
    """When the first of its overs ended."""
    rho: float | None
    """Change of the reflection's magnitude, -1 to 1."""
    gain_db: float | None
    grid: float | None
    """Change of the grid current, as a part of the saved one."""
    overs: int = 1

    def with_over(self, sight: "Sight") -> "Sight":
        """The mean with one more over."""
        return Sight(
            self.at_s,
            _mean(self.rho, sight.rho, self.overs),
            _mean(self.gain_db, sight.gain_db, self.overs),
            _mean(self.grid, sight.grid, self.overs),
            self.overs + 1,
        )


@dataclass(frozen=True, slots=True)
class History:
    """The last looks at one preset, the newest last."""

    preset: Preset
    sights: tuple[Sight, ...] = ()
    is_out: bool = False
    """Whether the SWR has changed for now."""
    came_and_went: int = 0
    """How often it has, and was back again."""

    def lasting_rho(self) -> float | None:
        """The change of the reflection, if it lasts."""
        return _lasting([(sight.at_s, sight.rho) for sight in self.sights], RHO_LIMIT)

    def lasting_loss_db(self) -> float | None:
        """The loss of gain, if it lasts; above zero. A rise is no sign of age."""
        lasting = _lasting([(sight.at_s, sight.gain_db) for sight in self.sights], GAIN_LIMIT_DB)
        return -lasting if lasting is not None and lasting < 0 else None

    def lasting_grid(self) -> float | None:
        """The change of the grid current, if it lasts."""
        return _lasting([(sight.at_s, sight.grid) for sight in self.sights], GRID_LIMIT)

    def recent(self, name: str, since_s: float, least: int = CAME) -> float | None:
        """The middle of the last looks' `rho`, `gain_db` or `grid`; None with fewer than `least` of them since then."""
        values = [
            value for sight in self.sights if sight.at_s >= since_s and (value := getattr(sight, name)) is not None
        ]
        return median(values[-LASTING:]) if len(values) >= least else None


Histories = Mapping[tuple[str, str], History]


@dataclass(frozen=True, slots=True)
class Mark:
    """Why a preset should be made anew: likely cause, a text for the operator, and since when (RFC 3339, UTC)."""

    antenna: str
    segment: str
    cause: Cause
    text: str
    since: str


Marks = Mapping[tuple[str, str], Mark]
"""Marks by (antenna, segment)."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is remembered of the overs. Lost at a restart: the comparison is with what was saved, so it only begins anew."""

    histories: Histories = field(default_factory=dict)


def noted(watch: Watch, over: Over, preset: Preset | None) -> Watch:
    """The watch after one over on `preset`; one that was saved anew is compared from then on."""
    key = (over.antenna, over.segment)
    if preset is None:
        return Watch({known: history for known, history in watch.histories.items() if known != key})
    history = watch.histories.get(key)
    if history is None or history.preset != preset:
        history = History(preset)
    sight = compared(over, preset)
    sights = history.sights
    if sights and 0 <= over.at_s - sights[-1].at_s < SLOT_S:
        sights = (*sights[:-1], sights[-1].with_over(sight))
    else:
        sights = (*sights, sight)[-KEPT:]
    history = _excursions(replace(history, sights=sights))
    return Watch({**watch.histories, key: history})


def compared(over: Over, preset: Preset) -> Sight:
    """One over against the readings that its preset was saved with."""
    rho, saved_rho = (
        reflection(over.forward_w, over.reflected_w),
        reflection(preset.forward_w, preset.reflected_w),
    )
    change = None if rho is None or saved_rho is None else rho - saved_rho
    output, drive = _alike(over.forward_w, preset.forward_w), _alike(over.drive_w, preset.drive_w)
    gain_db = grid = None
    if (output or drive) and over.drive_w and preset.drive_w and over.forward_w and preset.forward_w:
        gain_db = 10 * log10(over.forward_w / over.drive_w * preset.drive_w / preset.forward_w)
    if output and over.grid_ma is not None and preset.grid_ma:
        grid = over.grid_ma / preset.grid_ma - 1
    return Sight(over.at_s, change, gain_db, grid)


def _alike(now_w: float | None, saved_w: float | None) -> bool:
    return bool(saved_w) and now_w is not None and ALIKE[0] <= now_w / (saved_w or 1) <= ALIKE[1]


def comparable(presets: Presets) -> list[tuple[str, str]]:
    """The presets whose gain can be compared: saved with drive and output."""
    return [key for key, preset in presets.items() if preset.drive_w and preset.forward_w]


def kept(marks: Marks, saved: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Mark]:
    """The marks that stay when these presets have been saved again, or removed."""
    gone = set(saved)
    return {key: mark for key, mark in marks.items() if key not in gone}


def _mean(mean: float | None, value: float | None, count: int) -> float | None:
    if mean is None or value is None:
        return value if mean is None else mean
    return (mean * count + value) / (count + 1)


def _lasting(values: list[tuple[float, float | None]], limit: float) -> float | None:
    """The middle of the last looks, where nearly all tell the same for long enough and it is beyond the limit."""
    known = [(at_s, value) for at_s, value in values if value is not None]
    for count in range(LASTING, len(known) + 1):
        last = known[-count:]
        middle = median(value for _, value in last)
        sign = 1 if middle > 0 else -1
        alike = [at_s for at_s, value in last if sign * value >= limit / 2]
        if abs(middle) < limit or count - len(alike) > count // STRAY_PART:
            return None
        if alike[-1] - alike[0] >= LASTS_S:
            return middle
    return None


def _excursions(history: History) -> History:
    """Keep count of how often the SWR has changed and come back: what does is weather."""
    last = [sight.rho for sight in history.sights if sight.rho is not None][-CAME:]
    if len(last) < CAME:
        return history
    change = abs(median(last))
    if not history.is_out and change >= RHO_LIMIT:
        return replace(history, is_out=True)
    if history.is_out and change < RHO_LIMIT / 2:
        return replace(history, is_out=False, came_and_went=history.came_and_went + 1)
    return history
