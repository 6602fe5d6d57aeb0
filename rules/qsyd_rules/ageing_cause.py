"""What most likely has changed where a preset no longer fits, judged from the company the change keeps.

- The SWR has changed: antenna, feed line, or weather on them. It is weather where it has come and gone before, where
  other antennas have changed with it, or where it came slowly, over hours. Seldom used antennas do not show how fast it
  came; what was put down to the antenna and goes by itself is called weather then, and told.
- The SWR is as before and gain is lost, or the grid current has changed: the tube, where other presets tell the same;
  this preset's tank (or what the antenna shows it without changing its SWR), where they do not.

A tube ages on all antennas alike; weather does not lower gain into an antenna whose SWR it leaves alone.
"""

import datetime
from dataclasses import dataclass, replace
from statistics import median

from qsyd_rules.over import reflection, swr_of
from qsyd_rules.preset import Presets
from qsyd_rules.preset_ageing import LASTING, RHO_LIMIT, Cause, History, Mark, Marks, Watch, comparable

RECENT_S = 7 * 86_400.0
"""What other presets told in the last week is compared."""
WEATHER_S = 86_400.0
"""What other antennas told in the last day: rain falls on all of them."""
SLOW_S = 2 * 3600.0
"""A change that takes longer than this came slowly."""
HALF_WAY = (0.25, 0.75)
"""Overs that show between these parts of the change were made while it came."""
ALIKE, UNLIKE = 0.5, 0.3
"""Others that have lost at least this part of the gain tell the same; at most that part, something else."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A preset that no longer fits. `is_new` unless the same cause has been told already for this antenna or tube."""

    mark: Mark
    is_new: bool


def found(watch: Watch, key: tuple[str, str], presets: Presets, marks: Marks) -> Finding | None:
    """What the overs say of this preset now; None where it fits, is marked already, or it is too early to tell."""
    history = watch.histories.get(key)
    if history is None or not history.sights:
        return None
    if key in marks:
        return _returned(history, marks[key])
    rho = history.lasting_rho()
    if rho is not None:
        cause = _outside(watch, key, history, rho)
        return _finding(history, cause, _swr_text(history, rho, cause), marks)
    now_s = history.sights[-1].at_s
    moved = history.recent("rho", now_s - RECENT_S)
    if moved is not None and abs(moved) >= RHO_LIMIT / 2:
        return None  # the SWR is on its way somewhere: what the gain does may follow from that
    loss_db, grid = history.lasting_loss_db(), history.lasting_grid()
    if loss_db is not None:
        inside = _inside(watch, key, presets, "gain_db", -loss_db)
        return None if inside is None else _finding(history, *_gain_text(history, loss_db, *inside), marks)
    if grid is not None:
        inside = _inside(watch, key, presets, "grid", grid)
        return None if inside is None else _finding(history, *_grid_text(history, grid, *inside), marks)
    return None


def _returned(history: History, mark: Mark) -> Finding | None:
    """A change of SWR that has gone by itself was weather after all; the mark stays, and says so."""
    if mark.cause is not Cause.ANTENNA or history.is_out or not history.came_and_went:
        return None
    last = history.recent("rho", 0.0, LASTING)
    if last is None or abs(last) >= RHO_LIMIT / 2:
        return None
    where = f"{mark.antenna} on {mark.segment}"
    text = f"{where}: the SWR is back where it was when the preset was saved, by itself: it was likely the weather"
    return Finding(replace(mark, cause=Cause.WEATHER, text=text), is_new=True)


def _outside(watch: Watch, key: tuple[str, str], history: History, rho: float) -> Cause:
    """Antenna or weather, where the SWR has changed."""
    if history.came_and_went:
        return Cause.WEATHER
    now_s = history.sights[-1].at_s
    for (antenna, _), other in watch.histories.items():
        told = other.recent("rho", now_s - WEATHER_S) if antenna != key[0] else None
        if told is not None and abs(told) >= RHO_LIMIT / 2:
            return Cause.WEATHER
    return Cause.WEATHER if _came_slowly(watch, key[0], now_s) else Cause.ANTENNA


