"""An operator's hold of an antenna: how it begins, and how it ends by itself.

Its end is a change that only the clock brings. Like one of a rule's hour it takes effect at the next movement of the
dial, or once nobody has been keyed for 60 s, so that it cuts into no transmission.
"""

from qsyd_rules.event import Hold, HoldChanged
from qsyd_rules.notice import HoldEnded, HoldStarted
from qsyd_rules.turn import Turn

UNKEYED_US = 60_000_000
"""Unkeyed for this long, a hold whose time is over ends without the dial."""


def held_by(hold: Hold) -> str:
    """Who holds it, until when and why."""
    why = f": {hold.reason}" if hold.reason else ""
    return f"held by {hold.operator} until {hold.until}{why}"


def change_hold(turn: Turn, event: HoldChanged) -> None:
    """Begin a hold, in the place of one that stands, or end the one there is."""
    if event.hold is None:
        _end(turn, f"ended by {event.operator}")
        return
    if turn.state.hold is not None:
        _end(turn, f"{event.operator} holds {event.hold.antenna} now")
    turn.change(hold=event.hold)
    hold = event.hold
    turn.report(HoldStarted(hold.antenna, hold.until, hold.operator, hold.reason))


def pass_hold_time(turn: Turn) -> None:
    """End a hold whose time is over, once nobody has been keyed for a while."""
    hold = turn.state.hold
    if hold is None or turn.now_us < hold.until_us or turn.keyed:
        return
    if turn.now_us >= _quiet_since_us(turn) + UNKEYED_US:
        _end(turn, "its time is over")


def end_hold_on_move(turn: Turn) -> None:
    """The dial has moved: a hold whose time is over ends with it."""
    hold = turn.state.hold
    if hold is not None and turn.now_us >= hold.until_us:
        _end(turn, "its time is over")


def end_hold_without_antenna(turn: Turn) -> None:
    """A hold of an antenna that the station does not have any more ends at once."""
    hold = turn.state.hold
    if hold is not None and all(antenna.name != hold.antenna for antenna in turn.atlas.station.antennas):
        _end(turn, "this station has no such antenna any more")


def hold_ends_us(turn: Turn) -> int | None:
    """When time alone may end the hold."""
    hold = turn.state.hold
    if hold is None:
        return None
    return max(hold.until_us, _quiet_since_us(turn) + UNKEYED_US)


def _quiet_since_us(turn: Turn) -> int:
    return max(turn.rig.unkeyed_since_us, turn.state.quiet_since_us)


def _end(turn: Turn, because: str) -> None:
    hold = turn.state.hold
    if hold is not None:
        turn.change(hold=None)
        turn.report(HoldEnded(hold.antenna, hold.operator, because))
