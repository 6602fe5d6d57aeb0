"""What a station file leaves unsaid, key by key, as it would be written."""

from collections.abc import Iterator

from pydantic import BaseModel

from qsyd_daemon.station_file.address import Rfc2217Link, SerialLink
from qsyd_daemon.station_file.model import (
    SERIAL_KEYS,
    SERVER_KEYS,
    DeviceKeys,
    JsonlKeys,
    LineKeys,
    LinkKeys,
    RigKeys,
    StationKeys,
)
from qsyd_daemon.station_file.validate import OutputKeys
from qsyd_rules.station import Station

_BUILT = frozenset({"amplifier.follows", "amplifier.bands"})


def defaults_of(keys: StationKeys, outputs: dict[str, OutputKeys], station: Station) -> tuple[tuple[str, str], ...]:
    """Dotted keys that were not written, each with the value that serves, in the order of the keys."""
    found = [(key, shown) for key, shown in _unset(keys, "") if key not in _BUILT]
    for name, output in outputs.items():
        if isinstance(output, JsonlKeys) and output.path is None:
            found.append((f"outputs.{name}.path", f"{name}.jsonl"))
        elif isinstance(output, DeviceKeys | LineKeys):
            found += _unset(output, f"outputs.{name}.")
    if keys.amplifier is not None and station.amplifier is not None:
        if keys.amplifier.follows is None:
            found.append(("amplifier.follows", station.amplifier.follows))
        if keys.amplifier.bands is None:
            bands = ", ".join(station.amplifier.bands) or "none"
            found.append(
                ("amplifier.bands", f"{bands} (what antennas cover, without 60m and 30m for their power limits)")
            )
    divided = keys.segments.__pydantic_extra__ or {}
    for band in station.bands:
        if band.name not in divided:
            parts = sum(segment.band == band.name for segment in station.segments)
            found.append((f"segments.{band.name}", f"{parts} (computed)"))
    for index, rule in enumerate(keys.rules):
        if rule.name is None:
            found.append((f"rules[{index}].name", station.rules[index].name))
    return tuple(found)


def _unset(keys: BaseModel, prefix: str) -> Iterator[tuple[str, str]]:
    skipped = _beside_the_point(keys)
    for name, field in type(keys).model_fields.items():
        value = getattr(keys, name)
        if isinstance(value, BaseModel):
            yield from _unset(value, f"{prefix}{name}.")
        elif isinstance(value, dict):
            if name not in keys.model_fields_set:
                yield f"{prefix}{name}", "none"
            for key, each in value.items():
                if isinstance(each, BaseModel):
                    yield from _unset(each, f"{prefix}{name}.{key}.")
        elif name == "resonances" and value:
            for index, each in enumerate(value):
                yield from _unset(each, f"{prefix}{name}[{index}].")
        elif name not in keys.model_fields_set and name not in skipped:
            yield f"{prefix}{name}", _shown(name, field.default)


def _beside_the_point(keys: BaseModel) -> set[str]:
    """Keys that mean nothing for this kind of link or this protocol."""
    skipped: set[str] = set()
    if isinstance(keys, LinkKeys) and not isinstance(keys.link, SerialLink | Rfc2217Link):
        skipped.update(SERIAL_KEYS)
    if isinstance(keys, LinkKeys) and not isinstance(keys.link, Rfc2217Link):
        skipped.update(SERVER_KEYS)
    if isinstance(keys, RigKeys):
        skipped.add("address" if keys.protocol == "ascii-cat" else "frequency_digits")
    return skipped


def _shown(name: str, value: object) -> str:
    match value:
        case None | ():
            return "none"
        case bool():
            return str(value).lower()
        case int() if name == "address":
            return f"0x{value:02X}"
        case _:
            return str(value)
