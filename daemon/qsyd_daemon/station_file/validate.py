"""From the tree to the models, with every fault reported, and what is faulty left out so that the rest can be judged.

A fault in one place must not hide those in another: the models are tried again without the faulty values until they
hold. What was left out is remembered, so that nothing is called missing that was only faulty.
"""

from collections.abc import Mapping
from copy import copy
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from qsyd_daemon.station_file.address import FORMS
from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.leaves import described
from qsyd_daemon.station_file.model import OUTPUT_KEYS, DeviceKeys, JsonlKeys, LineKeys, LogKeys, StationKeys
from qsyd_daemon.station_file.vocabulary import KINDS, LATER_KINDS
from qsyd_daemon.station_file.yaml_tree import Location, data_of

_ROUNDS_MAX = 12
_STAND_INS: dict[str, Any] = {"station": "?", "region": 2, "rigs": {}, "antennas": {}}
"""What the needed keys stand for while the rest is judged."""
_LINK = "serial:/dev/null"
"""What a faulty link stands for, so that the rest of its rig or device is judged: of the kind to which all keys belong."""

_HINTS = {
    "station": "begin with `station: NAME`",
    "region": "write the ITU region, 1, 2 or 3",
    "rigs": "name at least one rig: `rigs: {main: {link: simulated}}`",
    "antennas": "name at least one antenna: `antennas: {wire: {port: 1, bands: [40m]}}`",
    "link": FORMS,
    "line": "name the line of the port: `rts` or `dtr` to set, `cts` or `dsr` to read",
    "renew": 'write what to send to the device, such as `renew: "KEEP\\n"`',
    "bandwidth": "write the width within which the SWR stays below 2, such as 120 kHz",
    "frequency": "write it with its unit, such as 3.65 MHz",
    "port": "write the number of its port on the switch",
    "bands": "list its bands, such as [80m, 40m]",
    "ask": 'write what to send to the device, such as `ask: "METERS\\n"`',
    "match": "write a regular expression whose groups are named after readings",
    "listen": "write an address of this machine and a port, such as 127.0.0.1:8073",
    "certificate": "name the certificate, and the chain behind it, as PEM",
    "key": "name the key of the certificate, as PEM",
    "output": "name one of the outputs",
    "text": "write the text to send",
}

OutputKeys = DeviceKeys | LineKeys | JsonlKeys | LogKeys
Model = TypeVar("Model", bound=BaseModel)


def validated(findings: Findings) -> tuple[StationKeys, dict[str, OutputKeys]] | None:
    """The file and its outputs by name, without what is faulty; None where nothing can be judged further."""
    data = data_of(findings.root)
    if not isinstance(data, dict):
        findings.error((), f"{described(data)} stands where the station's keys belong", "begin with `station: NAME`")
        return None
    _without_nothing(data, (), findings)
    station = _model(StationKeys, data, (), findings)
    if station is None:
        return None
    outputs: dict[str, OutputKeys] = {}
    for name, value in station.outputs.items():
        keys = _output(name, value, findings)
        if keys is not None:
            outputs[name] = keys
    return station, outputs


def _without_nothing(data: dict[str, Any], location: Location, findings: Findings) -> None:
    """Report keys without a value and take them out; only a test may expect nothing."""
    for key, value in list(data.items()):
        here = (*location, key)
        if value is None and not (here[0] == "tests" and here[2:3] == ("expect",)):
            findings.error(here, f"`{short(key)}` has no value", "write one, or leave the key out")
            findings.leave_out(here)
            del data[key]
        elif isinstance(value, dict):
            _without_nothing(value, here, findings)
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                if isinstance(item, dict):
                    _without_nothing(item, (*here, index), findings)


def _output(name: str, value: object, findings: Findings) -> OutputKeys | None:
    place: Location = ("outputs", name)
    if not isinstance(value, dict):
        findings.error(place, f"{described(value)} stands where keys belong", "write kind, and what that kind needs")
        return None
    kind = value.get("kind")
    if "kind" not in value:
        if findings.is_whole(*place):
            findings.error(place, f"output `{name}` has no kind", f"write `kind: {'`, `kind: '.join(KINDS)}`", key=True)
    elif kind in LATER_KINDS:
        findings.error((*place, "kind"), f"outputs of kind {kind} come later", f"for now: {', '.join(KINDS)}")
    elif kind not in KINDS:
        findings.error((*place, "kind"), f"{described(kind)} is not a kind of output", nearest(str(kind), KINDS))
    else:
        return _model(OUTPUT_KEYS[str(kind)], value, place, findings)
    findings.leave_out(place)
    return None


