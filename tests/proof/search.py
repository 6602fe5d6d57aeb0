"""Search the reachable states of core, gate and a small station's world, breadth first.

    python tests/proof/search.py                        1,200,000 states over all worlds, one process for each
    python tests/proof/search.py --world dial --states 50000

Prints for each world how far it came, how fast, and how often each claim had a case. Where something does not hold it
prints the shortest history that leads there, and exits with 1.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support"), str(ROOT / "rules")]

from proof_claims import CLAIMS
from proof_deeds import WORLDS
from proof_search import Found, search


def _search(name: str, states: int, heal_every: int) -> Found:
    return search(WORLDS[name], states, heal_every=heal_every)


def _told(name: str, found: Found) -> str:
    pace = f"{found.states / found.seconds:,.0f} states/s, {found.edges / found.seconds:,.0f} edges/s"
    extent = "the whole space" if found.whole else "cut short by the bound"
    return (
        f"{name}: {found.states:,} states, {found.edges:,} edges, depth {found.depth}, {extent}; "
        f"healed {found.healed:,}; {found.seconds:.0f} s, {pace}"
    )


def main() -> int:
    """Run the command; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--states", type=int, default=1_200_000, help="how many states at most, over all worlds")
    parser.add_argument("--world", action="append", choices=list(WORLDS), help="search this one; may be repeated")
    parser.add_argument("--heal-every", type=int, default=20, help="heal each so-many-th state; 0 heals none")
    parser.add_argument("--jobs", type=int, default=2, help="processes at once")
    asked = parser.parse_args()
    worlds = asked.world or list(WORLDS)
    share = -(-asked.states // len(worlds))
    counts = dict.fromkeys(CLAIMS, 0)
    states = edges = broken = 0
    with ProcessPoolExecutor(asked.jobs) as pool:
        running = {name: pool.submit(_search, name, share, asked.heal_every) for name in worlds}
        for name, future in running.items():
            found = future.result()
            print(_told(name, found), flush=True)
            states, edges = states + found.states, edges + found.edges
            for claim, count in found.claims.counts.items():
                counts[claim] += count
            for violation in found.violations:
                broken += 1
                print(violation, flush=True)
    print(f"{states:,} states, {edges:,} edges in all; cases of each claim:")
    for claim, text in CLAIMS.items():
        print(f"{counts[claim]:>12,}  {claim}: {text}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
