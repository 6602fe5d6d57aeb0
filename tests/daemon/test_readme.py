"""What README shows must work as shown."""

import re
from pathlib import Path

from qsyd_daemon.__main__ import main
from qsyd_daemon.station_file.load import load_station

README = Path(__file__).parents[2] / "README.md"


def _yaml_blocks() -> list[str]:
    return re.findall(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


def test_the_minimal_station_is_right(tmp_path: Path) -> None:
    path = tmp_path / "station.yaml"
    path.write_text(_yaml_blocks()[0], encoding="utf-8")

    station = load_station(path).station

    assert station.name == "Marsh End"
    assert [antenna.name for antenna in station.antennas] == ["hill-beam", "long-wire"]


def test_the_fuller_station_is_right_and_proves_itself(tmp_path: Path) -> None:
    path = tmp_path / "station.yaml"
    path.write_text("\n".join(_yaml_blocks()[:-1]), encoding="utf-8")  # the last one is another `api`, followed apart

    code = main(["check", str(path), "--state", str(tmp_path / "state")])

    assert code == 0


def test_the_block_that_opens_the_api_is_right(tmp_path: Path) -> None:
    path = tmp_path / "station.yaml"
    path.write_text("\n".join(_yaml_blocks()[:-1]), encoding="utf-8")  # the last one is another `api`, followed apart

    api = load_station(path).api

    assert api is not None
    assert (api.shown, api.hosts, api.lease_us) == ("127.0.0.1:8073", (("station.example", None),), 30_000_000)


def test_every_command_of_the_table_is_one_that_the_program_has() -> None:
    rows = re.findall(r"^\| `qsyd (\w+)", README.read_text(encoding="utf-8"), re.MULTILINE)

    for command in rows:
        assert main([command, "--help"]) == 0, command
    assert {"demo", "run", "check", "explain", "plan", "presets", "status", "amplifier", "sim"} <= set(rows)
