"""Which output of the station carries which command."""

from collections.abc import Mapping

from qsyd_rules.command import CommandName


class Wiring:
    """Immutable. A command that nothing carries is never sent, and counts as done."""

    __slots__ = ("_carried", "outputs")

    def __init__(self, outputs: Mapping[str, frozenset[CommandName]]) -> None:
        self.outputs = dict(outputs)
        self._carried = frozenset(name for names in outputs.values() for name in names)

    def carries(self, name: CommandName) -> bool:
        """Whether any output receives this command."""
        return name in self._carried

    @property
    def inhibits(self) -> bool:
        """Whether the station has any way to forbid transmitting; without, it is unguarded."""
        return CommandName.INHIBIT_TRANSMIT in self._carried

    def of(self, output: str) -> frozenset[CommandName]:
        """What one output carries."""
        return self.outputs.get(output, frozenset())
