"""The monitor: looks at what has left, and at what has not left in time, and says so when that is wrong.

It sees the trace alone (events in; notes asked for, commands that left, answers to people) and holds it to the invariants
with an account of its own:
`monitor_commands` judges each command that left, `monitor_waits` what should have. A cause is told once until it has
gone. What follows from it (safe state, a latched fault) is the core's to do.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from qsyd_rules.effect import Actuate, Answer, Effect, RecordIntent
from qsyd_rules.event import Event, FaultAcknowledged, Reloaded, RigRead
from qsyd_rules.monitor_account import Account, Wrong, acknowledged, left, took
from qsyd_rules.monitor_commands import judge
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.monitor_place import misplacement
from qsyd_rules.monitor_reload import reloaded
from qsyd_rules.monitor_waits import SAFE_WITHIN_US, waits
from qsyd_rules.station import Station
from qsyd_rules.wiring import Wiring

__all__ = ["Monitor", "Seen", "Watched", "Wrong", "seen"]

Seen = Actuate | RecordIntent | Answer
"""Of what leaves, what the monitor looks at."""


def seen(effects: Iterable[Effect]) -> tuple[Seen, ...]:
    """What of these the monitor looks at."""
    return tuple(effect for effect in effects if isinstance(effect, Actuate | RecordIntent | Answer))


@dataclass(frozen=True, slots=True)
class Watched:
    """What the monitor remembers. Few fields, for the polls of a dial at rest make a new one twenty times a second."""

    now_us: int
    heard_us: int
    """When the followed rig was last heard."""
    due_us: int | None
    """When something that stands now becomes wrong by itself."""
    exposed: bool
    """Whether silence of the rig would call for a command."""
    account: Account
    said: frozenset[str]
    """Causes that were told and have not gone since."""


class Monitor:
    """The rules of the monitor for one station; immutable."""

    __slots__ = ("_facts",)

    def __init__(self, station: Station, wiring: Wiring) -> None:
        self._facts = Facts(station, wiring)

    def initial(self, at_us: int) -> Watched:
        """What is remembered at the start: nothing."""
        return Watched(at_us, at_us, None, False, Account(), frozenset())

    def step(self, watched: Watched, event: Event, left: tuple[Seen, ...]) -> tuple[Watched, Wrong | None]:
        """Look at one event, and at what left upon it."""
        if not left and isinstance(event, RigRead) and self._says_nothing_new(watched, event):
            unchanged = Watched(
                event.at_us, event.at_us, watched.due_us, watched.exposed, watched.account, watched.said
            )
            return unchanged, None
        return self._look(watched, event, left)

    def _says_nothing_new(self, watched: Watched, event: RigRead) -> bool:
        known, at_us = watched.account.reading, event.at_us
        return (
            known is not None
            and event.rig == known.rig
            and event.transmit_hz == known.transmit_hz
            and event.keyed == known.keyed
            and at_us <= watched.heard_us + self._facts.lost_after_us
            and (watched.due_us is None or at_us < watched.due_us)
        )

    def _look(self, watched: Watched, event: Event, effects: tuple[Seen, ...]) -> tuple[Watched, Wrong | None]:
        facts, at_us = self._facts, event.at_us
        before = watched.account
        if isinstance(event, Reloaded):
            before = reloaded(before, event, facts)
        account = took(before, event, watched.heard_us, facts)
        heard_us = at_us if isinstance(event, RigRead) and event.rig == facts.followed else watched.heard_us
        wrong: Wrong | None = None
        for effect in effects:
            if isinstance(effect, Answer):
                if effect.accepted and isinstance(event, FaultAcknowledged):
                    account = acknowledged(account)
                continue
            if isinstance(effect, Actuate):
                wrong = wrong or judge(account, event, effect.command, facts)
            account = left(account, at_us, effect)
        account = _placed(account, at_us, facts)
        standing, due_us = set[str](), None
        for wait in waits(account, at_us, facts):
            if wait.due_us > at_us:
                due_us = wait.due_us if due_us is None else min(due_us, wait.due_us)
            elif wait.cause in watched.said:
                standing.add(wait.cause)
            elif wrong is None:
                wrong = Wrong(wait.invariant, wait.text)
                standing.add(wait.cause)
            else:  # one at a time: the next look tells it
                due_us = at_us + 1
        exposed = account.reading is not None and not account.is_safe(facts)
        return Watched(at_us, heard_us, due_us, exposed, account, frozenset(standing)), wrong

    def wake_at_us(self, watched: Watched) -> int | None:
        """When time alone would make something wrong; never a moment that has passed."""
        if not watched.exposed:
            return watched.due_us
        silent_us = max(watched.heard_us + self._facts.lost_after_us + SAFE_WITHIN_US, watched.now_us + 1)
        return silent_us if watched.due_us is None else min(watched.due_us, silent_us)


def _placed(account: Account, at_us: int, facts: Facts) -> Account:
    """Keep count of since when operate has stood where it has no place."""
    misplaced = account.is_in_operate and misplacement(account, facts) is not None
    if misplaced == (account.misplaced_us is not None):
        return account
    return account.but(misplaced_us=at_us if misplaced else None)
