"""A tune-up with the key down: the meters judged, a step found good, full output reached, the preset made of it."""

from dataclasses import replace
from statistics import fmean

from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.tune_judgement import Good, Measure, NotYet, Stop, judge
from qsyd_rules.tune_plan import LEVELS
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import Save, TuneStep, TuneUp, Working
from qsyd_rules.tune_up_place import stood_by, stop, strayed
from qsyd_rules.words import AmplifierState

STEADY_US = 1_000_000
"""Readings that have been good and at rest for so long are believed."""
STEADY_LEAST = 4
"""And at least so many of them."""
STEADY_PART = 0.05
"""Output that swings by more than this is not at rest."""
KEYED_LEAST_US = 1_000_000
"""Without meters: a key-down shorter than this shows an operator nothing."""
OUTPUT_OVER = 1.1
OUTPUT_REACHED = 0.95
"""Output at least this part of the target is full output; gain sags near it, so it is approached from below."""
OUTPUT_LEAST = 0.8
"""Less than this with full drive is no setting to save."""
NUMBERS = ("tune", "load", "forward_w", "reflected_w", "grid_ma", "drive_w")
"""What an operator is asked for where no meter tells it."""


def key_words(it: TuneUp) -> str:
    """What to do with the key and the knobs in this step."""
    what = "peak the tune capacitor, then set load for most output" if it.level == 0 else "touch up tune and load"
    held = it.plan.key_down_us / 1e6
    return f"key a steady carrier of {it.drive_w} W; {what}; hold still until told, {held:g} s at most"


def key_down(at: Working, sight: Sight) -> None:
    """The key step: waits for the key, judges what the meters show, and bounds the time."""
    if not sight.keyed and strayed(at, sight):
        return
    if stood_by(at, sight):
        return
    it = at.it
    if not sight.keyed:
        if it.keyed_us is not None:
            _key_came_up(at, at.now_us - it.keyed_us)
        elif sight.amplifier is not AmplifierState.OPERATE:
            at.go(TuneStep.OPERATE, "")
        return
    if it.keyed_us is None:
        at.change(keyed_us=at.now_us, moved_us=at.now_us, good=(), good_us=None, trouble=None)
    place = at.it.place
    if place is not None and sight.segment != place.segment.name:
        stop(at, f"the dial left {place.segment.name} while keyed", "dial back to its centre")
        return
    if sight.amplifier is not AmplifierState.OPERATE:
        silent = f"{', '.join(sight.silent)}: no answer" if sight.silent else None
        why = silent or sight.refusal or "; ".join(sight.inhibits)
        stop(at, f"the amplifier has left operate: {why}", "see to it first")
        return
    if "forward_w" in it.plan.meters and sight.read_us > max(at.it.seen_us, at.it.keyed_us or 0):
        at.change(seen_us=sight.read_us)
        _judge(at, sight.readings)
    since_us = at.it.keyed_us
    if at.it.step is TuneStep.KEY and since_us is not None and at.now_us >= since_us + it.plan.key_down_us:
        _too_long(at)


def _key_came_up(at: Working, held_us: int) -> None:
    it = at.it
    if "forward_w" not in it.plan.meters and held_us >= KEYED_LEAST_US:
        at.go(TuneStep.NUMBERS, f"tell what the meters showed: {', '.join(asked_of(it))}")
        return
    why = it.trouble or "too short to judge the meters"
    at.change(keyed_us=None, good=(), good_us=None, trouble=None)
    at.say(f"{why}. {key_words(it)}")


def _too_long(at: Working) -> None:
    held = at.it.plan.key_down_us / 1e6
    why = at.it.trouble or "the meters have not come to rest"
    stop(at, f"keyed for {held:g} s on one step; {why}", "let the tube rest, and go on in shorter steps")


def _judge(at: Working, readings: Readings) -> None:
    it = at.it
    verdict = judge(readings, measure(it))
    match verdict:
        case Stop(text=text, remedy=remedy):
            stop(at, text, remedy)
        case NotYet(text=text, remedy=remedy):
            at.change(good=(), good_us=None, trouble=f"{text}: {remedy}")
            at.say(f"{text}: {remedy}")
        case Good():
            good = _steady((*it.good, readings))
            good_us = it.good_us if len(good) > 1 and it.good_us is not None else at.now_us
            at.change(good=good, good_us=good_us, trouble=None)
            if len(good) >= STEADY_LEAST and at.now_us >= good_us + STEADY_US:
                _measured(at, _mean(good))
            else:
                at.say(f"{_shown(readings)}: hold still")


def _measured(at: Working, shown: Readings) -> None:
    at.go(TuneStep.UNKEY, f"good: {_shown(shown)}. Unkey")
    at.change(best=shown, keyed_us=at.now_us)