def _model(model: type[Model], data: dict[str, Any], place: Location, findings: Findings) -> Model | None:
    for _ in range(_ROUNDS_MAX):
        known: dict[int, type[BaseModel]] = {}
        try:
            return model.model_validate(data, context=known)
        except ValidationError as error:
            # In later rounds most is a consequence of what was left out; `is_whole` tells, and places already faulty.
            faulty = [_reported(detail, data, place, known, findings) for detail in error.errors(include_url=False)]
            if () in faulty:
                return None
            items: dict[str, set[int]] = {}
            for location in faulty:
                findings.leave_out((*place, *location))
                match location:
                    case (str(section), int(index)):
                        items.setdefault(section, set()).add(index)
                    case _:
                        _leave_out(data, location)
            for section, indices in items.items():
                _empty(data, section, indices)
    return None


def _reported(
    detail: ErrorDetails,
    data: dict[str, Any],
    place: Location,
    known: Mapping[int, type[BaseModel]],
    findings: Findings,
) -> Location:
    """Report one fault, and say what has to be left out for it."""
    location = tuple(part for part in detail["loc"] if part != "[key]")
    if detail["type"] != "missing":
        _report(detail, data, place, location, known, findings)
        return location
    _report_missing(place, location, findings)
    return location if not place and len(location) == 1 else location[:-1]


def _report_missing(place: Location, location: Location, findings: Findings) -> None:
    parent, key = (*place, *location[:-1]), str(location[-1])
    if not findings.is_whole(*parent, key):
        return
    owner = f" of `{parent[-1]}`" if parent else ""
    if parent and isinstance(parent[-1], int):
        owner = f" of entry {parent[-1] + 1} of `{parent[-2]}`"
    findings.error(parent, f"the key `{key}`{owner} is missing", _HINTS.get(key, f"write `{key}: ...`"), key=True)


def _report(
    detail: ErrorDetails,
    data: dict[str, Any],
    place: Location,
    location: Location,
    known: Mapping[int, type[BaseModel]],
    findings: Findings,
) -> None:
    here = (*place, *location)
    match detail["type"]:
        case "station":
            context = detail.get("ctx", {})
            at_key = detail["loc"][-1] == "[key]"
            findings.error((*here, *context["inside"]), context["text"], context["hint"], key=at_key)
        case "extra_forbidden":
            choices = known[id(_value_at(data, location[:-1]))].model_fields
            findings.error(here, f"unknown key `{short(location[-1])}`", nearest(str(location[-1]), choices), key=True)
        case "dict_type":
            text = f"{described(detail['input'])} stands where names with their keys belong"
            findings.error(here, text, "write each name followed by `:` and its keys")
        case "tuple_type":
            text = f"{described(detail['input'])} stands where a list belongs"
            findings.error(here, text, "begin each entry with `- `")
        case _:
            findings.error(here, f"{described(detail['input'])} does not belong here", detail["msg"])


def _value_at(data: Any, location: Location) -> Any:
    for part in location:
        data = data[part]
    return data


def _leave_out(data: dict[str, Any], location: Location) -> None:
    """Take out the value at a location; where it is an item of a list, the list."""
    try:
        parent = _value_at(data, location[:-1])
    except (KeyError, IndexError, TypeError):
        return  # gone already, with another fault of the same mapping
    part = location[-1]
    if len(location) == 1 and part in _STAND_INS:
        data[str(part)] = copy(_STAND_INS[str(part)])
    elif part == "link" and isinstance(parent, dict):
        parent["link"] = _LINK
    elif isinstance(parent, dict):
        parent.pop(part, None)
    else:
        _leave_out(data, location[:-1])


def _empty(data: dict[str, Any], section: str, indices: set[int]) -> None:
    """Put empty rules or tests in the place of faulty ones, so that the others keep their numbers."""
    if isinstance(data.get(section), tuple):
        data[section] = tuple({} if index in indices else item for index, item in enumerate(data[section]))
