"""Lines of text, and an answer to each: what the voices of the switch and the amplifier share.

The wording of the lines is this project's own. A line ends with LF, CR before it is ignored.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable

from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard, note

LINE_BYTES_MAX = 256


class LineWire(ABC):
    """A `Voice` that answers each line with one line: `OK`, a value, or `ERR` and what would have been right."""

    def __init__(self, faults: BoxFaults, heard: list[Heard]) -> None:
        self.on_report: Callable[[], None] | None = None
        self._faults = faults
        self._heard = heard
        self._buffer = b""

    @property
    def answer_delay_s(self) -> float:
        return self._faults.slow_ack_s

    @property
    def fragment_bytes(self) -> int:
        return 0

    def received(self, data: bytes, at_us: int) -> bytes:
        """Obey the lines that are complete, as of `at_us`, and return the answers."""
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        answers = [self._answer(line, at_us) for line in lines]
        if len(self._buffer) > LINE_BYTES_MAX:
            self._buffer = b""
            answers.append(f"ERR a line has at most {LINE_BYTES_MAX} bytes\n".encode("ascii"))
        return b"" if self._faults.silent else b"".join(answers)

    def reports(self) -> bytes:
        """Nothing: such a device only speaks when spoken to."""
        return b""

    def close(self) -> None:
        """Nothing to let go of."""
        self.on_report = None

    def _answer(self, line: bytes, at_us: int) -> bytes:
        note(self._heard, at_us, line + b"\n")
        text = line.decode("ascii", "replace").strip()
        if any(text.startswith(prefix) for prefix in self._faults.refuse):
            return b"ERR refused\n"
        try:
            answer = self._obey(text.split(), at_us)
        except ValueError as error:
            answer = f"ERR {error}"
        return (answer + "\n").encode("ascii", "replace")

    @abstractmethod
    def _obey(self, words: list[str], at_us: int) -> str:
        """Do what a line says and return the answer; raises `ValueError` with what would have been right."""


def whole_number(word: str) -> int:
    """A word of decimal digits as a number; anything else is a `ValueError`."""
    if not (word.isascii() and word.isdecimal()):
        raise ValueError(f"{word} is not a whole number")
    return int(word)
