"""What has changed from one station file to another, in the words of the file, and what each change takes."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import Enum
from fractions import Fraction
from pathlib import Path

from qsyd_daemon.links.link import Rfc2217Address, SerialAddress, TcpAddress
from qsyd_daemon.outputs.device import address_text
from qsyd_daemon.station_file.settings import (
    ApiSettings,
    DeviceSettings,
    JsonlSettings,
    LineSettings,
    LogSettings,
    OutputSettings,
    RigLink,
    Simulated,
    StationFile,
)
from qsyd_rules.command import CommandName
from qsyd_rules.preset import Presets, PresetStanding, standing
from qsyd_rules.quantity import format_frequency
from qsyd_rules.segment import Segment
from qsyd_rules.station import Station

_HEATER = (
    CommandName.AMPLIFIER_ON,
    CommandName.AMPLIFIER_OFF,
    CommandName.AMPLIFIER_STANDBY,
    CommandName.AMPLIFIER_OPERATE,
)
_UNITS = {"_w": " W", "_ma": " mA", "_v": " V", "_c": " C"}


@dataclass(frozen=True, slots=True)
class Exchange:
    """Rigs and outputs that have to be begun anew, by name; those that went and came included."""

    rigs: frozenset[str]
    devices: frozenset[str]
    others: frozenset[str]
    """Devices behind which there may be another one now."""
    notices: frozenset[str]

    @property
    def has_links(self) -> bool:
        """Whether a link is closed or opened."""
        return bool(self.rigs or self.devices)

    @property
    def names(self) -> tuple[str, ...]:
        """All of it, as links and outputs are named."""
        return (*(f"rig {name}" for name in sorted(self.rigs)), *sorted(self.devices | self.notices))


def exchange(old: StationFile, new: StationFile) -> Exchange:
    """What of the wires has to be begun anew; everything else is not to be touched."""
    was = {output.name: output for output in old.outputs}
    now = {output.name: output for output in new.outputs}
    changed = {name for name in {*was, *now} if was.get(name) != now.get(name)}
    devices = {name for name in changed if _is_device(was.get(name)) or _is_device(now.get(name))}
    notices = {name for name in changed if _is_notice(was.get(name)) or _is_notice(now.get(name))}
    rigs = {
        name for name in {*old.rig_links, *new.rig_links} if old.rig_links.get(name) != new.rig_links.get(name)
    }  # fmt: skip
    others = {name for name in devices if _identity(was.get(name)) != _identity(now.get(name))}
    return Exchange(frozenset(rigs), frozenset(devices), frozenset(others), frozenset(notices))


def untakeable(old: StationFile, new: StationFile) -> list[tuple[str, str]]:
    """What cannot be changed while the daemon runs: the key as in `StationFile.places`, and why."""
    found = []
    if old.station.name != new.station.name:
        found.append(("station", f"the station's name, {old.station.name}, stays as long as the daemon runs"))
    if _listening(old.api) != _listening(new.api):
        found.append(
            ("api", "where and how the API is reached (listen, tls, tokens, hosts, streams) is set up at the start")
        )
    for name, link in new.rig_links.items():
        if isinstance(link.address, Simulated) and _simulator(old.rig_links.get(name)) != _simulator(link):
            found.append((f"rigs.{name}", f"the simulated rig {name} is set up at the start"))
    return found


def differences(old: StationFile, new: StationFile) -> tuple[str, ...]:
    """Every change of meaning, a sentence each. Files that mean the same have none, however they are written."""
    was, now = old.station, new.station
    found = [*_plain("station", was.name, now.name), *_plain("region", was.region, now.region)]
    licences = (was.privileges.licence if was.privileges else None, now.privileges.licence if now.privileges else None)
    found += _plain("privileges", *licences)
    found += _named("rig", _rigs(old), _rigs(new))
    found += _named("antenna", {each.name: each for each in was.antennas}, {each.name: each for each in now.antennas})
    found += _order("antennas", [each.name for each in was.antennas], [each.name for each in now.antennas])
    found += _one("amplifier", was.amplifier, now.amplifier)
    found += _segments(was, now)
    found += _fields("change_over", was.change_over, now.change_over)
    found += _named("rule", {each.name: each for each in was.rules}, {each.name: each for each in now.rules})
    found += _order("rules", [each.name for each in was.rules], [each.name for each in now.rules])
    found += _named("output", {each.name: each for each in old.outputs}, {each.name: each for each in new.outputs})
    found += _one("api", _without_places(old.api), _without_places(new.api))
    found += _plain("tune_up: key_down", _text("x_us", old.tune_key_down_us), _text("x_us", new.tune_key_down_us))
    if [_meaning(test) for test in old.tests] != [_meaning(test) for test in new.tests]:
        found.append(f"tests: {len(new.tests)}, was {len(old.tests)}" if len(old.tests) != len(new.tests) else "tests")
    return tuple(found)


def stale_now(old: StationFile, new: StationFile, presets: Presets) -> Iterator[str]:
    """Which presets the edges of the new file make stale, a sentence for each antenna."""
    before = {segment.name: segment for segment in old.station.segments}
    after = {segment.name: segment for segment in new.station.segments}
    found: dict[str, list[str]] = {}
    for (antenna, name), preset in sorted(presets.items()):
        served = name in before and standing(preset, before[name]) is PresetStanding.SAVED
        serves = name in after and standing(preset, after[name]) is PresetStanding.SAVED
        if served and not serves:
            found.setdefault(antenna, []).append(name)
    for antenna, names in found.items():
        yield f"presets of {antenna} that are stale now: {', '.join(names)}"


def _is_device(output: OutputSettings | None) -> bool:
    return isinstance(output, DeviceSettings | LineSettings)


def _is_notice(output: OutputSettings | None) -> bool:
    return isinstance(output, JsonlSettings | LogSettings)


def _identity(output: OutputSettings | None) -> object:
    """What tells one device from another, as far as a file can: where it is, and how its heater and relay are told."""
    match output:
        case DeviceSettings(address=SerialAddress(path=path), commands=commands):
            return "device", path, *(commands.get(name) for name in _HEATER)
        case DeviceSettings(address=TcpAddress(host=host, port=port), commands=commands):
            return "device", "tcp", host, port, *(commands.get(name) for name in _HEATER)
        case DeviceSettings(address=Rfc2217Address(host=host, port=port), commands=commands):
            return "device", "rfc2217", host, port, *(commands.get(name) for name in _HEATER)
        case LineSettings(address=address, line=line):
            return "line", address.path, line
        case _:
            return None


def _simulator(link: RigLink | None) -> object:
    if link is None or not isinstance(link.address, Simulated):
        return None
    return link.protocol, link.frequency_digits, link.civ_address


def _listening(api: ApiSettings | None) -> object:
    return None if api is None else replace(api, lease_us=0, places={})


def _without_places(api: ApiSettings | None) -> ApiSettings | None:
    return None if api is None else replace(api, places={})


@dataclass(frozen=True, slots=True)
class _Rig:
    lost_after_us: int
    link: RigLink


def _rigs(file: StationFile) -> dict[str, _Rig]:
    return {rig.name: _Rig(rig.lost_after_us, file.rig_links[rig.name]) for rig in file.station.rigs}


def _meaning(test: object) -> object:
    frequency = [getattr(test, name) for name in ("frequency_hz", "mode", "at_minute")]
    return frequency, {key: each.value for key, each in getattr(test, "expect", {}).items()}


def _segments(was: Station, now: Station) -> Iterator[str]:
    before, after = _by_band(was.segments), _by_band(now.segments)
    for band in dict.fromkeys((*before, *after)):
        old, new = before.get(band, []), after.get(band, [])
        if old != new:
            edges = ", ".join(format_frequency(each.low_hz) for each in new)
            number = f"{len(new)}, was {len(old)}; " if len(old) != len(new) else ""
            yield f"segments of {band}: {number}they begin at {edges or 'none'}"
    yield from _fields("segments", was.computed, now.computed)


def _by_band(segments: Iterable[Segment]) -> dict[str, list[Segment]]:
    found: dict[str, list[Segment]] = {}
    for segment in segments:
        found.setdefault(segment.band, []).append(segment)
    return found


def _named(kind: str, was: Mapping[str, object], now: Mapping[str, object]) -> Iterator[str]:
    for name in was.keys() - now.keys():
        yield f"{kind} {_quoted(kind, name)}: taken away"
    for name, new in now.items():
        if name not in was:
            yield f"{kind} {_quoted(kind, name)}: added"
        elif type(was[name]) is not type(new):
            yield f"{kind} {_quoted(kind, name)}: of another kind"
        else:
            yield from _fields(f"{kind} {_quoted(kind, name)}", was[name], new)


def _quoted(kind: str, name: str) -> str:
    return f"“{name}”" if kind == "rule" else name


def _order(kind: str, was: list[str], now: list[str]) -> Iterator[str]:
    both = set(was) & set(now)
    if [name for name in was if name in both] != [name for name in now if name in both]:
        yield f"{kind}: their order"


def _one(kind: str, was: object, now: object) -> Iterator[str]:
    if was is None or now is None:
        if was is not now:
            yield f"{kind}: {'added' if was is None else 'taken away'}"
    else:
        yield from _fields(kind, was, now)


def _plain(kind: str, was: object, now: object) -> Iterator[str]:
    if was != now:
        yield f"{kind}: {_text(kind, now)}, was {_text(kind, was)}"


def _fields(kind: str, was: object, now: object) -> Iterator[str]:
    """Field by field, one level of the file's keys after the other."""
    if was == now or not is_dataclass(was) or not is_dataclass(now):
        return
    for each in fields(now):
        before, after = getattr(was, each.name), getattr(now, each.name)
        if before == after:
            continue
        moved = _text(each.name, before) != _text(each.name, after)
        if isinstance(now, LineSettings) and _is_address(after) and not moved:
            continue  # its levels follow from `active`, which is told
        both = is_dataclass(before) and is_dataclass(after) and type(before) is type(after)
        if both and not (_is_address(after) and moved):
            name = "" if each.name in ("link", "address") else f": {_name(each.name)}"
            yield from _fields(f"{kind}{name}", before, after)
        elif isinstance(before, Mapping) and isinstance(after, Mapping):
            yield from _mapping(kind, before, after)
        else:
            yield f"{kind}: {_name(each.name)} {_text(each.name, after)}, was {_text(each.name, before)}"


