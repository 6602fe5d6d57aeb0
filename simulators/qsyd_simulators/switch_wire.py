"""How the antenna switch is spoken to: `PORT 2` -> `OK`; `PORT?` -> `PORT 2`, or `PORT 0` while contacts travel."""

from qsyd_simulators.line_wire import LineWire, whole_number
from qsyd_simulators.switch_box import SwitchBox


class SwitchWire(LineWire):
    """A line to the switch. `OK` says that the command was taken, not that the contacts rest."""

    def __init__(self, box: SwitchBox) -> None:
        super().__init__(box.faults, box.heard)
        self._box = box

    def _obey(self, words: list[str], at_us: int) -> str:
        match words:
            case ["PORT?"]:
                return f"PORT {self._box.port_at(at_us) or 0}"
            case ["PORT", port]:
                self._box.select(whole_number(port), at_us)
                return "OK"
            case _:
                raise ValueError(f"lines are: PORT 1 to PORT {self._box.ports}, PORT?")
