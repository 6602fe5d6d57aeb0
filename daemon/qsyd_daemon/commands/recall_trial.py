"""`qsyd simulate --recall-trial N`: what presets are worth, on random jumps of the dial at a calculated station."""

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from qsyd_daemon import text_table
from qsyd_daemon.bench_station import station_text
from qsyd_daemon.commands.picture_file import write_picture
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.pictures.recall_picture import JUMPS_DRAWN_MAX, Trial, Tried, recall_picture, table
from qsyd_daemon.station_file.load import station_from_text
from qsyd_rules.station import Station
from qsyd_simulators.plant.plant_wire import METERS_MATCH
from qsyd_simulators.plant.recall_trial import (
    GIVE_UP_US,
    GOOD_SWR,
    Side,
    random_dial,
    with_recall,
    without_recall,
)
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import bands_of, heron_point
from qsyd_simulators.plant.unattended import UnattendedStation

PLANT_SEED, DIAL_SEED = 1, 7
JUMPS_MAX = 1_000
NAME = "Heron Point"


def run_trial(arguments: argparse.Namespace) -> int:
    """Tune the station up, let it jump with its presets and without, and tell both sides."""
    jumps: int = arguments.recall_trial
    if not 1 <= jumps <= JUMPS_MAX:
        print(f"error: --recall-trial takes a number of jumps, 1 to {JUMPS_MAX}", file=sys.stderr)
        return ExitCode.WRONG_USE
    if arguments.svg is not None and jumps > JUMPS_DRAWN_MAX:
        print(f"error: --svg draws at most {JUMPS_DRAWN_MAX} jumps: more would hide each other", file=sys.stderr)
        return ExitCode.WRONG_USE
    seed = DIAL_SEED if arguments.seed is None else arguments.seed
    trial = _tried(seed, jumps)
    title = f"SIMULATED: what presets are worth at {NAME}"
    if arguments.svg is not None:
        code = write_picture(arguments.svg, recall_picture(f"{title} (seed {seed})", trial))
        if code is not ExitCode.DONE:
            return code
    if arguments.json:
        document = {"simulated": True, "station": NAME, "seed": seed, **asdict(trial)}
        print(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        print(f"{title}\n{jumps} random jumps of the dial, seed {seed}, a quarter of the drive")
        for line in text_table.table(("", "with presets", "without any"), table(trial), right=frozenset({1, 2})):
            print(f"  {line}")
    return ExitCode.DONE


def _tried(seed: int, jumps: int) -> Trial:
    plant = heron_point(PLANT_SEED)
    tuned = UnattendedStation(_station(plant), plant)
    tuned.warm_up()
    tuned.tune_up()
    dial = random_dial(tuned.station, seed, jumps)
    recalled = with_recall(tuned.station, heron_point(PLANT_SEED), tuned.state.station.presets, dial)
    left = without_recall(tuned.station, heron_point(PLANT_SEED), dial)
    return Trial(_side(recalled), _side(left), GOOD_SWR, GIVE_UP_US / 1e6)


def _side(side: Side) -> tuple[Tried, ...]:
    return tuple(Tried(jump.frequency_hz, jump.mismatch_swr, jump.tuned_s, jump.tripped) for jump in side.jumps)


def _station(plant: StationPlant) -> Station:
    """The plant's station as its bench would write it."""
    antennas = [(run.antenna.name, port, bands_of(run)) for port, run in plant.aerials.items()]
    text = station_text(NAME, "/dev/rig", 1, 2, antennas, warm_up_s=180, drive_w=75, match=METERS_MATCH)
    return station_from_text(text, Path("bench.yaml")).station
