"""Carries out what happens to a station from outside: the operator's acts, and the faults as they begin and end."""

from random import Random
from typing import assert_never

from qsyd_simulators.world.agenda import S
from qsyd_simulators.world.fault_switches import FaultSwitches
from qsyd_simulators.world.faults import CERTAIN, FaultKind
from qsyd_simulators.world.happening import (
    Acknowledge,
    Act,
    Ask,
    ChangeMode,
    Dial,
    EditPreset,
    Happening,
    HoldAntenna,
    Key,
    LockOut,
    OtherVfo,
    Relief,
    Split,
    Trouble,
    Unkey,
)
from qsyd_simulators.world.world import World

AFTERMATH_US = 12 * S
"""So long after a fault the daemon may still be without eyes or hands: links come back, retries pause."""


class Mischief:
    """One for a world. A fault that is on already does not begin again."""

    def __init__(self, world: World, seed: str) -> None:
        self._world = world
        self._switches = FaultSwitches(world, Random(f"{seed}/mischief"))
        self._on: dict[FaultKind, int] = {}
        self._blinded_until_us = -AFTERMATH_US
        self._blinding = 0
        world.excused = self.excused

    def excused(self, since_us: int) -> bool:
        """Whether a fault that takes eyes or hands has been there since then, its aftermath included."""
        return self._blinding > 0 or self._blinded_until_us + AFTERMATH_US > since_us

    def schedule(self, happenings: tuple[Happening, ...]) -> None:
        """Let all this happen in its time."""
        for happening in happenings:
            self._world.agenda.at(happening.at_us, self.do, happening.act)

    def do(self, act: Act) -> None:
        """Let one thing happen now."""
        world, rig = self._world, self._world.rig
        match act:
            case Dial(frequency_hz):
                rig.frequency_hz = frequency_hz
                rig.changed()
            case OtherVfo(frequency_hz):
                rig.other_hz = frequency_hz
                rig.changed()
            case Split(is_on):
                rig.split = is_on
                rig.changed()
            case ChangeMode(mode):
                rig.mode = mode
                rig.changed()
            case Key(minds_inhibit):
                if not (minds_inhibit and any(world.plant.held.values())):
                    rig.press(True)
            case Unkey():
                self._world.rig.press(False)
            case Ask(request):
                world.ask(request)
            case Acknowledge():
                world.acknowledge()
            case LockOut(is_on):
                world.lock_out(is_on)
            case HoldAntenna(antenna, lasts_us):
                world.hold(antenna, lasts_us)
            case EditPreset(antenna, segment, positions):
                world.edit_preset(antenna, segment, positions)
            case Trouble():
                self._begin(act)
            case Relief(kind):
                self._end((kind, self._on.get(kind, 0)))
            case _:
                assert_never(act)

    def heal(self) -> None:
        """Every fault ends, the operator lets go, a killed daemon is started again."""
        for kind in list(self._on):
            self._end((kind, self._on[kind]))
        self._world.rig.press(False)
        self._world.restart()

    def _begin(self, trouble: Trouble) -> None:
        kind = trouble.kind
        if kind in self._on:
            return
        life = self._on[kind] = self._world.now_us
        if kind not in CERTAIN:
            self._blinding += 1
        self._switches.throw(kind, trouble, True)
        if trouble.lasts_us is not None:
            self._world.agenda.after(trouble.lasts_us, self._end, (kind, life))

    def _end(self, what: tuple[FaultKind, int]) -> None:
        kind, life = what
        if self._on.get(kind) != life:
            return
        del self._on[kind]
        if kind not in CERTAIN:
            self._blinding -= 1
            self._blinded_until_us = self._world.now_us
        self._switches.throw(kind, Trouble(kind, None), False)
