"""How a station's matching units are spoken to: `MATCH 12 40 1` sets that of the port in use, `MATCH` straight through.

Each is answered `OK`. The numbers are steps of inductance, steps of capacitance, and 1 with the capacitor at the antenna.
"""

from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard
from qsyd_simulators.line_wire import LineWire, whole_number
from qsyd_simulators.plant.matching_unit import MatchSetting
from qsyd_simulators.plant.station_plant import StationPlant


class MatchWire(LineWire):
    """A line to the box that moves the relays of all matching units."""

    def __init__(self, station: StationPlant, faults: BoxFaults, heard: list[Heard]) -> None:
        super().__init__(faults, heard)
        self._station = station

    def _obey(self, words: list[str], at_us: int) -> str:
        match words:
            case ["MATCH"]:
                self._station.match(None, at_us)
            case ["MATCH", inductance, capacitance, side]:
                setting = MatchSetting(whole_number(inductance), whole_number(capacitance), whole_number(side))
                self._station.match(setting, at_us)
            case _:
                raise ValueError("lines are: MATCH, or MATCH inductance capacitance side")
        return "OK"
