"""Breadth-first search over everything that can happen to the small station; what it finds first is shortest.

For each state only its key's 64-bit hash, its parent and the deed that led there are kept; a history is lived again to
be shown. Two keys that share a hash would hide a state: at a million states the chance of any is below 10^-7.
"""

import time
from array import array
from collections import deque
from dataclasses import dataclass, field

from proof_claims import BrokenClaim, Claims
from proof_deeds import Deed, Kind, World
from proof_heal import Healer, NoWayBackError
from proof_roots import ROOTS, USUAL_ROOTS
from proof_world import Node, deeds, take

from qsyd_rules.effect import Actuate, Report

FINDERS = frozenset({"claims", "gate", "healing"})


@dataclass(frozen=True, slots=True)
class Violation:
    """What does not hold, who says so, and the shortest way there."""

    found_by: str
    """`claims`, `gate` or `healing`."""
    what: str
    root: str
    history: tuple[Deed, ...]

    def __str__(self) -> str:
        return f"{self.found_by}: {self.what}\n{told_as_history(self.root, self.history)}"


@dataclass
class Found:
    """What one search saw."""

    states: int = 0
    edges: int = 0
    depth: int = 0
    whole: bool = False
    """Whether every reachable state was searched, so that the bound did not cut it short."""
    healed: int = 0
    """From how many states a healed world was followed back to its target."""
    seconds: float = 0.0
    claims: Claims = field(default_factory=Claims)
    violations: list[Violation] = field(default_factory=list)


def search(
    world: World,
    states_max: int,
    *,
    roots: tuple[str, ...] | None = None,
    heal_every: int = 0,
    stop_on: frozenset[str] = FINDERS,
) -> Found:
    """Search up to `states_max` states; stop once one of `stop_on` has found something. Every `heal_every`-th state is also healed (0: none)."""
    roots = roots or world.roots or USUAL_ROOTS
    found = Found()
    began = time.perf_counter()
    parents, choices = array("l"), array("H")
    seen: set[int] = set()
    frontier: deque[tuple[int, Node, int]] = deque()
    healer = Healer()
    for number, name in enumerate(roots):
        node = ROOTS[name]
        seen.add(hash(node.key()))
        frontier.append((len(parents), node, 0))
        parents.append(-1 - number)
        choices.append(0)
    finders: set[str] = set()

    def report(found_by: str, what: str, index: int, last: Deed | None) -> None:
        if found_by in finders:
            return
        finders.add(found_by)
        root, history = _way_to(index, parents, choices, roots, world)
        found.violations.append(Violation(found_by, what, root, (*history, last) if last else history))

    while frontier and not finders & stop_on:
        index, node, depth = frontier.popleft()
        found.depth = depth
        if heal_every and index % heal_every == 0:
            try:
                found.healed += healer.heal(node)
            except NoWayBackError as error:
                report("healing", str(error), index, None)
        for choice, deed in enumerate(deeds(node, world)):
            found.edges += 1
            try:
                step = take(node, deed, found.claims)
            except BrokenClaim as broken:
                report("claims", str(broken), index, deed)
                step = take(node, deed, None)
            if step.refusal is not None:
                report("gate", str(step.refusal), index, deed)
            key = hash(step.node.key())
            if key in seen or len(parents) >= states_max:
                continue
            seen.add(key)
            frontier.append((len(parents), step.node, depth + 1))
            parents.append(index)
            choices.append(choice)
    found.states = len(parents)
    found.whole = not frontier and len(parents) < states_max
    found.seconds = time.perf_counter() - began
    return found


def _way_to(
    index: int, parents: "array[int]", choices: "array[int]", roots: tuple[str, ...], world: World
) -> tuple[str, tuple[Deed, ...]]:
    """The root and the deeds that lead from it to a state."""
    taken: list[int] = []
    while parents[index] >= 0:
        taken.append(choices[index])
        index = parents[index]
    root = roots[-1 - parents[index]]
    node = ROOTS[root]
    history: list[Deed] = []
    for choice in reversed(taken):
        deed = list(deeds(node, world))[choice]
        history.append(deed)
        node = take(node, deed, None).node
    return root, tuple(history)


def told_as_history(root: str, history: tuple[Deed, ...]) -> str:
    """A history to read: each deed with its time, and the commands and notices that came of it."""
    lines = [f"from: {root}"]
    node, now_us = ROOTS[root], 0
    for deed in history:
        what = str(deed)
        if deed.kind in {Kind.DONE, Kind.FAILED}:
            what = f"{deed.kind} {node.core.commands[int(deed.what or 0)].name}"
        step = take(node, deed, None)
        now_us += step.took_us
        lines.append(f"{now_us / 1e6:8.3f} s  {what}")
        for effect in step.effects:
            if isinstance(effect, Actuate):
                lines.append(f"              -> {effect.command}")
            elif isinstance(effect, Report) and effect.notice.event not in {"command", "placed", "frequency"}:
                lines.append(f"              .. {effect.notice}")
        node = step.node
    return "\n".join(lines)
