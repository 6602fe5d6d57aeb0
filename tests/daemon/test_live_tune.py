"""`qsyd tune` over the control socket, live: a script does the operator's part on a bench, wrong moves included.

The bench is a real process with a rig on a real pty and the plant on TCP; the daemon is `qsyd run`.
"""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_run import PATIENCE_S, ask, until
from running_daemon import qsyd
from tune_bench import TuneBench, tune_bench, without_limit

from qsyd_daemon.client import call

pytestmark = pytest.mark.timeout(240)


def edited(text: str) -> str:
    return without_limit(text) + "\ntune_up: {key_down: 4 s}\n"


@pytest.fixture
def operator(tmp_path: Path) -> Iterator[TuneBench]:
    """A warm amplifier without a way to limit the drive, on Heron Point, whose tank tunes itself while driven."""
    with tune_bench(tmp_path, edited) as bench:
        yield bench


def test_a_tune_up_with_wrong_moves_saves_only_what_was_right(operator: TuneBench) -> None:
    bench = operator.bench
    bench.type("tune 7.100 MHz")
    status, begun = operator.says("begin", antenna="reed-beam", segment="20m/1")
    assert status == 200
    assert any("Plate voltage kills" in caution for caution in begun["tune_up"]["cautions"])

    # Another band: told where to dial, and nothing goes on.
    operator.waits_for_text(r"dial to 14\.175 MHz.* it stands at 7\.1")
    assert operator.says("next")[0] == 409
    bench.type("tune 14.175 MHz")

    # Full drive on the first step.
    operator.to_key(75)
    bench.type("key")
    stopped = operator.waits_for("stopped")
    assert re.search(r"drive is \d+ W, and this step allows (19|20) W", stopped["text"])
    assert "turn the rig down to" in stopped["text"]
    until(
        lambda: (
            any(
                "tune-up: drive is" in each
                for each in call(operator.state, "GET", "/v1/status")[1]["transmit"]["reasons"]
            )
            or None
        ),
        lambda: "the permit taken away",
    )
    assert operator.says("again")[0] == 409  # still keyed
    bench.type("unkey")
    until(lambda: operator.says("again")[0] == 200 or None, lambda: "a tune-up that begins anew")

    # Keyed on after being told to unkey.
    operator.to_key(19)
    bench.type("key")
    operator.waits_for("unkey")
    stopped = operator.waits_for("stopped")
    assert "the key is still down" in stopped["text"]
    bench.type("unkey")
    assert operator.presets() == []
    until(lambda: operator.says("again")[0] == 200 or None, lambda: "a tune-up that begins anew")

    # And as it should be.
    deadline = time.monotonic() + 2 * PATIENCE_S
    while operator.sees()["step"] != "ended" and time.monotonic() < deadline:
        seen = operator.waits_for("drive", "ended")
        if seen["step"] == "ended":
            break
        operator.to_key(seen["drive_w"])
        bench.type("key")
        operator.waits_for("unkey")
        bench.type("unkey")
        until(lambda: operator.sees()["step"] != "unkey" or None, lambda: "the key seen up")
    assert operator.sees()["text"] == "done: 1 of 1 segments saved"
    (preset,) = operator.presets()
    assert (preset["antenna"], preset["segment"]) == ("reed-beam", "20m/1")
    assert 1_250 <= preset["forward_w"] <= 1_600
    assert preset["saved_at"]


def test_what_cannot_be_tuned_is_refused_in_words(operator: TuneBench) -> None:
    for given, told in (
        ({"antenna": "no-such"}, "no-such"),
        ({"segment": "30m/1"}, "the amplifier serves no segment '30m/1'; it serves "),
        ({"antenna": 7}, "antenna"),
    ):
        status, answer = operator.says("begin", **given)
        assert status in {400, 409}
        assert told in answer["detail"]
    assert operator.says("skip")[0] == 409
    assert operator.says("numbers", numbers={"forward_w": -1})[0] == 409
    assert operator.says("nonsense")[0] == 400
    assert ask(["tune", "--segment", "99m/1", "--state", str(operator.state)]) == 1
    said = qsyd("tune", "--say", "hello", "--state", str(operator.state))
    assert (said.returncode, said.stderr[:37]) == (2, "error: 'hello' is not understood; Ent")


def test_stopping_it_leaves_standby_and_saves_nothing(operator: TuneBench) -> None:
    operator.bench.type("tune 14.175 MHz")
    assert operator.says("begin", antenna="reed-beam", segment="20m/1")[0] == 200
    operator.to_key(19)
    assert operator.says("stop")[0] == 200
    assert operator.sees()["step"] == "ended"
    until(
        lambda: call(operator.state, "GET", "/v1/status")[1]["amplifier"]["state"] == "standby" or None,
        lambda: "standby",
    )
    assert operator.presets() == []
