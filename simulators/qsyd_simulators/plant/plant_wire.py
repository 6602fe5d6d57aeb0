"""How the plant's amplifier is spoken to: the lines of `AmplifierWire`, and some more.

`HOLD`, `FREE`, `HEAT 1`, `HEAT 0`, `HV 0`, `LINE 1` (operate), `LINE 0` (standby), `TANK tune load`, `DRIVE watts`,
`AUTO 1`, `AUTO 0` (automatic tuning), `RESET` (of its own trip), each answered `OK`. `METERS` is answered like
`F1490 R12 G41 T239 L307 D50.0 V3305 I741 C62 Soperate X-`: forward and reflected watts, grid milliamperes, positions,
drive watts, plate volts and milliamperes, exhaust in degrees Celsius, state, and what it tripped on.
"""

from qsyd_simulators.line_wire import LineWire, whole_number
from qsyd_simulators.plant.amplifier_plant import AmplifierPlant

METERS_MATCH = (
    r"^F(?P<forward_w>\d+) R(?P<reflected_w>\d+) G(?P<grid_ma>\d+) T(?P<tune>\d+) L(?P<load>\d+)"
    r" D(?P<drive_w>\S+) V(?P<plate_v>\d+) I(?P<plate_ma>\d+) C(?P<temperature_c>\S+)"
    r" S(?P<state>\S+) X(?P<fault>.*)"
)
"""The regular expression for a station file, with its readings by name; such a file allows 200 characters."""


class PlantWire(LineWire):
    """A line to the amplifier. `OK` says that the command was taken, not that a motor has arrived."""

    def __init__(self, plant: AmplifierPlant) -> None:
        super().__init__(plant.faults, plant.heard)
        self._plant = plant

    def _obey(self, words: list[str], at_us: int) -> str:
        plant = self._plant
        match words:
            case ["METERS"]:
                return self._meters(at_us)
            case ["HOLD"]:
                plant.hold(True, at_us)
            case ["FREE"]:
                plant.hold(False, at_us)
            case ["HEAT", "0" | "1" as on]:
                plant.heater(on == "1", at_us)
            case ["HV", "0"]:
                plant.high_voltage_off(at_us)
            case ["LINE", "1"] if plant.fault is not None:
                raise ValueError(f"tripped on {plant.fault}; RESET comes first")
            case ["LINE", "0" | "1" as on]:
                plant.operate(on == "1", at_us)
            case ["TANK", tune, load]:
                plant.move_tank(whole_number(tune), whole_number(load), at_us)
            case ["DRIVE", watts]:
                plant.limit_drive(whole_number(watts), at_us)
            case ["AUTO", "0" | "1" as on]:
                plant.auto_tune(on == "1", at_us)
            case ["RESET"]:
                plant.reset(at_us)
            case _:
                raise ValueError(
                    "lines are: HOLD, FREE, HEAT 0 or 1, HV 0, LINE 0 or 1, TANK tune load, DRIVE watts, AUTO 0 or 1, "
                    "RESET, METERS"
                )
        return "OK"

    def _meters(self, at_us: int) -> str:
        shown = self._plant.readings(at_us)
        return (
            f"F{shown.forward_w:.0f} R{shown.reflected_w:.0f} G{shown.grid_ma:.0f} T{shown.tune} L{shown.load} "
            f"D{shown.drive_w:.1f} V{shown.plate_v:.0f} I{shown.plate_ma:.0f} C{shown.temperature_c:.0f} "
            f"S{shown.state} X{shown.fault or '-'}"
        )
