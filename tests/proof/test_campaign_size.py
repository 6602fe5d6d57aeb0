"""Fifty thousand random change-overs with faults: no invariant broken, and each one really put to the test.

They run beside the other tests, in processes that leave the processor to whoever else wants it.
"""

import json
import os
import shutil
import subprocess
import sys

import pytest
from running_daemon import ENVIRONMENT

from qsyd_simulators.world.verdict import INVARIANTS

CHANGE_OVERS = int(os.environ.get("QSYD_CAMPAIGN", "50000"))
SEED = 20_261_125

pytestmark = pytest.mark.begun_first


@pytest.mark.timeout(1800)
def test_random_change_overs_with_faults_break_nothing() -> None:
    asked = ("--campaign", str(CHANGE_OVERS), "--seed", str(SEED), "--workers", str(os.cpu_count() or 1), "--json")
    yielding = ["nice", "-n", "19"] if shutil.which("nice") else []
    command = [*yielding, sys.executable, "-m", "qsyd_daemon", "simulate", *asked]
    ran = subprocess.run(command, capture_output=True, text=True, env=ENVIRONMENT, check=False)

    assert ran.returncode == 0, ran.stdout + ran.stderr
    campaign = json.loads(ran.stdout)
    assert campaign["change_overs"] >= CHANGE_OVERS
    assert campaign["violations"] == {}
    assert set(campaign["exercised"]) == set(INVARIANTS)
    idle = {name: count for name, count in campaign["exercised"].items() if count < CHANGE_OVERS / 100}
    assert not idle, "hardly ever put to the test"
