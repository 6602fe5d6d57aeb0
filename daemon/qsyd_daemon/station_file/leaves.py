"""Single values of a station file: what text is accepted, what it becomes, and what to say otherwise.

Each is an annotated type for the models; its reader gets what YAML made of the text and raises a
`PydanticCustomError` of type `station`, whose context holds `text` and `hint`.
"""

import math
import re
from collections.abc import Callable
from fractions import Fraction
from typing import Annotated, Any, TypeVar

from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.vocabulary import BOOLEAN_WORDS
from qsyd_rules import quantity

_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9_.-]{0,62}[A-Za-z0-9])?")
TEXT_LENGTH_MAX = 1000
GAIN_MAX = 1000
"""Largest power gain, as a ratio, that a limit may name: 30 dB."""
PLATE_V_LEAST, PLATE_V_MOST = 50, 20_000

Bound = TypeVar("Bound")


def refusal(text: str, hint: str, *inside: str | int) -> PydanticCustomError:
    """An error for the operator; `inside` leads on from the value's own place to the fault."""
    return PydanticCustomError("station", "{text}; {hint}", {"text": text, "hint": hint, "inside": inside})


def described(value: object) -> str:
    """What YAML made of a value, in words."""
    match value:
        case None:
            return "nothing"
        case bool():
            return f"`{str(value).lower()}`, a boolean,"
        case int() | float():
            return f"the bare number {short(value)}"
        case str():
            return f"`{short(value)}`"
        case tuple() | list():
            return "a list"
        case _:
            return "a mapping"


def _text(value: object) -> str:
    """Free text, not empty."""
    if not isinstance(value, str):
        what = "a text" if value is None or isinstance(value, tuple | dict) else "it in quotes"
        raise refusal(f"{described(value)} stands where a text belongs", f"write {what}")
    if not value.strip():
        raise refusal("the text is empty", "write at least one word")
    if len(value) > TEXT_LENGTH_MAX:
        raise refusal(f"the text has {len(value)} characters", f"use at most {TEXT_LENGTH_MAX}")
    return value


def _line(value: object) -> str:
    """Free text of one printable line."""
    text = _text(value)
    if not text.isprintable():
        raise refusal(f"`{short(text)}` holds control characters", "keep to one line of printable text")
    return text


def _raw(value: object) -> str:
    """What goes over a wire, or a pattern for what comes: blanks and line ends count."""
    if not isinstance(value, str):
        raise refusal(f"{described(value)} stands where a text belongs", "write it in double quotes")
    return value if value.strip(" \r\n") == "" and value else _text(value)


def _name(value: object) -> str:
    """A name that others refer to."""
    text = value if isinstance(value, str) else _text(value)
    if not _NAME.fullmatch(text):
        hint = "use up to 64 letters, digits, `-`, `_` and `.`, no blanks, beginning and ending with a letter or digit"
        raise refusal(f"`{short(text)}` is not a name", hint)
    return text


def _band(value: object) -> str:
    """The name of a band: a number without its unit, as people say it, is a slip of its own."""
    if isinstance(value, int) and not isinstance(value, bool):
        raise refusal(
            f"{described(value)} is not a band", f"write the band's name with its unit, such as {short(value)}m"
        )
    return _name(value)


def _boolean(value: object) -> bool:
    if not isinstance(value, bool):
        same = " (`on`, `off`, `yes` and `no` are words here)" if str(value).lower() in BOOLEAN_WORDS else ""
        raise refusal(f"{described(value)} stands where true or false belongs{same}", "write true or false")
    return value


