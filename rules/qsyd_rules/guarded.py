"""The station under guard: the core decides, the gate lets pass, the monitor looks at what left.

Sequencer, gate and monitor are separate code with separate accounts of the station. A command that the gate refuses
never leaves: it comes back to the core as failed, and the core is told of its own mistake (`SafetyTripped`), which drops
the station to the safe state and latches. The same happens when the monitor finds something wrong in what did leave.
"""

from collections import deque
from dataclasses import dataclass

from qsyd_rules.core import StationCore
from qsyd_rules.effect import Actuate, Effect
from qsyd_rules.event import CommandFinished, Event, OutputAnswer, SafetyTripped
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import Account, observe, passed, told
from qsyd_rules.monitor import Monitor, Watched, seen
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.state import StationState
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import Result

MISTAKES_MAX = 8
"""So many mistakes over one event the core is told of; that what else is refused did not leave, it is always told."""
TURNS_MAX = 100
"""So often one event is worked through while gate or monitor object; a core that goes on and on has failed."""
GATE = "gate"
"""Who answers for a command that did not leave."""


@dataclass(frozen=True, slots=True)
class GuardedState:
    """What the three remember, each apart."""

    station: StationState
    account: Account
    watched: Watched


class GuardedStation:
    """One station with its core, gate and monitor; immutable, with the core's own interface."""

    __slots__ = ("atlas", "core", "followed", "gate", "monitor", "wiring")

    def __init__(self, atlas: Atlas, wiring: Wiring) -> None:
        self.atlas = atlas
        self.wiring = wiring
        self.core = StationCore(atlas, wiring)
        self.gate = Gate(atlas, wiring)
        self.monitor = Monitor(atlas.station, wiring)
        self.followed = self.core.followed

    def initial(self, presets: Presets, at_us: int, first_id: int = 1) -> GuardedState:
        """The state before anything is known."""
        return GuardedState(
            self.core.initial(presets, at_us, first_id),
            Account(now_us=at_us, presets=presets),
            self.monitor.initial(at_us),
        )

    def step(self, state: GuardedState, event: Event) -> tuple[GuardedState, tuple[Effect, ...]]:
        """Decide, and let out only what the gate lets pass."""
        account = observe(state.account, event, self.atlas.station, self.wiring)
        station, decided = self.core.step(state.station, event)
        watched, now = state.watched, event
        left: list[Effect] = []
        waiting = deque[Event]()
        mistakes = 0
        for _ in range(TURNS_MAX):
            let_out: list[Effect] = []
            if decided:
                account, let_out, refused = self._pass(told(account, decided), decided)
                left += let_out
                for number, error in refused:
                    failed, tripped = _mistaken(now.at_us, number, error)
                    waiting += (failed, tripped) if mistakes < MISTAKES_MAX else (failed,)
                    mistakes += 1
            watched, wrong = self.monitor.step(watched, now, seen(let_out))
            if wrong is not None and mistakes < MISTAKES_MAX:
                mistakes += 1
                waiting.append(SafetyTripped(now.at_us, wrong.invariant, f"seen by the monitor: {wrong.text}"))
            if not waiting:
                return GuardedState(station, account, watched), tuple(left)
            now = waiting.popleft()
            station, decided = self.core.step(station, now)
        raise AssertionError(f"the core goes on deciding what is refused: {now}")

    def _pass(
        self, account: Account, decided: tuple[Effect, ...]
    ) -> tuple[Account, list[Effect], list[tuple[int, RefusedError]]]:
        """Sort what was decided into what leaves and what does not."""
        let_out: list[Effect] = []
        refused: list[tuple[int, RefusedError]] = []
        for effect in decided:
            if isinstance(effect, Actuate):
                try:
                    self.gate.judge(account, effect.command)
                except RefusedError as error:
                    refused.append((effect.command_id, error))
                    continue
                account = passed(account, effect.command_id, effect.command)
            let_out.append(effect)
        return account, let_out, refused

    def wake_at_us(self, state: GuardedState) -> int | None:
        """When to send `DeadlineReached`; None to wait for something to happen."""
        due = [self.core.wake_at_us(state.station), self.monitor.wake_at_us(state.watched)]
        return min((each for each in due if each is not None), default=None)


def _mistaken(at_us: int, number: int, error: RefusedError) -> tuple[Event, Event]:
    """What a refusal tells the core: that the command has failed, and that it was a mistake to decide it."""
    failed = CommandFinished(at_us, number, (OutputAnswer(GATE, Result.FAILED, str(error)),))
    return failed, SafetyTripped(at_us, error.invariant, f"refused by the gate: {error.text}")
