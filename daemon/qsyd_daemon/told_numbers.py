"""Numbers that a person read off the meters, as JSON told them."""

from typing import Any

from qsyd_daemon.preset_table import LARGEST
from qsyd_rules.readings import Readings
from qsyd_rules.tune_up_key import NUMBERS
from qsyd_rules.tune_up_steps import TuneRefusedError


def numbers_of(given: object) -> Readings:
    """Numbers as JSON told them. Raises `TuneRefusedError` for what is none."""
    if not isinstance(given, dict) or not given:
        raise TuneRefusedError(f"numbers are given by name: {', '.join(NUMBERS)}")
    told: dict[str, Any] = {}
    for name, value in given.items():
        if name not in NUMBERS:
            raise TuneRefusedError(f"{name!r} is not asked for; these are: {', '.join(NUMBERS)}")
        most = LARGEST[name]
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
            raise TuneRefusedError(f"{name} must be a number from 0 to {most}")
        if name in {"tune", "load"} and value != round(value):
            raise TuneRefusedError(f"{name} is a whole number of steps, not {value:g}")
        told[name] = round(value) if name in {"tune", "load"} else float(value)
    return Readings(**told)
