"""What the voices of a transceiver share: taking bytes apart is theirs, spoiling answers and queueing reports is here."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from random import Random

from qsyd_simulators.faults import RigFaults, is_due
from qsyd_simulators.heard import note
from qsyd_simulators.transceiver import Change, Transceiver

REPORTS_BYTES_MAX = 65_536
"""Reports that nobody takes are forgotten beyond this."""


class RigVoice(ABC):
    """A `Voice` on a transceiver, with the transceiver's faults applied to all that it says."""

    def __init__(self, transceiver: Transceiver) -> None:
        self.transceiver = transceiver
        self.on_report: Callable[[], None] | None = None
        self._receiving = False
        self._commands = 0
        self._said = 0
        self._reports = bytearray()
        self._noise = Random(transceiver.faults.seed)
        self._unsubscribe = transceiver.subscribe(self._changed)

    @property
    def faults(self) -> RigFaults:
        return self.transceiver.faults

    @property
    def answer_delay_s(self) -> float:
        return self.faults.answer_delay_s

    @property
    def fragment_bytes(self) -> int:
        return self.faults.fragment_bytes

    def received(self, data: bytes, at_us: int = 0) -> bytes:
        """Take bytes from the host and return what goes back; `at_us` is only written into the transceiver's log."""
        self._receiving = True
        try:
            return b"".join(self._replies(data, at_us))
        finally:
            self._receiving = False

    def reports(self) -> bytes:
        """Take the reports that wait."""
        waiting = bytes(self._reports)
        self._reports.clear()
        return waiting

    def close(self) -> None:
        """Stop following the transceiver."""
        self._unsubscribe()
        self.on_report = None

    @abstractmethod
    def _replies(self, data: bytes, at_us: int) -> Iterator[bytes]:
        """Cut `data` into commands, obey them, and yield what goes back for each, faults applied."""

    @abstractmethod
    def _report(self, change: Change) -> bytes:
        """The report of `change`, or nothing where this voice does not report it now."""

    def _hear(self, command: bytes, at_us: int) -> int:
        """Log a command; returns how many this voice has heard, this one included."""
        note(self.transceiver.heard, at_us, command)
        self._commands += 1
        return self._commands

    def _is_refused(self, command: bytes) -> bool:
        return any(command.startswith(prefix) for prefix in self.faults.refuse)

    def _spoiled(self, answer: bytes) -> bytes:
        """What of `answer` reaches the wire."""
        if not answer or self.faults.silent:
            return b""
        self._said += 1
        if is_due(self.faults.drop_every, self._said):
            return b""
        if is_due(self.faults.half_frame_every, self._said):
            answer = answer[: len(answer) // 2]
        return self._noise.randbytes(self.faults.garbage_bytes) + answer

    def _changed(self, change: Change) -> None:
        if self.transceiver.push_permitted:
            self._reports += self._spoiled(self._report(change))
        if len(self._reports) > REPORTS_BYTES_MAX:
            self._reports.clear()
        if self._reports and not self._receiving and self.on_report is not None:
            self.on_report()
