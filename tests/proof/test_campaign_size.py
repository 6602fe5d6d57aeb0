"""Fifty thousand random change-overs with faults: no invariant broken, and each one really put to the test."""

import os

import pytest

from qsyd_simulators.world.campaign import run_campaign

CHANGE_OVERS = int(os.environ.get("QSYD_CAMPAIGN", "50000"))
SEED = 20_261_125


@pytest.mark.timeout(900)
def test_random_change_overs_with_faults_break_nothing() -> None:
    campaign = run_campaign(CHANGE_OVERS, SEED, workers=os.cpu_count() or 1)

    assert campaign.change_overs >= CHANGE_OVERS
    assert campaign.document()["violations"] == {}, campaign.document()["failures"]
    idle = {name: count for name, count in campaign.exercised.items() if count < CHANGE_OVERS / 100}
    assert not idle, "hardly ever put to the test"
