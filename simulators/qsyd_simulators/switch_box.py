"""An antenna switch: contacts that take their time, and never forgive being moved under power."""

from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard

MOVES_US = 15_000
"""From the coil's current to contacts at rest. Common practice, no source: 10 to 15 ms for a small open relay."""


class SwitchBox:
    """The device. Time is passed in, in microseconds on any clock that does not go back."""

    def __init__(self, ports: int = 8, *, moves_us: int = MOVES_US, faults: BoxFaults | None = None) -> None:
        """Ports count from 1; number 1 is connected at first."""
        self.ports = ports
        self.faults = BoxFaults() if faults is None else faults
        self.moved_under_power = False
        """Ground truth: contacts have moved, or were moving, while RF was on them."""
        self.moves = 0
        """How often contacts have moved."""
        self.heard: list[Heard] = []
        """The lines its wire received; bounded."""
        self._moves_us = moves_us
        self._port = 1
        self._rests_at_us: int | None = None
        self._rf_present = False

    @property
    def port(self) -> int:
        """The port that is connected, or will be when the contacts rest."""
        return self._port

    def port_at(self, at_us: int) -> int | None:
        """The port that is connected at `at_us`, or None while the contacts travel."""
        return None if self.is_moving(at_us) else self._port

    def is_moving(self, at_us: int) -> bool:
        return self._rests_at_us is not None and at_us < self._rests_at_us

    def select(self, port: int, at_us: int) -> None:
        """Begin to connect `port`; raises `ValueError` for one that is not there. The one connected moves nothing."""
        if not 1 <= port <= self.ports:
            raise ValueError(f"no port {port}; there are 1 to {self.ports}")
        if port == self._port or self.faults.stuck:
            return
        self._port = port
        self._rests_at_us = at_us + self._moves_us
        self.moves += 1
        self.moved_under_power |= self._rf_present

    def set_rf(self, present: bool, at_us: int) -> None:
        """Say that RF begins or ends at the common contact."""
        self._rf_present = present
        self.moved_under_power |= present and self.is_moving(at_us)
