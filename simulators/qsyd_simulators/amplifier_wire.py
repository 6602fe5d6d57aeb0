"""How the amplifier is spoken to.

`HOLD`, `FREE`, `HEAT 1`, `HEAT 0`, `HV 0`, `LINE 1` (operate), `LINE 0` (standby), `TANK tune load`, `DRIVE watts`, each
answered `OK`; `METERS` is answered like `F0 R0 G0 T120 L88`: forward and reflected watts, grid milliamperes, positions.
"""

from qsyd_simulators.amplifier_box import AmplifierBox
from qsyd_simulators.line_wire import LineWire, whole_number


class AmplifierWire(LineWire):
    """A line to the amplifier. `OK` says that the command was taken, not that a motor has arrived."""

    def __init__(self, box: AmplifierBox) -> None:
        super().__init__(box.faults, box.heard)
        self._box = box

    def _obey(self, words: list[str], at_us: int) -> str:
        box = self._box
        match words:
            case ["METERS"]:
                meters = box.meters(at_us)
                return f"F{meters.forward_w} R{meters.reflected_w} G{meters.grid_ma} T{meters.tune} L{meters.load}"
            case ["HOLD"]:
                box.hold_transmit()
            case ["FREE"]:
                box.free_transmit()
            case ["HEAT", "0" | "1" as on]:
                box.set_heater(on == "1", at_us)
            case ["HV", "0"]:
                box.set_high_voltage_off()
            case ["LINE", "0" | "1" as on]:
                box.set_operate(on == "1", at_us)
            case ["TANK", tune, load]:
                box.move_tank(whole_number(tune), whole_number(load), at_us)
            case ["DRIVE", watts]:
                box.limit_drive(whole_number(watts))
            case _:
                raise ValueError(
                    "lines are: HOLD, FREE, HEAT 0 or 1, HV 0, LINE 0 or 1, TANK tune load, DRIVE watts, METERS"
                )
        return "OK"
