"""Following the rigs: what they tell, when they fall silent, and where that places the station."""

from qsyd_rules.event import RigRead
from qsyd_rules.hold import end_hold_on_move, held_by
from qsyd_rules.notice import FrequencyChanged, Keyed, LinkLost, LinkUp, Placed, Positions, Unkeyed
from qsyd_rules.placement import Placement
from qsyd_rules.quantity import format_minute
from qsyd_rules.state import RigState
from qsyd_rules.station import Rig
from qsyd_rules.turn import Turn


def silent_at_us(rig: Rig, known: RigState) -> int:
    """When a rig counts as lost, if it stays silent."""
    return known.heard_us + rig.lost_after_us


def read_rig(turn: Turn, event: RigRead) -> None:
    """Take in what a rig told."""
    known = turn.state.rigs[event.rig]
    first = not known.up
    moved = first or known.transmit_hz != event.transmit_hz
    changed = (
        moved
        or known.frequency_hz != event.frequency_hz
        or known.split is not event.split
        or known.mode is not event.mode
    )
    was_keyed = known.up and known.keyed is True
    # One that was keyed and does not tell any more is taken as keyed still, until it tells otherwise or is lost.
    keyed = True if was_keyed and event.keyed is None else event.keyed
    is_keyed = keyed is True
    now_us = turn.now_us
    told = known.but(
        up=True,
        heard_us=now_us,
        lost_because="",
        frequency_hz=event.frequency_hz,
        transmit_hz=event.transmit_hz,
        split=event.split,
        mode=event.mode,
        keyed=keyed,
        unkeyed_since_us=now_us if first or was_keyed or is_keyed else known.unkeyed_since_us,
        moved_us=now_us if moved else known.moved_us,
        asked_us=known.asked_us if event.asked_at_us is None else event.asked_at_us,
        told_from_us=known.told_from_us if event.fresh_from_us is None else event.fresh_from_us,
        placed=None if first else known.placed,
        told_of=None if first else known.told_of,
    )
    turn.change(rigs={**turn.state.rigs, event.rig: told})
    if first:
        turn.report(LinkUp(event.rig))
    if changed and event.transmit_hz is not None:
        turn.report(FrequencyChanged(event.rig, event.frequency_hz, event.transmit_hz, event.split, event.mode))
    if event.rig != turn.followed and is_keyed is not was_keyed:  # the followed rig's key has other witnesses too
        turn.report(Keyed(event.rig) if is_keyed else Unkeyed(event.rig))
    if moved and event.rig == turn.followed:
        take_minute(turn)
        end_hold_on_move(turn)


def take_minute(turn: Turn) -> None:
    """Let decisions use the hour as it is now."""
    if turn.state.minute_used != turn.state.minute:
        turn.change(minute_used=turn.state.minute)


def lose_rig(turn: Turn, name: str, reason: str) -> None:
    """A rig is silent or its link is gone: nothing it told may be used any longer."""
    known = turn.state.rigs[name]
    lost = known.but(up=False, lost_because=reason, keyed=None, transmit_hz=None)
    turn.change(rigs={**turn.state.rigs, name: lost})
    if known.up:
        turn.report(LinkLost(name, reason))
    if known.up and name == turn.followed:
        turn.send_no_more()


def redecide(turn: Turn) -> None:
    """Place every rig anew, where anything that decides has changed, and report the decisions that did."""
    for rig in turn.atlas.station.rigs:
        known = turn.state.rigs[rig.name]
        if rig.name == turn.followed:
            _redecide_followed(turn, known)
        elif known.up and known.transmit_hz is not None:
            _report_placed(turn, turn.atlas.place(turn.situation(rig.name, known.transmit_hz), turn.state.presets))


def _redecide_followed(turn: Turn, known: RigState) -> None:
    if not known.up or known.transmit_hz is None:
        if turn.state.here is not None:
            turn.change(here=None)
        return
    before = turn.state.here
    here = turn.atlas.place(turn.situation(turn.followed, known.transmit_hz), turn.state.presets)
    if here is before or here == before:
        return
    if before is None or here.key != before.key:
        turn.change(here_since_us=turn.now_us)
        if known.asked_us >= turn.now_us:
            # An answer that took no time is still one reading: it cannot be the second one of its own place.
            turn.change(rigs={**turn.state.rigs, turn.followed: known.but(asked_us=turn.now_us - 1)})
    if before is None or not before.served:
        turn.change(reported_us=turn.now_us)
    turn.change(here=here)


def report_followed(turn: Turn) -> None:
    """Report the place in force for the followed rig: not one that the dial only drifts through."""
    here, target = turn.state.here, turn.state.target
    if here is None:
        return
    _report_placed(turn, here if not here.served or target is None else target)


def _report_placed(turn: Turn, placement: Placement) -> None:
    known = turn.state.rigs[placement.rig]
    told_of = (placement, turn.state.minute_used, turn.state.hold, turn.atlas.rulebook)
    if told_of == known.told_of:
        return
    placed = placed_notice(turn, placement)
    turn.change(rigs={**turn.state.rigs, placement.rig: known.but(placed=placed, told_of=told_of)})
    if placed != known.placed:
        turn.report(placed)


def placed_notice(turn: Turn, placement: Placement) -> Placed:
    """The decision in the words of its event."""
    rules = turn.atlas.rulebook.rules
    preset = placement.preset
    return Placed(
        rig=placement.rig,
        band=placement.band.name if placement.band else None,
        segment=placement.segment.name if placement.segment else None,
        antenna=placement.antenna.name if placement.antenna else None,
        port=placement.antenna.port if placement.antenna else None,
        preset=Positions(preset.tune, preset.load) if preset else _estimated(placement),
        rules=tuple(rules[number].name for number in placement.selections.deciding),
        because=_because(turn, placement),
        utc=None if turn.state.minute_used is None else format_minute(turn.state.minute_used),
    )


def _estimated(placement: Placement) -> Positions | None:
    """What stands in for a preset, marked as what it is."""
    fitted = placement.estimate
    if fitted is None:
        return None
    return Positions(fitted.tune, fitted.load, True, fitted.tune_error, fitted.load_error)


def _because(turn: Turn, placement: Placement) -> str:
    """Why this antenna: an operator's hold, a rule, or the order of the file."""
    if placement.band is None:
        return "outside every band"
    if placement.antenna is None:
        return f"no antenna covers {placement.band.name}"
    hold, decider = turn.state.hold, placement.selections.antenna
    if placement.held and hold is not None:
        return held_by(hold)
    if decider is not None:
        return f"rule “{turn.atlas.rulebook.rules[decider].name}”"
    return f"the first in the file that covers {placement.band.name}"
