"""Half-open connections as a network makes them: packets are dropped, and no end is told. Live, in a network of its own."""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

SCENES = Path(__file__).parents[1] / "support" / "dropped_packets.py"
DROP = "ip link set lo up && tc qdisc replace dev lo root tbf rate 8bit burst 10 latency 1ms"


def _can_drop() -> bool:
    if not all(shutil.which(name) for name in ("unshare", "ip", "tc")):
        return False
    return subprocess.run(["unshare", "--net", "/bin/sh", "-c", DROP], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not _can_drop(), reason="needs the right to make a network, and tc with its token bucket")
@pytest.mark.timeout(240)
def test_a_network_that_swallows_everything_leaves_the_station_safe_and_it_comes_back_by_itself() -> None:
    with tempfile.TemporaryDirectory(prefix="qsyd-") as short:  # a control socket has no room for a long path
        command = ["unshare", "--net", sys.executable, str(SCENES), short]
        done = subprocess.run(command, capture_output=True, text=True, timeout=200, check=False)

    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("safe throughout") == 2
