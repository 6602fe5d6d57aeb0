"""The matching step of a tune-up: the unit in the antenna's line set for a low SWR, before the amplifier is driven.

In standby, so that the operator can key barefoot and look at the rig's own SWR meter. Where a device sets the unit, the
core recalls what is told, unkeyed and in its order like any recall; else the operator sets it and tells where it stands.
"""

from dataclasses import replace

from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings, swr
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import TuneStep, Working
from qsyd_rules.tune_up_place import strayed


def match(at: Working, sight: Sight) -> None:
    """Say what to do with the matching unit, and wait until it stands where it was told."""
    if strayed(at, sight):
        return
    place, it = at.it.place, at.it
    if place is None or not place.matching:
        at.go(TuneStep.DRIVE, "")
        return
    count = "1 number" if place.matching == 1 else f"{place.matching} numbers"
    how = f"`matching={','.join('0' * place.matching)}` ({count})"
    key = f"key barefoot with {it.drive_w} W or less and look for the lowest SWR at the rig"
    if it.matching is None:
        begin = "tell where it is to begin" if it.plan.matches else f"{key}; then tell where it stands"
        at.say(f"the matching unit of {place.antenna}: {begin}: {how}")
        return
    shown = " ".join(str(position) for position in it.matching)
    if it.plan.matches and not _rests(at, sight):
        at.say("wait: " + ("; ".join(sight.inhibits) or f"the matching unit goes to {shown}"))
        return
    seen = swr(sight.readings.forward_w, sight.readings.reflected_w, 1.0) if sight.keyed else None
    now = f" (SWR {seen:.1f} now)" if seen is not None else ""
    stands = f"stands at {shown}{now}" if it.plan.matches else f"is to stand at {shown}{now}: set it by hand"
    at.say(f"the matching unit of {place.antenna} {stands}; {key}; {how} changes it, unkeyed; `next` when it is right")


def _rests(at: Working, sight: Sight) -> bool:
    """Whether the core was told, and everything that it moves is at rest."""
    told = sight.tuning.start if sight.tuning is not None else None
    return told is not None and told.matching == at.it.matching and sight.released


def matched(at: Working, matching: tuple[int, ...], numbers: Readings, sight: Sight) -> str | None:
    """Take in where the matching unit is to stand, or stands; why not, in words, where that makes no sense."""
    place, it = at.it.place, at.it
    if place is None or len(matching) != place.matching:
        wanted = place.matching if place is not None else 0
        return f"the matching unit takes {wanted} positions, not {len(matching)}"
    start = it.start
    if start is not None:
        start = replace(start, matching=matching)
    elif it.plan.matches:
        tune = sight.readings.tune if numbers.tune is None else numbers.tune
        load = sight.readings.load if numbers.load is None else numbers.load
        if tune is None or load is None:
            return (
                "nothing tells where the tank stands: tell `tune=` and `load=` with it, for they are recalled together"
            )
        start = Preset(place.antenna, place.segment.name, tune, load, matching)
    at.change(matching=matching, start=start, moved_us=at.now_us)
    if it.plan.matches:
        at.tell_core()
    return None
