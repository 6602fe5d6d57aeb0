"""A matching unit in a tune-up, live: set over its own line before the amplifier is driven, stored, and recalled."""

from pathlib import Path

import pytest
from live_run import ask, until
from tune_bench import TuneBench, tune_bench, without_limit

from qsyd_simulators.plant.stations import plover_sands
from qsyd_simulators.plant.weather import CALM

pytestmark = pytest.mark.timeout(240)

CENTRE_HZ = 3_550_000
"""Of 80m/1; the dipole there has an SWR past 3 by itself."""


def right() -> list[int]:
    """What trying would lead to: the unit's own formula, on the antenna's own physics."""
    plant = plover_sands(weather=CALM)
    unit = plant.aerials[2].unit
    assert unit is not None
    return list(unit.solve(CENTRE_HZ, plant.antenna_ohm(2, CENTRE_HZ, 0)))


def over(bench: TuneBench) -> None:
    bench.to_key(bench.waits_for("drive")["drive_w"])
    bench.bench.type("key")
    bench.waits_for("unkey")
    bench.bench.type("unkey")
    until(lambda: bench.sees()["step"] != "unkey" or None, lambda: "the key seen up")


def test_unit_is_set_before_the_amplifier_is_driven_and_comes_back_with_the_dial(tmp_path: Path) -> None:
    with tune_bench(tmp_path, without_limit, station="plover-sands") as bench:
        bench.bench.type("tune 3.55 MHz")
        bench.begins("shore-dipole", "80m/1")
        seen = bench.waits_for("matching")
        assert seen["numbers"] == ["matching"]
        assert seen["matching"] is None
        assert bench.says("next")[0] == 409

        for wrong, told in (
            ([1, 2], "takes 3 positions, not 2"),
            ([1, 2.5, 0], "whole numbers"),
            ("much", ""),
            ([1, 2, -3], "whole numbers"),
        ):
            status, answer = bench.tells(matching=wrong)
            assert status in {400, 409}
            assert told in answer["detail"]
        # Positions that the unit has not: the device refuses, nobody transmits, and other ones mend it.
        assert bench.tells(matching=[999, 0, 1])[0] == 200
        bench.waits_for_text("^wait: tank unknown: matching-unit: .*positions are 0 to 255")
        assert ask(["tune", "--say", "matching=12,40,1", "--state", str(bench.state)]) == 0
        bench.waits_for_text("stands at 12 40 1")

        # Keyed barefoot it tells the SWR, and will not move.
        bench.bench.type("drive 20 W")
        bench.bench.type("key")
        bench.waits_for_text(r"SWR \d+\.\d now")
        status, answer = bench.tells(matching=right())
        assert (status, answer["detail"]) == (409, "unkey first")
        bench.bench.type("unkey")
        until(lambda: bench.tells(matching=right())[0] == 200 or None, lambda: str(bench.sees()))
        bench.waits_for_text(f"stands at {' '.join(str(each) for each in right())}")
        assert bench.says("next")[0] == 200

        while bench.waits_for("drive", "ended")["step"] != "ended":
            over(bench)
        assert bench.sees()["text"] == "done: 1 of 1 segments saved"
        (preset,) = bench.presets()
        assert preset["matching"] == right()
        assert preset["reflected_w"] < 20

        table = tmp_path / "presets.csv"
        assert ask(["presets", "export", str(table), "--state", str(bench.state)]) == 0
        header, row = table.read_text().splitlines()
        assert header.endswith("low_hz,high_hz,matching")
        assert row.endswith("," + " ".join(str(each) for each in right()))
        assert ask(["presets", "import", str(table), "--state", str(bench.state)]) == 0

        bench.bench.type("tune 14.2 MHz")
        until(lambda: "on port 1" in str(bench.truth()["line"]) or None, lambda: str(bench.truth()))
        bench.bench.type("tune 3.55 MHz")
        until(lambda: "on port 2" in str(bench.truth()["line"]) or None, lambda: str(bench.truth()))
        bench.until_released()
        assert "SWR 1.0" in str(bench.truth()["line"])
        bench.assert_unharmed()


def test_unit_without_a_line_is_set_by_hand_and_told(tmp_path: Path) -> None:
    def by_hand(text: str) -> str:
        head, found, _ = without_limit(text).partition("  matching-unit:\n")
        assert found
        return head

    with tune_bench(tmp_path, by_hand, station="plover-sands") as bench:
        bench.bench.type("tune 3.55 MHz")
        bench.begins("shore-dipole", "80m/1")
        bench.waits_for_text("then tell where it stands")
        assert bench.tells(matching=[1, 2, 0])[0] == 200
        bench.waits_for_text("is to stand at 1 2 0: set it by hand")
        assert bench.says("next")[0] == 200
        bench.waits_for("drive")
        assert bench.says("stop")[0] == 200
        assert bench.presets() == []