def _came_slowly(watch: Watch, antenna: str, now_s: float) -> bool:
    """Whether overs half-way show that the change took hours, on all presets of the antenna that have changed."""
    parts: list[tuple[float, float]] = []
    for (name, _), history in watch.histories.items():
        change = history.recent("rho", now_s - WEATHER_S, least=2)
        if name == antenna and change is not None and abs(change) >= RHO_LIMIT / 2:
            parts += [(sight.at_s, sight.rho / change) for sight in history.sights if sight.rho is not None]
    began_s = max((at_s for at_s, part in parts if part < HALF_WAY[0]), default=None)
    if began_s is None:
        return False
    reached_s = min((at_s for at_s, part in parts if part > HALF_WAY[1] and at_s > began_s), default=now_s)
    from_s = max((at_s for at_s, part in parts if part < HALF_WAY[0] and at_s < reached_s), default=began_s)
    between = [at_s for at_s, part in parts if HALF_WAY[0] <= part <= HALF_WAY[1] and at_s > from_s - SLOW_S]
    between = [at_s for at_s in between if at_s < reached_s]
    return len(between) >= 2 and reached_s - min(from_s, *between) >= SLOW_S


def _inside(watch: Watch, key: tuple[str, str], presets: Presets, name: str, change: float) -> tuple[Cause, int] | None:
    """Tube or tank, where the SWR is as before, and how many presets tell the same; None while too few tell."""
    others = [other for other in comparable(presets) if other != key]
    if not others:
        return Cause.TUBE, 0  # nothing tells otherwise
    now_s = watch.histories[key].sights[-1].at_s
    told: list[float] = []
    for other in others:
        history = watch.histories.get(other)
        value = history.recent(name, now_s - RECENT_S) if history is not None else None
        rho = history.recent("rho", now_s - RECENT_S) if history is not None else None
        if value is not None and abs(rho or 0.0) < RHO_LIMIT / 2:
            told.append(value / change)
    if len(told) < min(2, len(others)):
        return None
    middle = median(told)
    if middle >= ALIKE:
        return Cause.TUBE, sum(part >= ALIKE for part in told)
    return (Cause.TANK, 0) if middle <= UNLIKE else None


def _finding(history: History, cause: Cause, text: str, marks: Marks) -> Finding:
    preset = history.preset
    known = any(
        mark.cause is cause and (cause is Cause.TUBE or mark.antenna == preset.antenna) for mark in marks.values()
    )
    since = datetime.datetime.fromtimestamp(history.sights[-1].at_s, datetime.UTC)
    shown = since.isoformat(timespec="seconds").replace("+00:00", "Z")
    where = f"{preset.antenna} on {preset.segment}"
    return Finding(Mark(preset.antenna, preset.segment, cause, f"{where}: {text}", shown), not known)


def _swr_text(history: History, rho: float, cause: Cause) -> str:
    saved = reflection(history.preset.forward_w, history.preset.reflected_w) or 0.0
    swr = f"SWR {swr_of(saved):.2f} when saved, {swr_of(max(0.0, saved + rho)):.2f} now"
    match cause:
        case Cause.WEATHER:
            why = "it came slowly, or has come and gone before, or other antennas changed too: likely weather"
            return f"{swr}; {why}. Wait for dry weather before you tune up anew"
        case _:
            why = "likely the antenna or its feed line, or weather if it goes by itself"
            return f"{swr}, and it stays: {why}. Look at connectors and wires, then tune up anew"


def _gain_text(history: History, loss_db: float, cause: Cause, alike: int) -> tuple[Cause, str]:
    loss = f"{loss_db:.1f} dB less gain than when saved, SWR as before"
    return cause, f"{loss}; {_why(cause, alike)}"


def _grid_text(history: History, grid: float, cause: Cause, alike: int) -> tuple[Cause, str]:
    saved_ma = history.preset.grid_ma or 0
    grid_shown = f"grid current {saved_ma} mA when saved, {saved_ma * (1 + grid):.0f} mA now, SWR as before"
    return cause, f"{grid_shown}; {_why(cause, alike)}"


def _why(cause: Cause, alike: int) -> str:
    if cause is Cause.TANK:
        return "other presets are as they were: likely this antenna's feed line, or the tank is off. Tune up anew"
    if alike == 0:
        return "likely the tube, but there is no other preset to compare with. Tune up anew and compare"
    others = "another preset tells" if alike == 1 else f"{alike} other presets tell"
    return f"{others} the same: likely the tube. Look at its heater voltage and drive; then tune up anew"
