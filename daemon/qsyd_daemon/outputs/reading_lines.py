"""A device's answer to the question for its readings: one line, taken apart by a regular expression."""

import math
import re

from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState

NUMBER_RANGES: dict[str, tuple[float, float]] = {
    "forward_w": (0, 100_000),
    "reflected_w": (0, 100_000),
    "drive_w": (0, 10_000),
    "plate_v": (0, 100_000),
    "plate_ma": (0, 100_000),
    "grid_ma": (-10_000, 100_000),
    "temperature_c": (-60, 1_000),
}
"""What an instrument of an amplifier can show, lowest and highest; a number beyond that was damaged on the way."""

POSITION_MAX = 1_000_000
"""Steps of a tank capacitor, 0 or more."""

NO_FAULT = frozenset({"", "0", "none", "-"})
"""What a device writes where it has no fault to tell."""

FAULT_LENGTH_MAX = 100

_DECIMAL = re.compile(r"[+-]?[0-9]{1,12}(?:\.[0-9]{0,12})?")
_WHOLE = re.compile(r"[0-9]{1,12}")


class ReadingLines:
    """Takes lines apart. `match` has groups named after readings; a group that took no part is not told."""

    def __init__(self, match: re.Pattern[str]) -> None:
        self._match = match
        self.unknown_states = 0
        """How many readings named a state that is none of ours: those tell the rest, and no state."""

    def is_one(self, text: str) -> bool:
        """Whether a line looks like readings at all."""
        return self._match.search(text) is not None

    def read(self, text: str) -> Readings | None:
        """The readings of one line; None where it is damaged, or no such line."""
        found = self._match.search(text)
        if found is None:
            return None
        values: dict[str, float | int | str | AmplifierState | None] = {}
        for name, written in found.groupdict().items():
            if written is None:
                continue
            written = written.strip()
            match name:
                case "tune" | "load":
                    values[name] = position = _position(written)
                    if position is None:
                        return None
                case "state":
                    values[name] = self._state(written)
                case "fault":
                    values[name] = _fault(written)
                case _:
                    values[name] = number = _number(name, written)
                    if number is None:
                        return None
        return Readings(**values)  # type: ignore[arg-type]  # each value was made by its name, above

    def _state(self, written: str) -> AmplifierState | None:
        try:
            return AmplifierState(written.lower())
        except ValueError:
            self.unknown_states += 1
            return None


def _number(name: str, written: str) -> float | None:
    if not _DECIMAL.fullmatch(written):
        return None
    value = float(written)
    low, high = NUMBER_RANGES[name]
    return value if math.isfinite(value) and low <= value <= high else None


def _position(written: str) -> int | None:
    if not _WHOLE.fullmatch(written):
        return None
    value = int(written)
    return value if value <= POSITION_MAX else None


def _fault(written: str) -> str | None:
    if written.lower() in NO_FAULT:
        return None
    return "".join(character for character in written if character.isprintable())[:FAULT_LENGTH_MAX]
