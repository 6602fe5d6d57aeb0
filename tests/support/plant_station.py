"""A plant's station as the rules see it, by the station file that its bench would write."""

from pathlib import Path

from qsyd_daemon.bench_station import station_text
from qsyd_daemon.station_file.load import station_from_text
from qsyd_rules.station import Station
from qsyd_simulators.plant.plant_wire import METERS_MATCH
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import bands_of


def station_of(plant: StationPlant, name: str) -> Station:
    """The station file of this plant, loaded."""
    antennas = [(run.antenna.name, port, bands_of(run)) for port, run in plant.aerials.items()]
    units = [port for port, run in plant.aerials.items() if run.unit is not None]
    text = station_text(
        name,
        "/dev/rig",
        1,
        2,
        antennas,
        warm_up_s=180,
        drive_w=75,
        match=METERS_MATCH,
        units=units,
        matching_port=3 if units else None,
    )
    return station_from_text(text, Path("bench.yaml")).station