def key_up(at: Working, sight: Sight) -> None:
    """The unkey step: what was good counts once the key is up."""
    it = at.it
    if not sight.keyed:
        shown = it.best
        if shown is None:
            return
        if lacking(it, shown):
            at.go(TuneStep.NUMBERS, f"tell what no meter told: {', '.join(asked_of(it))}")
        else:
            step_done(at, shown)
    elif it.keyed_us is not None and at.now_us >= it.keyed_us + it.plan.key_down_us:
        stop(at, "the key is still down", "unkey when told to")
        at.change(best=None)


def step_done(at: Working, shown: Readings) -> None:
    """A step of the drive is good: the next one, or full output."""
    it, place = at.it, at.it.place
    if place is None:
        return
    forward_w = shown.forward_w or 0.0
    at.change(best=shown)
    if _is_last(it, forward_w):
        if forward_w < OUTPUT_LEAST * it.plan.output_w:
            stop(
                at,
                f"only {forward_w:.0f} W of {it.plan.output_w} W with full drive",
                "tune and load once more from a quarter of the drive; a weak tube or a wrong antenna shows like this too",
            )
            return
        preset = _preset(it, shown)
        at.go(TuneStep.SAVE, f"saving {place}: tune {preset.tune}, load {preset.load}")
        at.change(best=shown)
        at.acts.append(Save(preset))
        return
    drive_w = shown.drive_w or it.drive_w
    wanted_w = place.drive_w * LEVELS[it.level + 1]
    if forward_w > 0:  # gain sags on the way up, so that this comes out a little below
        wanted_w = min(wanted_w, drive_w * it.plan.output_w / forward_w)
    at.change(level=it.level + 1, drive_w=max(1, round(wanted_w)))
    at.tell_core()
    at.go(TuneStep.DRIVE, "")


def measure(it: TuneUp) -> Measure:
    """What this step is judged by."""
    place = it.place
    if place is None:
        raise AssertionError("nothing is being tuned")
    share = it.drive_w / place.drive_w
    output_w = it.plan.output_w
    return Measure(
        it.plan.limits, place.usual, it.drive_w, output_w * share, output_w * OUTPUT_OVER, matched=place.matching > 0
    )


def lacking(it: TuneUp, shown: Readings) -> list[str]:
    """What a step needs and nobody has told: the output, and where it is the last step the positions to save."""
    if shown.forward_w is None:
        return ["forward_w"]
    if not _is_last(it, shown.forward_w):
        return []
    return [name for name in ("tune", "load") if getattr(shown, name) is None]


def _is_last(it: TuneUp, forward_w: float) -> bool:
    return forward_w >= OUTPUT_REACHED * it.plan.output_w or it.level == len(LEVELS) - 1


def asked_of(it: TuneUp) -> list[str]:
    """The numbers that no meter tells."""
    if it.step is TuneStep.MATCHING:
        return ["matching"]
    return [name for name in NUMBERS if name not in it.plan.meters]


def _steady(readings: tuple[Readings, ...]) -> tuple[Readings, ...]:
    """The newest of them that lie together: same positions, output within the swing allowed."""
    newest = readings[-1]
    kept: list[Readings] = []
    for each in reversed(readings):
        same = (each.tune, each.load) == (newest.tune, newest.load)
        if not same or abs((each.forward_w or 0) - (newest.forward_w or 0)) > STEADY_PART * (newest.forward_w or 1):
            break
        kept.append(each)
    return tuple(reversed(kept))


def _mean(readings: tuple[Readings, ...]) -> Readings:
    def mean(name: str) -> float | None:
        told = [value for value in (getattr(each, name) for each in readings) if value is not None]
        return fmean(told) if told else None

    return replace(
        readings[-1],
        forward_w=mean("forward_w"),
        reflected_w=mean("reflected_w"),
        drive_w=mean("drive_w"),
        plate_v=mean("plate_v"),
        plate_ma=mean("plate_ma"),
        grid_ma=mean("grid_ma"),
    )


def overlaid(under: Readings, over: Readings) -> Readings:
    """Readings with the numbers that an operator has told."""
    given = {name: getattr(over, name) for name in NUMBERS if getattr(over, name) is not None}
    return replace(under, **given)


def _shown(readings: Readings) -> str:
    words = []
    if readings.forward_w is not None:
        words.append(f"{readings.forward_w:.0f} W out")
    if readings.drive_w is not None:
        words.append(f"{readings.drive_w:.0f} W drive")
    if readings.grid_ma is not None:
        words.append(f"{readings.grid_ma:.0f} mA grid")
    return ", ".join(words) or "no readings"


def _preset(it: TuneUp, shown: Readings) -> Preset:
    place = it.place
    if place is None or shown.tune is None or shown.load is None:
        raise AssertionError("nothing to save")

    def whole(value: float | None) -> int | None:
        return None if value is None else round(value)

    return Preset(
        place.antenna,
        place.segment.name,
        shown.tune,
        shown.load,
        matching=it.matching or (),
        drive_w=whole(shown.drive_w) or it.drive_w,
        forward_w=whole(shown.forward_w),
        reflected_w=whole(shown.reflected_w),
        grid_ma=whole(shown.grid_ma),
        low_hz=place.segment.low_hz,
        high_hz=place.segment.high_hz,
    )
