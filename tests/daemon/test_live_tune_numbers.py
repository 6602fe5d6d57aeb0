"""A tune-up where the amplifier tells nothing: the daemon asks for the numbers, a script reads the bench's own truth."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_run import ask, until
from tune_bench import CENTRE_20M_1, TuneBench, tune_bench, without_limit, without_readings

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def silent(tmp_path: Path) -> Iterator[TuneBench]:
    """An amplifier without readings, and nothing that limits the drive."""
    with tune_bench(tmp_path, lambda text: without_readings(without_limit(text))) as bench:
        yield bench


def over(bench: TuneBench, drive_w: float) -> dict[str, float]:
    """Key until the tank has tuned itself, read the meters, unkey: what an operator would write down."""
    bench.to_key(round(drive_w))
    bench.bench.type("key")
    settled: list[object] = []

    def rests() -> dict[str, float] | None:
        shown = bench.truth()
        settled.append((shown["tune"], shown["load"]))
        if len(settled) < 6 or len(set(settled[-6:])) > 1 or not shown["forward_w"]:
            return None
        return {name: value for name, value in shown.items() if isinstance(value, float)}

    shown = until(rests, lambda: str(settled))
    time.sleep(1.1)  # a shorter key-down shows an operator nothing
    bench.bench.type("unkey")
    asked = bench.waits_for("numbers")
    assert asked["numbers"] == ["tune", "load", "forward_w", "reflected_w", "grid_ma", "drive_w"]
    return shown


def test_numbers_are_asked_for_and_what_cannot_be_is_refused_in_words(silent: TuneBench) -> None:
    silent.bench.type(f"tune {CENTRE_20M_1}")
    silent.begins()
    assert silent.tells(forward_w=700)[0] == 409, "not asked for yet"

    shown = over(silent, silent.waits_for("drive")["drive_w"])
    for wrong, told in (
        ({"forward_w": "plenty"}, "forward_w"),
        ({"forward_w": True}, "forward_w"),
        ({"forward_w": -1}, "forward_w must be a number from 0 to 10000"),
        ({"grid_ma": 10_001}, "grid_ma must be a number from 0 to 10000"),
        ({"forward_w": shown["forward_w"], "tune": 300.5}, "tune is a whole number of steps, not 300.5"),
        ({"plate_kv": 3}, "'plate_kv' is not asked for"),
        ({"grid_ma": 20}, "still needed: forward_w"),
        ({**shown, "forward_w": 10 * shown["forward_w"]}, "look at the meter again"),
        ({**shown, "reflected_w": shown["forward_w"]}, "cannot reach the forward power"),
        ({**shown, "drive_w": 1}, "is a gain of"),
    ):
        status, answer = silent.tells(**wrong)
        assert status in {400, 409}, wrong
        assert told in answer["detail"], answer
        assert silent.sees()["step"] == "numbers", wrong
    assert ask(["tune", "--say", "forward_w=plenty", "--state", str(silent.state)]) == 2
    assert silent.presets() == []

    # What can be, and is bad, ends the segment: gain below what any such stage gives.
    assert silent.tells(**{**shown, "forward_w": 100, "reflected_w": 1})[0] == 200
    assert "gain is" in silent.waits_for("stopped")["text"]
    silent.until_amplifier("standby")
    assert silent.says("again")[0] == 200

    while silent.waits_for("drive", "ended")["step"] != "ended":
        shown = over(silent, silent.sees()["drive_w"])
        status, answer = silent.tells(**shown)
        assert status == 200, answer
    assert silent.sees()["text"] == "done: 1 of 1 segments saved"
    (preset,) = silent.presets()
    assert {name: preset[name] for name in ("tune", "load", "forward_w", "grid_ma")} == {
        name: round(shown[name]) for name in ("tune", "load", "forward_w", "grid_ma")
    }
    assert 1_250 <= preset["forward_w"] <= 1_600
    silent.until_amplifier("standby")
    silent.assert_unharmed()
