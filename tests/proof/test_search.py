"""The exhaustive search at a size for every run; `QSYD_PROOF_STATES` raises it, `search.py` runs it at full size."""

import os
import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from statistics import linear_regression
from typing import Any, cast

import pytest
from proof_claims import CLAIMS
from proof_deeds import WORLDS, World
from proof_heal import Healer
from proof_normal import BASE_US, NOTE_ID
from proof_roots import ROOTS
from proof_search import Found, search
from proof_station import DRIVEN_W, EDGES, GUESS_W, GUESSES, TANKS
from proof_world import CORE, deeds, events, take

from qsyd_rules.command import Command, InhibitTransmit
from qsyd_rules.effect import Actuate, Effect, RecordIntent
from qsyd_rules.event import CommandFinished, Event, IntentRecorded, RigRead
from qsyd_rules.state import StationState

STATES = int(os.environ.get("QSYD_PROOF_STATES", "10000"))
"""Over all worlds together."""
WALKS = 480
"""Likewise: random walks over all worlds together."""
CASES_MIN = min(25, STATES // 560)
"""A claim with fewer cases than this has not been tried."""
HEALED_MIN = STATES // 40

pytestmark = [pytest.mark.begun_first, pytest.mark.timeout(max(300, STATES // 50))]


@pytest.fixture(scope="module")
def searched() -> dict[str, Found]:
    """Every world, searched once."""
    return {name: search(world, STATES // len(WORLDS), heal_every=20) for name, world in WORLDS.items()}


@pytest.mark.parametrize("name", WORLDS)
def test_nothing_that_can_happen_breaks_a_claim_or_leads_to_a_dead_end(name: str, searched: dict[str, Found]) -> None:
    found = searched[name]

    assert [str(violation) for violation in found.violations] == []
    assert found.whole or found.states == STATES // len(WORLDS)
    assert found.edges > 2 * found.states


def test_every_claim_has_been_tried(searched: dict[str, Found]) -> None:
    """No claim holds for want of cases."""
    cases = Counter[str]()
    for found in searched.values():
        cases.update(found.claims.counts)
    for claim in CLAIMS:
        print(f"{cases[claim]:>10,}  {claim}")

    assert {claim: cases[claim] for claim in CLAIMS if cases[claim] < CASES_MIN} == {}
    assert sum(found.healed for found in searched.values()) >= HEALED_MIN


def test_the_table_of_estimates_is_what_the_law_gives() -> None:
    """Least squares of `a + b / f^2` by the textbook's formulas, apart from the code that estimates."""
    centres = {name: (low_hz + high_hz) / 2e6 for name, (low_hz, high_hz) in EDGES.items()}
    for (antenna, segment), guess in GUESSES.items():
        beside = [key for key in TANKS if key[0] == antenna]
        x = [centres[name] ** -2 for _, name in beside]
        for which, found in enumerate(guess):
            y = [TANKS[key][which] for key in beside]
            slope, level = linear_regression(x, y)
            assert round(level + slope * centres[segment] ** -2) == found
        assert min(DRIVEN_W[key] for key in beside) // 4 == GUESS_W


class Plain:
    """The core as it runs in life: its own clock, numbers and words, never brought into normal form."""

    def __init__(self, state: StationState) -> None:
        self.state = state
        self.note = NOTE_ID

    def live(self, event: Event) -> tuple[list[Command], int | None]:
        """The commands upon an event of the normal form, and how long until the core wants to be woken."""
        later_us = self.started_us - BASE_US
        changed: dict[str, Any] = {"at_us": event.at_us + later_us}
        match event:
            case RigRead(asked_at_us=int(asked_us)):
                changed["asked_at_us"] = asked_us + later_us
            case CommandFinished(command_id=number):
                changed["command_id"] = sorted(self.state.commands)[number - 1]
            case IntentRecorded():
                changed["intent_id"] = self.note
            case _:
                pass
        self.state, effects = CORE.step(self.state, cast(Event, replace(cast(Any, event), **changed)))
        for effect in effects:
            if isinstance(effect, RecordIntent):
                self.note = effect.intent_id
        wake_us = CORE.wake_at_us(self.state)
        return _sent(effects), None if wake_us is None else wake_us - self.state.now_us

    def begin(self) -> None:
        """The events of one deed begin now."""
        self.started_us = self.state.now_us

    @property
    def is_beyond(self) -> bool:
        """Whether it knows what the normal form forgets: worn relays, a lock, longer pauses."""
        state = self.state
        tries = [getattr(each, "failures", 0) for each in (state.permit, state.line, state.antenna, state.tank)]
        worn = state.care.allowed_at_us(state.now_us) > state.now_us
        held_off = any(each.failures > 1 for each in state.hold_offs.values())
        return worn or held_off or state.fault_locked or max(tries) > 1


def _sent(effects: Iterable[Effect]) -> list[Command]:
    commands = [effect.command for effect in effects if isinstance(effect, Actuate)]
    return [InhibitTransmit(()) if isinstance(each, InhibitTransmit) else each for each in commands]


@pytest.mark.parametrize("world", WORLDS.values(), ids=list(WORLDS))
def test_the_normal_form_forgets_nothing_that_decides(world: World) -> None:
    """The plain core and the one in normal form do the same, step by step, on random walks through the world."""
    draw = random.Random(world.name)
    compared = 0
    for _ in range(WALKS // len(WORLDS)):
        node = draw.choice(list(ROOTS.values()))
        plain = Plain(node.core)
        for _ in range(40):
            deed = draw.choice(list(deeds(node, world)))
            plain.begin()
            commands = [plain.live(event) for event in events(node, deed)]
            if plain.is_beyond:
                break
            step = take(node, deed, None)
            node = step.node
            wake_us = CORE.wake_at_us(node.core)
            assert [each for sent, _ in commands for each in sent] == _sent(step.effects), deed
            if node.witness.hz is not None:  # a lost rig's times still wake the plain core, to no effect
                assert commands[-1][1] == (None if wake_us is None else wake_us - BASE_US), deed
            compared += 1

    assert compared > 500


@pytest.mark.parametrize("root", ROOTS)
def test_every_root_can_be_healed(root: str) -> None:
    assert Healer().heal(ROOTS[root])
