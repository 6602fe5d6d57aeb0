"""Who finds a seeded bug: the search, the gate, the observer of the bench, the monitor; each on its own account."""

from proof_bench import afternoon, evening
from proof_bugs import Bug
from proof_deeds import WORLDS
from proof_search import search

FINDERS = ("search", "gate", "observer", "monitor")
AFTERNOONS = 24
STATES = 4_000


def found_by(bug: Bug) -> dict[str, str]:
    """Everybody who finds this bug, each with its first word; afternoons end once all three watchers have spoken."""
    found: dict[str, str] = {}
    with bug.put_in():
        for seed in range(AFTERNOONS):
            for who, text in (evening if bug.evening else afternoon)(seed).found.items():
                found.setdefault(who, text)
            if {"gate", "monitor"} <= found.keys() and (bug.evening or "observer" in found):
                break
        seen = search(
            WORLDS[bug.world],
            STATES if bug.searched else 0,
            roots=bug.roots,
            heal_every=50,
            stop_on=frozenset({"claims", "healing"}),
        )
    for violation in seen.violations:
        who = "gate" if violation.found_by == "gate" else "search"
        found.setdefault(who, f"{violation.what} (after {len(violation.history)} deeds)")
    return found