def whole_number(least: int, most: int) -> Any:
    """An integer type `least..most`."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            quoted = isinstance(value, str) and value.isdigit()
            hint = "leave out the quotes" if quoted else f"write a number from {least} to {most}"
            raise refusal(f"{described(value)} stands where a whole number belongs", hint)
        if not least <= value <= most:
            raise refusal(f"{short(value)} is out of range", f"write a number from {least} to {most}")
        return value

    return BeforeValidator(read)


def number_above(bound: int, most: int, example: str) -> Any:
    """An exact rational type `(bound, most]`, as the decimals in the file say."""

    def read(value: object) -> Fraction:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(f"{described(value)} stands where a number belongs", f"write a number such as {example}")
        if not math.isfinite(value) or not bound < value <= most:
            raise refusal(f"{short(value)} is out of range", f"write a number above {bound}, at most {most}")
        return Fraction(repr(value))

    return BeforeValidator(read)


def number_from(least: int, below: int, example: str) -> Any:
    """An exact rational type `[least, below)`, as the decimals in the file say."""

    def read(value: object) -> Fraction:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise refusal(f"{described(value)} stands where a number belongs", f"write a number such as {example}")
        if not math.isfinite(value) or not least <= value < below:
            raise refusal(f"{short(value)} is out of range", f"write {least} or more, below {below}, such as {example}")
        return Fraction(repr(value))

    return BeforeValidator(read)


def one_of(*choices: str, what: str) -> Any:
    """One of a few words."""

    def read(value: object) -> str:
        if isinstance(value, str) and value in choices:
            return value
        raise refusal(f"{described(value)} is not {what}", nearest(str(value), choices))

    return BeforeValidator(read)


def one_number_of(*choices: int, what: str) -> Any:
    """One of a few whole numbers."""

    def read(value: object) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and value in choices:
            return value
        numbers = [str(choice) for choice in choices]
        plain = value in numbers
        hint = "leave out the quotes" if plain else f"write {', '.join(numbers[:-1])} or {numbers[-1]}"
        raise refusal(f"{described(value)} is not {what}", hint)

    return BeforeValidator(read)


def quantity_between(
    read: Callable[[str], int], least: str, most: str, example: str, *, zero: bool = False
) -> BeforeValidator:
    """A quantity read by one of the readers of `quantity`; zero only where it makes sense."""
    low, high = read(least), read(most)

    def checked(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise refusal(f"{described(value)} stands where a quantity belongs", f"write it as {example}")
        try:
            result = read(str(value))
        except quantity.QuantityError as error:
            raise refusal(error.text, error.hint) from error
        if result == 0 and zero:
            return result
        if not low <= result <= high:
            raise refusal(f"`{short(value)}` is out of range", f"write {least} to {most}, such as {example}")
        return result

    return BeforeValidator(checked)


def _between(value: object) -> tuple[int, int]:
    return _span(value, quantity.minute_range, "22:00..06:00")


def _frequencies(value: object) -> tuple[int, int]:
    return _span(value, quantity.frequency_range_hz, "14.347..14.351 MHz")


def _gains(value: object) -> tuple[Fraction, Fraction]:
    low, high = _span(value, quantity.ratio_range, "15..40")
    if low == 0 or high > GAIN_MAX:
        raise refusal(f"{described(value)} is out of range", f"write two ratios above 0, at most {GAIN_MAX}")
    return low, high


def _voltages(value: object) -> tuple[int, int]:
    low, high = _span(value, quantity.voltage_range_v, "2.5..4.2 kV")
    if low < PLATE_V_LEAST or high > PLATE_V_MOST:
        raise refusal(f"{described(value)} is out of range", f"write {PLATE_V_LEAST} V to {PLATE_V_MOST // 1000} kV")
    return low, high


def _span(value: object, read: Callable[[str], tuple[Bound, Bound]], example: str) -> tuple[Bound, Bound]:
    if not isinstance(value, str):
        raise refusal(f"{described(value)} stands where a range belongs", f"write it as {example}")
    try:
        return read(value)
    except quantity.QuantityError as error:
        raise refusal(error.text, error.hint) from error


def _minute(value: object) -> int:
    try:
        return quantity.minute_of_day(str(value))
    except quantity.QuantityError as error:
        raise refusal(error.text, error.hint) from error


def _as_list(value: object) -> object:
    """A single value means a list of one."""
    if isinstance(value, tuple):
        if not value:
            raise refusal("the list is empty", "name at least one")
        return value
    return (value,)


def _needs_list(value: object) -> object:
    if not isinstance(value, tuple):
        raise refusal(f"{described(value)} stands where a list belongs", "write it in brackets, as in [80m, 40m]")
    if not value:
        raise refusal("the list is empty", "name at least one")
    return value


def _port(value: object) -> int | str:
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 9999:
        return value
    if isinstance(value, str) and _NAME.fullmatch(value):
        return value
    raise refusal(f"{described(value)} is not a port of the switch", "write a number from 0 to 9999, or a name")


Text = Annotated[str, BeforeValidator(_text)]
Raw = Annotated[str, BeforeValidator(_raw)]
Line = Annotated[str, BeforeValidator(_line)]
Name = Annotated[str, BeforeValidator(_name)]
BandName = Annotated[str, BeforeValidator(_band)]
Boolean = Annotated[bool, BeforeValidator(_boolean)]
Port = Annotated[int | str, BeforeValidator(_port)]
Minute = Annotated[int, BeforeValidator(_minute)]
MinuteRange = Annotated[tuple[int, int], BeforeValidator(_between)]
FrequencyRange = Annotated[tuple[int, int], BeforeValidator(_frequencies)]
Frequency = Annotated[int, quantity_between(quantity.frequency_hz, "0 Hz", "1000000 MHz", "14.205 MHz")]
Power = Annotated[int, quantity_between(quantity.power_w, "1 W", "10 kW", "600 W")]
Temperature = Annotated[int, quantity_between(quantity.temperature_c, "20 C", "400 C", "90 C")]
GainRange = Annotated[tuple[Fraction, Fraction], BeforeValidator(_gains)]
VoltageRange = Annotated[tuple[int, int], BeforeValidator(_voltages)]
Current = Annotated[int, quantity_between(quantity.current_ma, "1 mA", "20 A", "120 mA")]
AsList = BeforeValidator(_as_list)
NeedsList = BeforeValidator(_needs_list)


def duration(least: str, most: str, example: str, *, zero: bool = False) -> BeforeValidator:
    """A time in microseconds."""
    return quantity_between(quantity.duration_us, least, most, example, zero=zero)
