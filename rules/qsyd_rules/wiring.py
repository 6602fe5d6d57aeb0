"""Which output of the station carries which command, and which of them tell readings."""

from collections.abc import Mapping
from dataclasses import dataclass

from qsyd_rules.command import CommandName


@dataclass(frozen=True, slots=True)
class Meters:
    """What a device can be asked: the names of its readings, and how long one is believed."""

    names: frozenset[str]
    stale_after_us: int
    travel_us: int = 10_000_000
    """How long tune and load may take to arrive."""


class Wiring:
    """Immutable. A command that nothing carries is never sent, and counts as done."""

    __slots__ = ("_carried", "drops_by_itself", "matches", "meters", "outputs")

    def __init__(
        self,
        outputs: Mapping[str, frozenset[CommandName]],
        meters: Mapping[str, Meters] | None = None,
        *,
        drops_by_itself: bool = False,
        matches: bool = False,
    ) -> None:
        """`drops_by_itself` says that an output's permit falls when the daemon dies: a line held, a lease renewed.

        `matches` says that a recall also sets matching units; else they are set by hand.
        """
        self.outputs = dict(outputs)
        self.meters = dict(meters or {})
        self.drops_by_itself = drops_by_itself
        self.matches = matches
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
