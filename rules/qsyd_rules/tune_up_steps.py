"""The steps of a tune-up: what each waits for, says, and leads to."""

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.tune_judgement import NotYet, Stop, judge, slip
from qsyd_rules.tune_plan import LEVELS, TunePlan
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import TuneAct, TuneStep, TuneUp, TuneWord, Working
from qsyd_rules.tune_up_dial import SET_US, dial, leave_dial
from qsyd_rules.tune_up_key import key_down, key_up, key_words, lacking, measure, overlaid, step_done
from qsyd_rules.tune_up_match import match, matched
from qsyd_rules.tune_up_place import end, leave_place, start_place, stop, strayed
from qsyd_rules.words import AmplifierState

LET_GO_US = 500_000
"""Still keyed this long after the permit was taken away: operate goes too, the lesser harm."""
IDLE_US = 900_000_000
"""A tune-up that nobody goes on with ends by itself."""
SEGMENT_US = 120_000_000
"""A segment's time before one has been done. A guess, replaced by the measured mean as soon as there is one."""


class TuneRefusedError(Exception):
    """An operator's word that makes no sense now; the text says what would."""


def begin(plan: TunePlan, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """Begin. Raises `TuneRefusedError` where nothing can be tuned now."""
    obstacle = _obstacle(sight)
    if obstacle is None and sight.amplifier in {AmplifierState.OFF, AmplifierState.COOL_DOWN}:
        obstacle = "the amplifier is off: switch it on and let it warm up; the dial may be set meanwhile"
    if obstacle is not None:
        raise TuneRefusedError(obstacle)
    at = Working(TuneUp(plan, sight.at_us), sight.at_us)
    start_place(at)
    return _look(at, sight)


def look(it: TuneUp, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """See what has changed, and go on where that is enough."""
    return _look(Working(it, sight.at_us), sight)


def say(it: TuneUp, word: TuneWord, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """An operator says something. Raises `TuneRefusedError`."""
    at = Working(it, sight.at_us)
    match word:
        case _ if it.is_over:
            raise TuneRefusedError("the tune-up has ended")
        case TuneWord.STOP:
            end(at, "stopped by the operator")
        case TuneWord.SKIP:
            leave_place(at, None)
        case TuneWord.AGAIN:
            if sight.keyed:
                raise TuneRefusedError("unkey first")
            start_place(at)
        case TuneWord.NEXT:
            _next(at, sight)
    return _look(at, sight)


def give(
    it: TuneUp, numbers: Readings, sight: Sight, matching: tuple[int, ...] | None = None
) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """The numbers that an operator read off, or where the matching unit is to stand. Raises `TuneRefusedError`."""
    if it.step is TuneStep.MATCHING and matching is not None:
        return _give_matching(it, matching, numbers, sight)
    if matching is not None:
        raise TuneRefusedError("the matching unit is set in its own step; `again` leads there")
    if it.step is not TuneStep.NUMBERS:
        raise TuneRefusedError("no numbers are asked for now")
    if sight.keyed:
        raise TuneRefusedError("unkey first")
    shown = overlaid(it.best or Readings(), numbers)
    mistaken = slip(shown, measure(it), it.plan.output_w)
    if mistaken is not None:
        raise TuneRefusedError(mistaken)
    missing = lacking(it, shown)
    if missing:
        raise TuneRefusedError(f"still needed: {', '.join(missing)}")
    at = Working(it, sight.at_us)
    verdict = judge(shown, measure(it))
    if isinstance(verdict, Stop | NotYet):
        stop(at, verdict.text, verdict.remedy)
    else:
        step_done(at, shown)
    return _look(at, sight)


def _give_matching(
    it: TuneUp, matching: tuple[int, ...], numbers: Readings, sight: Sight
) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    if sight.keyed:
        raise TuneRefusedError("unkey first")
    at = Working(it, sight.at_us)
    refusal = matched(at, matching, numbers, sight)
    if refusal is not None:
        raise TuneRefusedError(refusal)
    return _look(at, sight)


def saved(it: TuneUp, preset: Preset, error: str | None, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """The preset is durable, or could not be stored."""
    at = Working(it, sight.at_us)
    if it.step is TuneStep.SAVE and error is None:
        leave_place(at, preset)
    elif it.step is TuneStep.SAVE:
        stop(at, f"the preset could not be stored: {error}", "see to the state directory; `again` tunes this one anew")
    return _look(at, sight)


def dial_refused(it: TuneUp, why: str, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    """The rig was not told: the operator dials."""
    at = Working(it, sight.at_us)
    if it.step is TuneStep.DIAL and it.dial_from_hz is not None:
        leave_dial(at, why)
    return _look(at, sight)


def wake_at_us(it: TuneUp) -> int | None:
    """When time alone changes something."""
    if it.is_over:
        return None
    due = [it.moved_us + IDLE_US]
    if it.keyed_us is not None:
        due.append(it.keyed_us + it.plan.key_down_us)
    if it.dial_from_hz is not None:
        due.append(it.dial_us + SET_US)
    if it.step is TuneStep.STOPPED and not it.asked:
        due.append(it.since_us + LET_GO_US)
    return min(due)


def left_us(it: TuneUp, now_us: int) -> int:
    """About how long the rest takes: the mean of those done, for those that are left."""
    done = len(it.outcomes)
    mean_us = (now_us - it.began_us) / done if done else SEGMENT_US
    return round(mean_us * (len(it.plan.places) - done))


def _look(at: Working, sight: Sight) -> tuple[TuneUp, tuple[TuneAct, ...]]:
    if not at.it.is_over:
        why = _obstacle(sight)
        if why is None and sight.at_us >= at.it.moved_us + IDLE_US:
            why = "nobody has gone on with it for a quarter of an hour"
        place = at.it.place
        if why is None and place is not None and place.segment.band in sight.held_bands and sight.held != place.antenna:
            why = f"{sight.held} is held on {place.segment.band} by {sight.held_by}; `qsyd hold off` ends that"
        if why is not None:
            end(at, why)
    for _ in range(len(TuneStep)):
        before = (at.it.step, at.it.index, at.it.level)
        _STEPS[at.it.step](at, sight)
        if (at.it.step, at.it.index, at.it.level) == before:
            break
    return at.it, tuple(at.acts)


def _obstacle(sight: Sight) -> str | None:
    """What ends a tune-up wherever it is."""
    if sight.stopping:
        return "the daemon is stopping"
    if sight.fault is not None:
        return sight.fault
    if sight.lockout is not None:
        return sight.lockout
    if not sight.rig_up:
        return "the rig is not heard"
    return None


# Steps


def _change_over(at: Working, sight: Sight) -> None:
    if strayed(at, sight):
        return
    place, tuning = at.it.place, sight.tuning
    if place is None or tuning is None or (tuning.antenna, tuning.segment) != (place.antenna, place.segment.name):
        return  # the core has still to be told
    if sight.released and sight.antenna == place.antenna:
        at.go(TuneStep.MATCHING, "")
    else:
        say_why_not(at, sight, "the antenna is being selected")


def say_why_not(at: Working, sight: Sight, otherwise: str) -> None:
    """What is waited for; where waiting will not help, what will."""
    if sight.reasons_here:
        at.say(f"not here: {'; '.join(sight.reasons_here)}. Another mode (a carrier is CW) may do, or `skip`")
    else:
        at.say("wait: " + ("; ".join(sight.inhibits) or otherwise))


def _drive(at: Working, sight: Sight) -> None:
    if strayed(at, sight):
        return
    share = f"{LEVELS[at.it.level]:.0%} of {at.it.place.drive_w} W" if at.it.place is not None else ""
    if at.it.plan.limits_drive:
        told = sight.tuning is not None and sight.tuning.drive_w == at.it.drive_w
        if told and sight.drive_w is not None and sight.released:
            at.go(TuneStep.OPERATE, "")
        else:
            at.say(f"the drive is being limited to {at.it.drive_w} W ({share}): wait")
    else:
        at.say(f"set the rig's drive to {at.it.drive_w} W ({share}), then `next`")


def _operate(at: Working, sight: Sight) -> None:
    if strayed(at, sight):
        return
    if sight.wish and sight.amplifier is AmplifierState.OPERATE and sight.released:
        at.go(TuneStep.KEY, key_words(at.it))
        return
    if not at.it.asked:
        if sight.amplifier is not AmplifierState.OPERATE or not sight.wish:
            at.ask(AmplifierRequest.OPERATE_WHEN_READY)
        at.change(asked=True)
        at.say("the amplifier goes to operate: wait, do not key")
        return
    if sight.ready_in_us:
        at.say(f"the amplifier warms up: {sight.ready_in_us / 1e6:.0f} s left; do not key")
        at.change(moved_us=at.now_us)
    elif sight.amplifier in {AmplifierState.OFF, AmplifierState.COOL_DOWN}:
        end(at, "the amplifier was switched off")
    elif sight.refusal is not None:
        at.say(f"wait, do not key: {sight.refusal}")


def _numbers(at: Working, sight: Sight) -> None:
    strayed(at, sight)


def _wait(at: Working, sight: Sight) -> None:
    """Nothing to see to."""


def _stopped(at: Working, sight: Sight) -> None:
    if not at.it.asked and (not sight.keyed or at.now_us >= at.it.since_us + LET_GO_US):
        at.ask(AmplifierRequest.STANDBY)
        at.change(asked=True)
    if not sight.keyed and at.it.hold is not None:
        at.hold(None)


_STEPS = {
    TuneStep.DIAL: dial,
    TuneStep.CHANGE_OVER: _change_over,
    TuneStep.MATCHING: match,
    TuneStep.DRIVE: _drive,
    TuneStep.OPERATE: _operate,
    TuneStep.KEY: key_down,
    TuneStep.UNKEY: key_up,
    TuneStep.NUMBERS: _numbers,
    TuneStep.SAVE: _wait,
    TuneStep.STOPPED: _stopped,
    TuneStep.ENDED: _wait,
}


def _next(at: Working, sight: Sight) -> None:
    step = at.it.step
    if step is TuneStep.DRIVE and not at.it.plan.limits_drive:
        if sight.keyed:
            raise TuneRefusedError("unkey first")
        at.go(TuneStep.OPERATE, "")
        return
    if step is TuneStep.MATCHING and at.it.matching is not None:
        if sight.keyed:
            raise TuneRefusedError("unkey first")
        if not sight.released:
            raise TuneRefusedError(f"not yet: {at.it.text}")
        at.go(TuneStep.DRIVE, "")
        return
    if step is TuneStep.STOPPED:
        raise TuneRefusedError("say `again`, `skip` or `stop`")
    raise TuneRefusedError(f"not yet: {at.it.text}")
