"""A tune-up cut short: the daemon killed at each step, its client killed, the rig or the amplifier gone.

The bench lives on and keeps the truth: nothing was moved under power, and nothing half made is stored.
"""

import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest
from live_run import PATIENCE_S, Run, until
from side_by_side import named, side_by_side
from tune_bench import CENTRE_20M_1, Cable, TuneBench, tune_bench, without_limit

pytestmark = pytest.mark.timeout(240)


def to_idle(bench: TuneBench) -> None:
    bench.bench.type("tune 7.100 MHz")
    bench.begins()
    bench.waits_for_text(r"it stands at 7\.1")


def to_operating(bench: TuneBench) -> None:
    bench.bench.type(f"tune {CENTRE_20M_1}")
    bench.begins()
    bench.to_key(bench.waits_for("drive")["drive_w"])
    bench.until_amplifier("operate")


def to_keyed(bench: TuneBench) -> None:
    to_operating(bench)
    bench.bench.type("key")
    until(lambda: bench.status()["rigs"]["main"]["keyed"] or None, lambda: str(bench.status()["rigs"]))


def to_unkey(bench: TuneBench) -> None:
    to_operating(bench)
    bench.bench.type("key")
    bench.waits_for("unkey")


def to_last_unkey(bench: TuneBench) -> None:
    """Keyed at the last step of the drive, everything good: once unkeyed, the preset is saved."""
    to_operating(bench)
    while True:
        bench.bench.type("key")
        seen = bench.waits_for("unkey")
        if "W out" in seen["text"] and seen["drive_w"] > 40:
            return
        bench.bench.type("unkey")
        if bench.waits_for("drive", "ended")["step"] == "ended":
            raise AssertionError("it was saved before the last step was seen")
        bench.to_key(bench.sees()["drive_w"])


STEPS: dict[str, Callable[[TuneBench], None]] = {
    "dial": to_idle,
    "key": to_operating,
    "keyed": to_keyed,
    "unkey": to_unkey,
}


def restarted_safe(bench: TuneBench, step: str) -> None:
    """The new daemon: safe state first, the operator told, nothing stored, operate only when somebody asks."""
    bench.start(warm=False)
    until(lambda: "standby" in (line := str(bench.truth()["line"])) or "held" in line or None, lambda: "safe")
    warned = until(
        lambda: [each for each in bench.events() if each.get("code") == "tune-up-interrupted"],
        lambda: str(bench.events()),
    )
    assert len(warned) == 1
    assert f"within a tune-up, at reed-beam on 20m/1 ({step})" in warned[0]["text"]
    assert "0 of 1 were before" in warned[0]["text"]
    assert bench.presets() == []
    assert bench.sees()["step"] is None
    shown = bench.status()["amplifier"]
    assert shown["wish"] == "standby"
    assert bench.truth()["state"] != "operate"


def _killed_at_any_step_it_starts_safe_tells_of_it_and_has_stored_nothing(place: Path) -> None:
    with tune_bench(place, without_limit) as bench:
        for step, lead in STEPS.items():
            lead(bench)
            kept = "key" if step == "keyed" else step
            bench.waits_until_kept(kept)
            bench.kill()
            restarted_safe(bench, kept)
            bench.bench.type("unkey")
            bench.assert_unharmed()
            bench.warm()
        bench.stop()
        bench.start()  # told once: a start after that is silent about it
        assert not [each for each in bench.events() if each.get("code") == "tune-up-interrupted"]


def _killed_while_it_saves_the_preset_is_there_whole_or_not_at_all(place: Path) -> None:
    with tune_bench(place, without_limit) as bench:
        to_last_unkey(bench)
        bench.bench.type("unkey")
        bench.kill()
        bench.start(warm=False)
        for preset in bench.presets():
            assert preset["antenna"] == "reed-beam"
            assert preset["low_hz"] == 14_000_000
            assert preset["forward_w"] > 1_000
        bench.assert_unharmed()


