"""Whatever the disk does at whichever write: what was reported done is there after the restart, and nothing by halves.

`QSYD_LONG=1 pytest tests/daemon/test_store_faults.py -s` tries every point with everything, and all pairs in a save.
"""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from faulty_vfs import Fault, library
from store_deeds import DEEDS

LONG = bool(os.environ.get("QSYD_LONG"))
CAMPAIGN = Path(__file__).parents[1] / "support" / "store_campaign.py"
WITHIN_S = 3 * 3600 if LONG else 240
SYNCS_LEAST = 3
"""In any deed. Of the other points there are more."""

pytestmark = pytest.mark.timeout(WITHIN_S)

try:
    library()
except OSError as error:
    pytest.skip(f"cannot get under SQLite: {error}", allow_module_level=True)


def run(*arguments: str) -> tuple[list[dict[str, Any]], int]:
    """What the campaign told, and its exit code; in a process of its own, for it forks, and a test run has threads."""
    told = []
    with subprocess.Popen(
        [sys.executable, "-S", str(CAMPAIGN), *arguments], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            told.append(json.loads(line))
    return told, process.returncode


def test_at_every_point_of_every_deed_the_store_keeps_its_word() -> None:
    told, code = run(*([] if LONG else ["--sample", "0"]))

    assert [each["name"] for each in told] == [deed.name for deed in DEEDS]
    for each in told:
        assert each["bad"] == []
        assert each["missed"] == 0
        processes = sum(each["tried"].values())
        assert processes >= each["points"] * 8 if LONG else processes >= len(Fault)
        assert {str(fault) for fault in Fault} <= set(each["tried"])
        assert each["points"] > 30
        assert each["healed_s_max"] < 10
    assert code == 0


def test_a_second_fault_while_it_recovers_from_the_first_changes_nothing_of_that() -> None:
    told, code = run("--pairs", *([] if LONG else ["--sample", "10"]))

    for each in told:
        assert each["bad"] == []
        assert each["missed"] == 0
        assert sum(each["tried"].values()) >= (1_000 if LONG else 15)
    assert (len(told), code) == (2, 0)


def test_a_disk_that_only_says_that_it_syncs_is_found_out() -> None:
    """Otherwise what is found about an honest one would prove nothing."""
    told, code = run("--lies", "--deed", "save", "--deed", "checkpoint", "--deed", "end of a lockout")

    assert all(any("instead of" in bad for bad in each["bad"]) for each in told)
    assert (len(told), code) == (3, 1)
