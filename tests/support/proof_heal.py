"""Nothing is a dead end: from any state a world that has healed leads back to the target, in bounded time.

Healed: links open, every command is done, every note is written, the rig is polled and nobody keys, lockouts end and
faults are acknowledged. The target: no change-over left, transmit released, antenna and tank those of the dial, and
operate exactly where the operator wishes it and the tube is hot.
"""

from proof_deeds import WORLDS, Deed, Kind, World
from proof_station import OUTSIDE
from proof_world import Node, deeds, take

from qsyd_rules.actuator import rests_at
from qsyd_rules.amplifier import Hot, Line
from qsyd_rules.state import Permit

WITHIN_US = 60_000_000
STEPS_MAX = 400
_MENDED = World("mended", WORLDS["dial"].kinds | {Kind.SENSE})


class NoWayBackError(Exception):
    """A state from which a healed world does not reach its target."""


class Healer:
    """Follows healed worlds; a state that an earlier way has passed need not be followed again."""

    def __init__(self) -> None:
        self._good: set[int] = set()

    def heal(self, node: Node) -> bool:
        """Follow one state; False for one that is stopping, which has no way back and wants none."""
        if node.witness.stopping:
            return False
        passed: list[int] = []
        took_us = 0
        for _ in range(STEPS_MAX):
            key = hash(node.key())
            if key in self._good or at_target(node):
                self._good.update(passed)
                return True
            passed.append(key)
            deed = _next(node)
            if took_us > WITHIN_US:
                break
            step = take(node, deed, None)
            took_us += step.took_us
            node = step.node
        raise NoWayBackError(f"no way back within {took_us / 1e6:g} s: {_standing(node)}")


def _next(node: Node) -> Deed:
    """What a healed world does next."""
    if node.down:
        return Deed(Kind.CONNECT, min(node.down))
    if node.witness.lockout:
        return Deed(Kind.UNLOCK)
    if node.witness.line_keyed:
        return Deed(Kind.SENSE, False)
    if node.witness.hz is None:
        return Deed(Kind.APPEAR, next(iter(_MENDED.dials)))
    if node.witness.hz == OUTSIDE:
        return Deed(Kind.DIAL, next(iter(_MENDED.dials)))
    if node.witness.rig_keyed:
        return Deed(Kind.KEY, False)
    if node.core.fault is not None:
        return Deed(Kind.ACKNOWLEDGE)
    if node.core.tuning is not None:
        return Deed(Kind.TUNE, "nothing")
    ready = next((deed for deed in deeds(node, _MENDED) if deed.kind in {Kind.DONE, Kind.RECORDED}), None)
    if ready is not None:
        return ready
    if node.core.change_over is not None and not node.witness.agreed:
        return Deed(Kind.POLL)
    return Deed(Kind.POLL if node.core.wake_us is None else Kind.WAIT)


def at_target(node: Node) -> bool:
    """Whether the station is where the dial and the operator want it."""
    core, place = node.core, node.witness.place
    if place is None or node.down or node.witness.keyed or core.fault is not None or core.lockout is not None:
        return False
    bare = place.rests_on == "nothing"
    wished = core.wish and isinstance(core.amplifier, Hot) and not bare
    return (
        core.change_over is None
        and core.reasons is None
        and not core.commands
        and rests_at(core.permit, Permit.RELEASED)
        and rests_at(core.antenna, place.antenna)
        and core.tuning is None
        and (bare or node.witness.fits)
        and rests_at(core.line, Line.OPERATE if wished else Line.STANDBY)
    )


def _standing(node: Node) -> str:
    core = node.core
    return f"permit {core.permit}, line {core.line}, antenna {core.antenna}, tank {core.tank}, {core.change_over}"