def _is_address(value: object) -> bool:
    return isinstance(value, SerialAddress | TcpAddress | Rfc2217Address)


def _mapping(kind: str, was: Mapping[object, object], now: Mapping[object, object]) -> Iterator[str]:
    for key in dict.fromkeys((*was, *now)):
        if was.get(key) != now.get(key):
            yield f"{kind}: {key} {_text('', now.get(key))}, was {_text('', was.get(key))}"


def _name(field: str) -> str:
    """A field as the file calls it: without its unit, and without the level that a line may have."""
    for unit in ("_us", "_hz", "_high", *_UNITS):
        field = field.removesuffix(unit)
    return {"address": "link", "civ_address": "address"}.get(field, field)


def _text(field: str, value: object) -> str:
    """A value as a file would write it."""
    match value:
        case None:
            return "none"
        case bool() if field.endswith("_high"):
            return "high" if value else "low"
        case bool():
            return "yes" if value else "no"
        case Enum():
            return str(value.value)
        case Fraction():
            return f"{float(value):g}"
        case int() if field.endswith("_us"):
            return f"{value / 1e6:g} s" if value >= 1_000_000 or not value else f"{value / 1e3:g} ms"
        case int() if field.endswith("_hz"):
            return format_frequency(value) if value >= 100_000 else f"{value} Hz"
        case int():
            return f"{value}{next((unit for suffix, unit in _UNITS.items() if field.endswith(suffix)), '')}"
        case SerialAddress() | TcpAddress() | Rfc2217Address():
            return address_text(value)
        case Simulated():
            return "simulated"
        case tuple():
            return ", ".join(_text(field, each) for each in value) or "none"
        case frozenset():
            return ", ".join(sorted(_text(field, each) for each in value)) or "none"
        case str():
            return value.encode("unicode_escape").decode() if not value.isprintable() else value
        case Path():
            return str(value)
        case _ if is_dataclass(value):
            parts = [(each.name, getattr(value, each.name)) for each in fields(value)]
            return ", ".join(f"{_name(name)} {_text(name, part)}" for name, part in parts if part not in {None, False})
        case _:
            return str(value)
