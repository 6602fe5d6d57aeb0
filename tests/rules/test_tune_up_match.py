"""The matching step of a tune-up: a unit that a device sets, one that is set by hand, and what is refused."""

from dataclasses import replace
from typing import Any

import pytest
from tune_desk import Desk, place, plan

from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.tune_up import TuneStep, TuneWord
from qsyd_rules.tune_up_steps import TuneRefusedError

BESIDE = Preset("beam", "20m/1", 300, 410, (12, 40, 1))


def desk(start: Preset | None = None, *, matches: bool = True, **changed: Any) -> Desk:
    """A tune-up of an antenna with a matching unit of three positions, its dial at the centre."""
    made = Desk(plan(replace(place(), start=start, matching=3), matches=matches, **changed))
    made.see(transmit_hz=14_087_500)
    assert made.step() is TuneStep.MATCHING
    return made


def test_positions_that_nobody_knows_are_asked_for_and_moved_with_the_tank_where_it_is() -> None:
    it = desk()
    assert "tell where it is to begin: `matching=0,0,0` (3 numbers)" in it.text
    with pytest.raises(TuneRefusedError, match="not yet"):
        it.say(TuneWord.NEXT)
    with pytest.raises(TuneRefusedError, match="nothing tells where the tank stands"):
        it.give((5, 6, 0))
    it.see(readings=Readings(tune=200, load=210))
    it.give((5, 6, 0))
    assert it.sight.tuning is not None
    assert it.sight.tuning.start == Preset("beam", "20m/1", 200, 210, (5, 6, 0))


def test_positions_told_are_waited_for_and_can_be_changed_until_they_are_right() -> None:
    it = desk(BESIDE)
    assert "stands at 12 40 1" in it.text
    it.see(released=False, inhibits=("changing over to beam on 20m/1",))
    assert it.text == "wait: changing over to beam on 20m/1"
    with pytest.raises(TuneRefusedError, match="not yet"):
        it.say(TuneWord.NEXT)
    it.see(released=True, inhibits=())
    it.give((13, 40, 1))
    assert "stands at 13 40 1" in it.text
    assert it.sight.tuning is not None
    assert it.sight.tuning.start == replace(BESIDE, matching=(13, 40, 1))


def test_keyed_barefoot_the_swr_is_shown_and_nothing_moves() -> None:
    """S = (1 + sqrt(R/F)) / (1 - sqrt(R/F)), any handbook: 4 W of 36 W reflected are a ratio of 2."""
    it = desk(BESIDE)
    it.see(keyed=True, readings=Readings(forward_w=36.0, reflected_w=4.0))
    assert "(SWR 2.0 now)" in it.text
    acts = len(it.acts)
    with pytest.raises(TuneRefusedError, match="unkey first"):
        it.give((13, 40, 1))
    with pytest.raises(TuneRefusedError, match="unkey first"):
        it.say(TuneWord.NEXT)
    assert len(it.acts) == acts


def test_unit_set_by_hand_is_told_once_it_stands_right_and_moves_nothing() -> None:
    it = desk(matches=False)
    assert "look for the lowest SWR at the rig; then tell where it stands" in it.text
    acts = len(it.acts)
    it.give((9, 8, 1))
    assert "is to stand at 9 8 1: set it by hand" in it.text
    assert len(it.acts) == acts
    it.say(TuneWord.NEXT)
    assert it.step() is TuneStep.DRIVE


@pytest.mark.parametrize("positions", [(1,), (1, 2), (1, 2, 3, 4), ()])
def test_other_numbers_of_positions_are_refused(positions: tuple[int, ...]) -> None:
    with pytest.raises(TuneRefusedError, match=f"takes 3 positions, not {len(positions)}"):
        desk(BESIDE).give(positions)


def test_what_was_told_is_saved_survives_again_and_is_refused_in_other_steps() -> None:
    it = desk(BESIDE)
    it.give((13, 41, 0))
    it.say(TuneWord.NEXT)
    with pytest.raises(TuneRefusedError, match="in its own step"):
        it.give((1, 1, 1))
    it.say(TuneWord.AGAIN)
    assert it.step() is TuneStep.MATCHING
    assert "13 41 0" in it.text
    it.say(TuneWord.NEXT)
    it.say(TuneWord.NEXT)
    for forward_w, drive_w in ((360.0, 12.0), (700.0, 24.0), (1050.0, 36.0), (1400.0, 48.0)):
        it.one_good_step(forward_w, drive_w)
        if it.step() is TuneStep.DRIVE:
            it.say(TuneWord.NEXT)
    (kept,) = it.kept
    assert kept.preset.matching == (13, 41, 0)


def test_next_place_begins_with_its_own_positions() -> None:
    it = Desk(plan(replace(place(), start=BESIDE, matching=3), replace(place("20m/2"), matching=3), matches=True))
    it.say(TuneWord.SKIP)
    assert it.it is not None
    assert it.it.matching is None
    assert it.it.start is None


def test_swr_past_its_limit_points_to_the_unit() -> None:
    it = desk(BESIDE)
    it.say(TuneWord.NEXT)
    it.say(TuneWord.NEXT)
    it.see(keyed=True)
    it.show(1, 100_000, forward_w=400.0, reflected_w=200.0, drive_w=12.0, tune=1, load=1)
    assert it.step() is TuneStep.STOPPED
    assert "`again` lets you set the matching unit anew" in it.text


def test_antenna_without_a_unit_has_no_such_step() -> None:
    it = Desk(plan())
    it.to_key()
    with pytest.raises(TuneRefusedError, match="in its own step"):
        it.give((1, 2, 3))