def _a_client_that_is_killed_leaves_the_tune_up_for_the_next_and_the_key_bounded(place: Path) -> None:
    with tune_bench(place, without_limit) as bench:
        bench.bench.type(f"tune {CENTRE_20M_1}")
        wanted = ["--segment", "20m/1", "--antenna", "reed-beam"]
        guide = Run("tune", "--state", str(bench.state), *wanted, log=bench.place / "guide")
        drive_w = bench.waits_for("drive")["drive_w"]
        bench.bench.type(f"drive {drive_w} W")
        guide.type("next")
        bench.waits_for("key")
        bench.bench.type("auto off")  # the tank stays wrong: the meters never become good
        bench.bench.type("key")
        guide.process.kill()
        guide.process.wait(PATIENCE_S)
        assert guide.process.stdin is not None
        guide.process.stdin.close()
        guide.until("Plate voltage kills")

        stopped = bench.waits_for("stopped")
        assert "keyed for 10 s on one step" in stopped["text"]
        until(lambda: bench.truth()["held"] or None, lambda: "the permit taken away")
        bench.bench.type("unkey")
        bench.until_amplifier("standby")

        again = Run("tune", "--state", str(bench.state), log=bench.place / "again")
        again.until("going on with it")
        again.process.send_signal(signal.SIGINT)
        again.until("stopped by the operator")
        assert again.process.wait(PATIENCE_S) == 1
        assert again.process.stdin is not None
        again.process.stdin.close()
        assert bench.presets() == []
        bench.assert_unharmed()


def _a_rig_that_falls_silent_while_keyed_ends_it_in_standby(place: Path) -> None:
    with tune_bench(place, without_limit) as bench:
        to_keyed(bench)
        bench.bench.type("silent on")
        ended = bench.waits_for("ended")
        assert "the rig is not heard" in ended["text"]
        until(
            lambda: ((seen := bench.truth())["held"] and seen["state"] == "standby") or None, lambda: str(bench.truth())
        )
        bench.bench.type("unkey")
        bench.bench.type("silent off")
        bench.until_released()
        assert bench.status()["amplifier"]["state"] == "standby"
        assert bench.presets() == []
        bench.assert_unharmed()


def _an_amplifier_whose_line_breaks_while_keyed_ends_it_and_is_safe_once_it_is_back(place: Path) -> None:
    cables: list[Cable] = []

    def through_a_cable(text: str) -> str:
        head, _, tail = text.partition("  amplifier:\n    kind: device\n    link: tcp:127.0.0.1:")
        port, _, rest = tail.partition("\n")
        cables.append(Cable(int(port)))
        made = f"{head}  amplifier:\n    kind: device\n    link: tcp:127.0.0.1:{cables[0].port}\n{rest}"
        return without_limit(made)

    with tune_bench(place, through_a_cable) as bench:
        to_keyed(bench)
        cables[0].pull()
        stopped = bench.waits_for("stopped")
        assert "the amplifier has left operate: amplifier: no answer" in stopped["text"]
        until(lambda: bench.status()["amplifier"]["wish"] == "standby" or None, lambda: str(bench.status()))
        cables[0].plug()
        until(
            lambda: ((seen := bench.truth())["held"] and seen["state"] != "operate") or None, lambda: str(bench.truth())
        )
        bench.bench.type("unkey")
        assert bench.says("stop")[0] == 200
        bench.until_released()
        assert bench.truth()["state"] == "standby"
        assert bench.presets() == []
        bench.assert_unharmed()
    cables[0].close()


CASES = named(
    _killed_at_any_step_it_starts_safe_tells_of_it_and_has_stored_nothing,
    _killed_while_it_saves_the_preset_is_there_whole_or_not_at_all,
    _a_client_that_is_killed_leaves_the_tune_up_for_the_next_and_the_key_bounded,
    _a_rig_that_falls_silent_while_keyed_ends_it_in_standby,
    _an_amplifier_whose_line_breaks_while_keyed_ends_it_and_is_safe_once_it_is_back,
)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[None]]]:
    with side_by_side(CASES, tmp_path_factory, 4) as started:
        yield started


@pytest.mark.parametrize("name", CASES)
def test_cut_short_it_is_safe_and_stores_nothing_half_made(name: str, runs: dict[str, Future[None]]) -> None:
    runs[name].result()
