"""Numbers that a person read off the meters, as JSON told them."""

from typing import Any

from qsyd_daemon.preset_table import LARGEST
from qsyd_rules.readings import Readings
from qsyd_rules.tune_up_key import NUMBERS
from qsyd_rules.tune_up_steps import TuneRefusedError

ASKED = (*NUMBERS, "matching")


def numbers_of(given: object) -> tuple[Readings, tuple[int, ...] | None]:
    """Numbers, and the positions of a matching unit, as JSON told them. Raises `TuneRefusedError` for what is none."""
    if not isinstance(given, dict) or not given:
        raise TuneRefusedError(f"numbers are given by name: {', '.join(ASKED)}")
    told: dict[str, Any] = {}
    matching: tuple[int, ...] | None = None
    for name, value in given.items():
        if name == "matching":
            matching = _positions(value)
            continue
        if name not in NUMBERS:
            raise TuneRefusedError(f"{name!r} is not asked for; these are: {', '.join(ASKED)}")
        most = LARGEST[name]
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
            raise TuneRefusedError(f"{name} must be a number from 0 to {most}")
        if name in {"tune", "load"} and value != round(value):
            raise TuneRefusedError(f"{name} is a whole number of steps, not {value:g}")
        told[name] = round(value) if name in {"tune", "load"} else float(value)
    return Readings(**told), matching


def _positions(value: Any) -> tuple[int, ...]:
    """The positions of a matching unit; a single one may stand by itself."""
    most = LARGEST["tune"]
    listed = value if isinstance(value, list) else [value]
    for each in listed:
        if isinstance(each, bool) or not isinstance(each, int | float) or each != round(each) or not 0 <= each <= most:
            raise TuneRefusedError(f"matching is whole numbers from 0 to {most}, such as matching=12,40,1")
    return tuple(round(each) for each in listed)
