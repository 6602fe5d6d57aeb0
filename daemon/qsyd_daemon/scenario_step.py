"""One step of a scenario: when it comes, and the one thing that is done or expected then."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

from qsyd_daemon.scenario_values import (
    SECONDS_A_DAY,
    Reader,
    RefusedError,
    clock_s,
    frequency,
    lasting,
    one_of,
    switched,
    text,
    whole,
)
from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.yaml_tree import Node, Scalar
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.fault import FaultCode
from qsyd_rules.station import Station
from qsyd_rules.words import AmplifierState, Mode

ACTIONS = (
    *("dial", "other", "split", "mode", "key", "amplifier", "acknowledge", "lockout", "hold"),
    *("fault", "preset", "expect"),
)
EXPECTED = (
    *("antenna", "segment", "amplifier", "transmit", "reason", "rf", "moved", "answer", "says", "fault", "warning"),
)
POSITION_MAX = 1_000_000


@dataclass(frozen=True, slots=True)
class FaultWanted:
    """A fault goes on, for a time or until it is taken off, or goes off."""

    name: str
    is_on: bool
    lasts_us: int | None


@dataclass(frozen=True, slots=True)
class HoldWanted:
    """The operator holds an antenna for a time, or lets go where there is none."""

    antenna: str | None
    lasts_us: int


@dataclass(frozen=True, slots=True)
class PresetWanted:
    """A preset is stored, or removed where there are no positions."""

    antenna: str
    segment: str
    positions: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class ExpectationWanted:
    """What should be so within a time; each value as the file's word."""

    wants: Mapping[str, str]
    within_us: int


@dataclass(frozen=True, slots=True)
class ScenarioStep:
    """At `at_us` since the beginning, or `after_us` since the step before was done. One of the others is not None."""

    line: int
    column: int
    at_us: int | None = None
    after_us: int = 0
    dial_hz: int | None = None
    other_hz: int | None = None
    split: bool | None = None
    mode: Mode | None = None
    key_down: bool | None = None
    request: AmplifierRequest | None = None
    acknowledges: bool = False
    lockout: bool | None = None
    hold: HoldWanted | None = None
    fault: FaultWanted | None = None
    preset: PresetWanted | None = None
    expect: ExpectationWanted | None = None


def step_of(
    node: Node, reader: Reader, faults: Collection[str], station: Station | None, begun_minute: int
) -> ScenarioStep:
    """Read one step; what is wrong goes to the reader. Without a station its names are not judged.

    `begun_minute` is the minute of the day at which the scenario begins.
    """
    keys = reader.keys(node, ("at", "after", "utc", *ACTIONS), "a step")
    step = ScenarioStep(node.line, node.column)
    done = [name for name in ACTIONS if name in keys]
    if keys and len(done) != 1:
        hint = "write one of " + ", ".join(ACTIONS)
        reader.refuse(node, "a step does one thing" if done else "this step does nothing", hint)
    times = [name for name in ("at", "after", "utc") if name in keys]
    if len(times) > 1:
        reader.refuse(keys[times[1]], f"`{times[0]}` and `{times[1]}` in one step", "keep one of them")
    at_us = reader.value(keys.get("at"), lasting)
    if (time_of_day_s := reader.value(keys.get("utc"), clock_s)) is not None:
        at_us = (time_of_day_s - begun_minute * 60) % SECONDS_A_DAY * 1_000_000
    step = replace(
        step,
        at_us=at_us,
        after_us=reader.value(keys.get("after"), lasting) or 0,
        dial_hz=reader.value(keys.get("dial"), frequency),
        other_hz=reader.value(keys.get("other"), frequency),
        split=reader.value(keys.get("split"), switched),
        lockout=reader.value(keys.get("lockout"), switched),
    )
    if (mode := reader.value(keys.get("mode"), one_of([str(mode) for mode in Mode], "a mode"))) is not None:
        step = replace(step, mode=Mode(mode))
    if (key := reader.value(keys.get("key"), one_of(("down", "up"), "down or up"))) is not None:
        step = replace(step, key_down=key == "down")
    requests = [str(request) for request in AmplifierRequest]
    if (request := reader.value(keys.get("amplifier"), one_of(requests, "a request"))) is not None:
        step = replace(step, request=AmplifierRequest(request))
    if "acknowledge" in keys:
        reader.value(keys["acknowledge"], one_of(("fault",), "what can be acknowledged"))
        step = replace(step, acknowledges=True)
    if "hold" in keys:
        step = replace(step, hold=_hold(keys["hold"], reader, station))
    if "fault" in keys:
        step = replace(step, fault=_fault(keys["fault"], reader, faults))
    if "preset" in keys:
        step = replace(step, preset=_preset(keys["preset"], reader, station))
    if "expect" in keys:
        step = replace(step, expect=_expectation(keys["expect"], reader, station))
    return step


