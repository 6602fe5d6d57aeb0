"""The shortest failing history: whatever can be left out of a plan, with the failure still there, is left out."""

from collections.abc import Callable
from dataclasses import replace

from qsyd_simulators.world.agenda import MS
from qsyd_simulators.world.happening import Plan
from qsyd_simulators.world.verdict import Violation

TRIES_MAX = 400
AFTER_US = 50 * MS


def shortest(plan: Plan, violation: Violation, fails: Callable[[Plan], Violation | None]) -> tuple[Plan, Violation]:
    """A plan with the same violation of which no single piece can be left out, as far as the tries reach.

    `fails` says how a plan violates the same invariant, or None. First the end is cut off, then ever smaller pieces.
    """
    best, found, tries = plan, violation, 0

    def attempt(candidate: Plan) -> bool:
        nonlocal best, found, tries
        tries += 1
        again = fails(candidate)
        if again is None:
            return False
        best, found = candidate, again
        return True

    if found.at_us < best.until_us:
        end_us = found.at_us + AFTER_US
        earlier = tuple(each for each in best.happenings if each.at_us <= end_us)
        attempt(replace(best, happenings=earlier, until_us=end_us))
    size = max(1, len(best.happenings) // 2)
    while tries < TRIES_MAX:
        start, left_out = 0, False
        while start < len(best.happenings) and tries < TRIES_MAX:
            kept = best.happenings[:start] + best.happenings[start + size :]
            if attempt(replace(best, happenings=kept)):
                left_out = True
            else:
                start += size
        if size == 1 and not left_out:
            break
        size = max(1, size // 2)
    return best, found
