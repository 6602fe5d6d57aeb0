"""The places of a tune-up: how one begins, is halted or left, and how the whole ends."""

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.preset import Preset
from qsyd_rules.tune_plan import LEVELS
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import ChangeTuning, Outcome, TuneStep, Working
from qsyd_rules.words import AmplifierState

DIAL_WITHIN_HZ = 1_000
"""So near the segment's centre is the centre. Common practice, no source."""


def end(at: Working, why: str) -> None:
    """It is over: out of operate, and the core knows of no tuning any more."""
    at.go(TuneStep.ENDED, why)
    at.ask(AmplifierRequest.STANDBY)
    at.acts.append(ChangeTuning(None))


def stop(at: Working, text: str, remedy: str) -> None:
    """This segment is halted: the permit is taken away, then operate; nothing of it is saved."""
    at.hold(text)
    at.go(TuneStep.STOPPED, f"{text}. Unkey. Then: {remedy}. `again`, `skip` or `stop`")
    if not at.it.plan.inhibits:
        at.ask(AmplifierRequest.STANDBY)
        at.change(asked=True)


def start_place(at: Working) -> None:
    """A place from its beginning: standby, a quarter of the drive, and the dial."""
    place = at.it.place
    if place is None:
        end(at, f"done: {at.it.saved} of {len(at.it.plan.places)} segments saved")
        return
    at.go(TuneStep.DIAL, "")
    at.change(level=0, drive_w=max(1, round(place.drive_w * LEVELS[0])), hold=None, best=None)
    at.change(dial_from_hz=None, dial_left=None)
    _match_as_stored(at)
    at.ask(AmplifierRequest.STANDBY)
    at.tell_core()


def _match_as_stored(at: Working) -> None:
    """Begin with the matching unit as it was stored, or as it was told in this place before."""
    place = at.it.place
    if place is None or at.it.matched == at.it.index:
        return  # `again`: what was told stands
    matching = place.start.matching if place.start is not None else ()
    known = bool(matching) and len(matching) == (place.matching or len(matching))
    at.change(start=place.start, matching=matching if known else None, matched=at.it.index)


def leave_place(at: Working, preset: Preset | None) -> None:
    """Done with this place, saved or skipped; on to the next."""
    place = at.it.place
    if place is not None:
        at.change(outcomes=(*at.it.outcomes, Outcome(place, preset)), index=at.it.index + 1)
    start_place(at)


def strayed(at: Working, sight: Sight) -> bool:
    """The dial is no longer where this place is tuned: back to the first step."""
    place = at.it.place
    if place is None or sight.transmit_hz is None:
        return False
    if sight.segment == place.segment.name and abs(sight.transmit_hz - place.dial_hz) <= DIAL_WITHIN_HZ:
        return False
    at.ask(AmplifierRequest.STANDBY)
    at.change(level=0, drive_w=max(1, round(place.drive_w * LEVELS[0])), best=None)
    at.change(dial_from_hz=None, dial_left="it was turned away from there")
    at.tell_core()
    at.go(TuneStep.DIAL, "")
    return True


def stood_by(at: Working, sight: Sight) -> bool:
    """Somebody else took operate away."""
    if sight.wish or sight.amplifier is AmplifierState.OPERATE:
        return False
    end(at, "standby was asked for elsewhere")
    return True
