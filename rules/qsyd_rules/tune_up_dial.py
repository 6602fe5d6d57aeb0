"""The dial step of a tune-up: the operator dials, or the rig is set where the station file allows that.

It is set once for each time a place is begun, unkeyed, in standby, with transmit known to be forbidden where anything can
forbid it, and not while somebody turns the knob. What the rig tells afterwards counts, not what it was told: wherever
else it stands, the operator has the dial from then on. Split, VFO and mode are never changed.
"""

from qsyd_rules.quantity import format_frequency
from qsyd_rules.tune_plan import TunePlace
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import SetDial, TuneStep, Working
from qsyd_rules.tune_up_place import DIAL_WITHIN_HZ
from qsyd_rules.words import AmplifierState

RESTS_US = 1_000_000
"""A dial that has not moved for so long is not being turned. Common practice, no source."""
SET_US = 2_000_000
"""So long a rig may take to stand where it was told. Common practice, no source."""
HOLD = "the dial is being set"


def dial(at: Working, sight: Sight) -> None:
    """Say where to dial, or have it done, until the rig stands there."""
    place = at.it.place
    if place is None:
        return
    if sight.keyed:
        if at.it.hold is not None:
            leave_dial(at, "somebody keyed")
        at.say(f"unkey; then {wanted(place)}")
    elif is_there(place, sight):
        at.change(dial_from_hz=None)
        at.hold(None)
        at.go(TuneStep.CHANGE_OVER, "the station changes over: wait")
    elif sight.transmit_hz is None:
        at.say(f"{wanted(place)}; the transmit frequency is not known (split?)")
    elif not at.it.plan.sets_dial:
        at.say(f"{wanted(place)}; it stands at {format_frequency(sight.transmit_hz)}")
    elif at.it.dial_left is not None:
        stands = format_frequency(sight.transmit_hz)
        at.say(f"{wanted(place)}; it stands at {stands}, and is yours: {at.it.dial_left}. `again` has it set for you")
    elif at.it.dial_from_hz is not None:
        _read_back(at, sight, place, sight.transmit_hz, at.it.dial_from_hz)
    else:
        _set(at, sight, place, sight.transmit_hz)


def _set(at: Working, sight: Sight, place: TunePlace, stands_hz: int) -> None:
    """Have it set, as soon as everything allows that."""
    if sight.split:
        leave_dial(at, "split is on; it is set only with split off")
        at.say(f"{wanted(place)}: split is on, and it is set for you only with split off; dial it, or `again`")
    elif sight.wish or sight.amplifier is AmplifierState.OPERATE:
        at.say("wait: the amplifier goes to standby; then the dial is set")
    elif at.now_us < sight.moved_us + RESTS_US:
        at.say(f"{wanted(place)}; it is being turned: leave it alone for a second and it is set for you")
    elif at.it.plan.inhibits and not (at.it.hold is not None and sight.forbidden):
        at.hold(HOLD)
        at.say("wait: transmit is being forbidden; then the dial is set")
    else:
        at.change(dial_from_hz=stands_hz, dial_us=at.now_us)
        at.acts.append(SetDial(place.dial_hz))
        at.say(f"the dial is being set to {format_frequency(place.dial_hz)}: wait, do not key")


def _read_back(at: Working, sight: Sight, place: TunePlace, stands_hz: int, from_hz: int) -> None:
    """It has been told. Where does it stand?"""
    late = at.now_us >= at.it.dial_us + SET_US
    if stands_hz != from_hz:
        leave_dial(at, "it was turned meanwhile")
    elif late:
        leave_dial(at, "the rig did not take the setting" if sight.asked_us > at.it.dial_us else "the rig is slow")


def leave_dial(at: Working, why: str) -> None:
    """From here on the operator dials."""
    at.change(dial_left=why, dial_from_hz=None)
    at.hold(None)


def is_there(place: TunePlace, sight: Sight) -> bool:
    """Whether the rig would transmit where this place is tuned."""
    if sight.transmit_hz is None or sight.segment != place.segment.name:
        return False
    return abs(sight.transmit_hz - place.dial_hz) <= DIAL_WITHIN_HZ


def wanted(place: TunePlace) -> str:
    """Where the dial has to go, and why there."""
    there = format_frequency(place.dial_hz)
    if place.elsewhere_because is None:
        return f"dial to {there}, the centre of {place.segment.name}, for {place.antenna}"
    centre = format_frequency(place.segment.centre_hz)
    return (
        f"dial to {there} in {place.segment.name}, for {place.antenna} (not its centre, {centre}: "
        f"{place.elsewhere_because})"
    )
