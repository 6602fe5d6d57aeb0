"""Key evidence: keyed means that any source says so.

Sources are the rig's own word, a sensed keying line, and forward power above a floor. Sources that disagree count as
keyed, and the disagreement is told. An over that lasts too long is a stuck key.
"""

from qsyd_rules.notice import Keyed, Unkeyed, Warned
from qsyd_rules.turn import RF_FLOOR_W, Turn

DISAGREE_US = 500_000
"""Sources may differ for this long: they are read at different times."""
STUCK_GRACE_US = 2_000_000
"""Still keyed this long after the inhibit for an over that lasted too long: standby, and a latched fault."""
KEY_DOWN_US = 180_000_000
"""Longest over where the station has no amplifier with a limit of its own; 47 CFR 97.213(b) has three minutes."""


def note_key(turn: Turn) -> None:
    """Keep since when nobody, or somebody, has been keyed; tell the changes, and sources that disagree."""
    state, now_us = turn.state, turn.now_us
    keyed = turn.keyed
    was_keyed = state.keyed_since_us is not None
    if keyed and not was_keyed:
        turn.change(keyed_since_us=now_us)
        turn.send_no_more()
        turn.report(Keyed(turn.followed))
    elif was_keyed and not keyed:
        turn.change(keyed_since_us=None)
        if turn.rig.up:  # a rig that is lost tells nothing, neither that
            turn.report(Unkeyed(turn.followed))
    if keyed or was_keyed:
        turn.change(quiet_since_us=now_us)
    _note_disagreement(turn, keyed)


def _note_disagreement(turn: Turn, keyed: bool) -> None:
    state = turn.state
    rig = turn.rig
    denied = keyed and rig.up and rig.keyed is False
    if not denied:
        if state.disagree_since_us is not None:
            turn.change(disagree_since_us=None, disagree_told=False)
        return
    if state.disagree_since_us is None:
        turn.change(disagree_since_us=turn.now_us)
    elif turn.now_us >= state.disagree_since_us + DISAGREE_US and not state.disagree_told:
        powered = [f"{name} shows {watts:g} W" for name, watts in state.rf_w.items() if watts > RF_FLOOR_W]
        sensed = ["the last word of its sensed line is keyed"] if state.key_line else []
        told = ", ".join([*sensed, *powered])
        turn.change(disagree_told=True)
        turn.report(Warned("key-evidence", f"rig {turn.followed} says it receives, but {told}; it counts as keyed"))


def key_down_us(turn: Turn) -> int:
    """Longest over of this station."""
    amplifier = turn.atlas.station.amplifier
    return amplifier.limits.key_down_us if amplifier is not None else KEY_DOWN_US


def is_stuck(turn: Turn) -> bool:
    """Whether the present over has lasted too long."""
    since_us = turn.state.keyed_since_us
    return since_us is not None and turn.now_us >= since_us + key_down_us(turn)


def stuck_fault_due(turn: Turn) -> bool:
    """Whether an over goes on although it was inhibited for lasting too long."""
    since_us = turn.state.keyed_since_us
    return since_us is not None and turn.now_us >= since_us + key_down_us(turn) + STUCK_GRACE_US


def stuck_detail(turn: Turn) -> str:
    """The words of that fault."""
    return f"keyed for {(key_down_us(turn) + STUCK_GRACE_US) / 1e6:g} s and still down"
