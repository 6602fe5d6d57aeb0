"""Each seeded bug is put into the core, with nobody in its way, and has to be found by at least two of four methods.

The methods keep accounts of their own and share no code: the exhaustive search with its claims, the gate, the observer
of random afternoons on the bench, and the monitor. The table of who found what is printed (`pytest -s`).
"""

from collections.abc import Iterator

import pytest
from proof_bench import afternoon, evening
from proof_bugs import BUGS
from proof_finders import FINDERS, found_by

from qsyd_rules.command import RecallPreset

INVARIANTS = {
    *("I1", "I2", "I3", "I4", "I5", "I6", "I7", "I8", "I9", "I10", "I11", "I14", "I16", "I17", "I21", "I24", "I25"),
}
AT_LEAST = 2

pytestmark = pytest.mark.begun_first


@pytest.fixture(scope="module")
def table() -> Iterator[dict[str, dict[str, str]]]:
    """Who found what; printed when all bugs have been tried."""
    found: dict[str, dict[str, str]] = {}
    yield found
    print(f"\n{'seeded bug':36} {'':4} " + " ".join(f"{each:9}" for each in FINDERS))
    for name, by in found.items():
        marks = " ".join(f"{'found' if each in by else '-':9}" for each in FINDERS)
        print(f"{name:36} {BUGS[name].invariant:4} {marks}")


def test_every_invariant_has_a_seeded_bug() -> None:
    assert {bug.invariant for bug in BUGS.values()} >= INVARIANTS


def test_the_sound_core_gives_nobody_a_word_to_say() -> None:
    """The watchers that find the bugs are silent on the same afternoons without them."""
    heard = {seed: afternoon(seed).found for seed in range(24)}

    assert {seed: found for seed, found in heard.items() if found} == {}


def test_the_sound_core_gives_nobody_a_word_to_say_on_evenings_with_tune_ups_and_estimates() -> None:
    """Estimates and tanks of a tune-up were recalled often enough for that to say something."""
    recalled = 0
    for seed in range(24):
        watchers = evening(seed)
        assert watchers.found == {}, seed
        commands = [each for _, each in watchers.bench.sent]
        recalled += sum(isinstance(each, RecallPreset) and each.estimate for each in commands)
        recalled += sum(isinstance(each, RecallPreset) and each.tune == 500 for each in commands)
    assert recalled >= 20


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", BUGS)
def test_a_seeded_bug_is_found_by_at_least_two(name: str, table: dict[str, dict[str, str]]) -> None:
    found = table[name] = found_by(BUGS[name])

    assert len(found) >= AT_LEAST, found