def _fault(node: Node, reader: Reader, faults: Collection[str]) -> FaultWanted | None:
    keys = reader.keys(node, faults, "a fault")
    if len(keys) > 1:
        reader.refuse(node, "more than one fault in a step", "give each a step of its own, `after: 0 s`")
    for name, value in keys.items():
        lasts = reader.value(value, _on_off_or_lasting)
        return None if lasts is None else FaultWanted(name, lasts[0], lasts[1])
    return None


def _on_off_or_lasting(node: Scalar) -> tuple[bool, int | None]:
    if node.text in ("on", "off"):
        return node.text == "on", None
    try:
        return True, lasting(node)
    except RefusedError as refused:
        raise RefusedError(refused.text, "write on, off, or how long, such as 3 s") from refused


def _hold(node: Node, reader: Reader, station: Station | None) -> HoldWanted | None:
    if isinstance(node, Scalar):
        reader.value(node, one_of(("off",), "off"))
        return HoldWanted(None, 0)
    keys = reader.keys(node, ("antenna", "for"), "a hold")
    antenna = reader.value(reader.needed(node, keys, "antenna", "name one of the station"), _antenna(station))
    lasts_us = reader.value(reader.needed(node, keys, "for", "say how long, such as 30 min"), lasting)
    return None if antenna is None or lasts_us is None else HoldWanted(antenna, lasts_us)


def _preset(node: Node, reader: Reader, station: Station | None) -> PresetWanted | None:
    keys = reader.keys(node, ("antenna", "segment", "tune", "load", "remove"), "a preset")
    antenna = reader.value(reader.needed(node, keys, "antenna", "name one of the station"), _antenna(station))
    segment = reader.value(reader.needed(node, keys, "segment", "such as 40m/1"), _segment(station))
    tune, load = (reader.value(keys.get(name), whole(0, POSITION_MAX)) for name in ("tune", "load"))
    removes = "remove" in keys
    if removes:
        reader.value(keys["remove"], one_of(("true",), "true"))
    if removes == ("tune" in keys or "load" in keys) or ("tune" in keys) != ("load" in keys):
        reader.refuse(node, "a preset without its two positions", "write tune and load, or `remove: true`")
    if antenna is None or segment is None:
        return None
    return PresetWanted(antenna, segment, None if tune is None or load is None else (tune, load))


def _expectation(node: Node, reader: Reader, station: Station | None) -> ExpectationWanted:
    keys = reader.keys(node, (*EXPECTED, "within"), "what is expected")
    within_us = reader.value(keys.pop("within", None), lasting) or 0
    if not keys:
        reader.refuse(node, "nothing is expected", "write one of " + ", ".join(EXPECTED))
    readers = {
        "antenna": _antenna(station, "none"),
        "segment": _segment(station, "none"),
        "amplifier": one_of([str(state) for state in AmplifierState], "a state of the amplifier"),
        "transmit": one_of(("released", "inhibited"), "released or inhibited"),
        "rf": one_of(("on", "off"), "on or off"),
        "moved": one_of(("true", "false"), "true or false"),
        "answer": one_of(("accepted", "refused"), "accepted or refused"),
        "fault": one_of(["none", *(str(code) for code in FaultCode)], "a fault of the amplifier"),
    }
    wants = {name: reader.value(value, readers.get(name, text)) for name, value in keys.items()}
    return ExpectationWanted({name: value for name, value in wants.items() if value is not None}, within_us)


def _antenna(station: Station | None, *besides: str) -> Callable[[Scalar], str]:
    return _named(None if station is None else [each.name for each in station.antennas], besides, "an antenna")


def _segment(station: Station | None, *besides: str) -> Callable[[Scalar], str]:
    return _named(None if station is None else [each.name for each in station.segments], besides, "a segment")


def _named(names: list[str] | None, besides: tuple[str, ...], what: str) -> Callable[[Scalar], str]:
    """One of the station's names; any word while the station itself is faulty."""

    def read(node: Scalar) -> str:
        if names is None or node.text in names or node.text in besides:
            return node.text
        raise RefusedError(f"`{short(node.text)}` is not {what} of this station", nearest(node.text, names))

    return read
