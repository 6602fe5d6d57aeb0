"""Quantities as people write them, `14.205 MHz` or `180 s`, to whole numbers of a fixed small unit and back.

A unit is required, spelled as the SI spells it. Digits are plain: no exponent, no sign, no thousands separator. All
arithmetic is exact; what is not a whole number of the small unit is refused rather than rounded.
"""

import re
from collections.abc import Callable, Mapping
from fractions import Fraction

from qsyd_rules.band import megahertz

FREQUENCY_UNITS = {"Hz": Fraction(1), "kHz": Fraction(1_000), "MHz": Fraction(1_000_000)}
DURATION_UNITS = {
    "us": Fraction(1),
    "ms": Fraction(1_000),
    "s": Fraction(1_000_000),
    "min": Fraction(60_000_000),
    "h": Fraction(3_600_000_000),
}
POWER_UNITS = {"W": Fraction(1), "kW": Fraction(1_000)}
CURRENT_UNITS = {"mA": Fraction(1), "A": Fraction(1_000)}
VOLTAGE_UNITS = {"V": Fraction(1), "kV": Fraction(1_000)}
TEMPERATURE_UNITS = {"C": Fraction(1), "°C": Fraction(1)}

_NUMBER = r"[0-9]{1,15}(?:\.[0-9]{1,15})?"
_QUANTITY = re.compile(rf"({_NUMBER})[ \t]*(°?[A-Za-z]*)")
_CLOCK = re.compile(r"([0-9]{2}):([0-9]{2})")
_MINUTES_A_DAY = 24 * 60


class QuantityError(ValueError):
    """A quantity that cannot be read: `text` says what was seen, `hint` what would do."""

    def __init__(self, text: str, hint: str) -> None:
        super().__init__(f"{text}; {hint}")
        self.text = text
        self.hint = hint


def frequency_hz(text: str) -> int:
    """`14.205 MHz`, `7100 kHz` or `7100500 Hz` in hertz, 0 or more. Raises QuantityError."""
    return _quantity(text, FREQUENCY_UNITS, "a frequency", "14.205 MHz", "hertz")


def duration_us(text: str) -> int:
    """`180 s`, `30 ms`, `3 min` or `1 h` in microseconds, 0 or more. Raises QuantityError."""
    return _quantity(text, DURATION_UNITS, "a time", "180 s", "microseconds")


def power_w(text: str) -> int:
    """`600 W` or `1.5 kW` in watts, 0 or more. Raises QuantityError."""
    return _quantity(text, POWER_UNITS, "a power", "600 W", "watts")


def current_ma(text: str) -> int:
    """`120 mA` or `1.0 A` in milliamperes, 0 or more. Raises QuantityError."""
    return _quantity(text, CURRENT_UNITS, "a current", "120 mA", "milliamperes")


def voltage_v(text: str) -> int:
    """`3.5 kV` or `800 V` in volts, 0 or more. Raises QuantityError."""
    return _quantity(text, VOLTAGE_UNITS, "a voltage", "3.5 kV", "volts")


def temperature_c(text: str) -> int:
    """`90 C` or `90 °C` in degrees Celsius, 0 or more. Raises QuantityError."""
    return _quantity(text, TEMPERATURE_UNITS, "a temperature", "90 C", "degrees")


def frequency_range_hz(text: str) -> tuple[int, int]:
    """`14.347..14.351 MHz` or `14.347 MHz..14351 kHz` as `[low, high)` in hertz. Raises QuantityError."""
    return _range(text, frequency_hz, "frequency", "frequencies", "14.347..14.351 MHz")


def voltage_range_v(text: str) -> tuple[int, int]:
    """`2.5..4.2 kV` or `2500 V..4.2 kV` as lowest and highest, in volts. Raises QuantityError."""
    return _range(text, voltage_v, "voltage", "voltages", "2.5..4.2 kV")


def ratio_range(text: str) -> tuple[Fraction, Fraction]:
    """`15..40` as lowest and highest of two plain numbers, 0 or more. Raises QuantityError."""
    low, dots, high = (part.strip(" \t") for part in text.partition(".."))
    if not dots or not re.fullmatch(_NUMBER, low) or not re.fullmatch(_NUMBER, high):
        raise QuantityError(f"`{_short(text)}` is not a range of plain numbers", "write a range such as 15..40")
    if Fraction(low) >= Fraction(high):
        raise QuantityError(f"the range `{_short(text)}` is empty", "the first number must be below the second")
    return Fraction(low), Fraction(high)


def minute_of_day(text: str) -> int:
    """`22:00` as minutes since midnight, 0 to 1439. Raises QuantityError."""
    match = _CLOCK.fullmatch(text.strip(" \t"))
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise QuantityError(f"`{_short(text)}` is not a time of day", "write it as HH:MM, 00:00 to 23:59")
    return int(match[1]) * 60 + int(match[2])


def minute_range(text: str) -> tuple[int, int]:
    """`22:00..06:00` as `[first, last)` in minutes of the day; it may wrap midnight, and may end at 24:00 (1440).

    Raises QuantityError.
    """
    first, dots, last = text.partition("..")
    if not dots:
        raise QuantityError(f"`{_short(text)}` is not a span of the day", "write it as 22:00..06:00, in UTC")
    begin = minute_of_day(first)
    end = _MINUTES_A_DAY if last.strip(" \t") == "24:00" else minute_of_day(last)
    if begin == end:
        raise QuantityError(f"the span `{_short(text)}` is empty", "for the whole day write 00:00..24:00")
    return begin, end


def format_minute(minute: int) -> str:
    """A minute of the day, 0 to 1439, as a clock shows it."""
    return f"{minute // 60:02d}:{minute % 60:02d}"


def format_frequency(hz: int) -> str:
    """Hertz as people read them: `14.205 MHz`, at least three decimals, at most six."""
    return megahertz(hz)


def _range(text: str, read: Callable[[str], int], what: str, several: str, example: str) -> tuple[int, int]:
    low_text, dots, high_text = text.partition("..")
    if not dots:
        raise QuantityError(f"`{_short(text)}` is not a range of {several}", f"write a range such as {example}")
    high = read(high_text)
    if re.fullmatch(_NUMBER, low_text.strip(" \t")):  # the unit is written once, behind the upper end
        low_text += high_text.strip(" \t0123456789.")
    low = read(low_text)
    if low >= high:
        raise QuantityError(f"the range `{_short(text)}` is empty", f"the first {what} must be below the second")
    return low, high


def _quantity(text: str, units: Mapping[str, Fraction], what: str, example: str, whole: str) -> int:
    choices = _choices(units)
    match = _QUANTITY.fullmatch(text.strip(" \t"))
    if match is None:
        if "," in text or text.count(".") > 1:
            hint = f"write plain digits with one decimal point and no separators, such as {example}"
        else:
            hint = f"write a number and {choices}, such as {example}"
        raise QuantityError(f"`{_short(text)}` is not {what}", hint)
    number, unit = match.groups()
    if not unit:
        raise QuantityError(f"`{_short(text)}` has no unit where {what} belongs", f"add {choices}: {example}")
    if unit not in units:
        same = [known for known in units if known.lower() == unit.lower()]
        hint = f"did you mean {same[0]}?" if same else f"write it in {choices}, such as {example}"
        raise QuantityError(f"`{unit}` is not a unit of {what.split()[1]}", hint)
    value = Fraction(number) * units[unit]
    if value.denominator != 1:
        raise QuantityError(f"`{_short(text)}` is not a whole number of {whole}", "leave out the last decimals")
    return value.numerator


def _choices(units: Mapping[str, Fraction]) -> str:
    names = list(units)
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."
