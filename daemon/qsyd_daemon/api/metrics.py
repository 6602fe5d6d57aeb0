"""What the station measures, as text of OpenMetrics 1.0 (RFC draft draft-richih-opsawg-openmetrics-00).

Every family has its type and help; names end in their unit; no frequency and no free text is a label.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from qsyd_daemon.api.counters import Counters, Histogram
from qsyd_rules.words import AmplifierState

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Measured:
    """What the families are made of, at one moment."""

    version: str
    status: Mapping[str, Any]
    antennas: tuple[str, ...]
    links: Mapping[str, bool]
    poll_errors: Mapping[str, Mapping[str, int]]
    """By link and kind."""
    queued: Mapping[str, int]
    """Events that wait to be written, by output."""
    dropped_events: int
    loop_lag_s: float
    reload_ok: bool
    streams: int
    connections: int
    counters: Counters


def exposition(measured: Measured) -> str:
    """The whole text, ended by `# EOF`."""
    return "\n".join([*_families(measured), "# EOF", ""])


def _families(measured: Measured) -> Iterable[str]:
    status, counters = measured.status, measured.counters
    antenna = status["outputs"]["antenna"]["value"]
    amplifier = status["amplifier"]
    yield from _family("qsyd_build", "info", "This program.", [("_info", {"version": measured.version}, 1)])
    yield from _gauge("qsyd_link_up", "Whether a link is open.", "link", measured.links)
    yield from _family(
        "qsyd_frequency_hertz",
        "gauge",
        "Where a rig would transmit.",
        [("", {"rig": rig}, told["transmit_hz"]) for rig, told in status["rigs"].items() if told.get("transmit_hz")],
        unit="hertz",
    )
    selected = {name: name == antenna for name in measured.antennas}
    yield from _gauge("qsyd_antenna_selected", "The antenna that is selected.", "antenna", selected)
    if amplifier is not None:
        states = {str(state): str(state) == amplifier["state"] for state in AmplifierState}
        yield from _gauge("qsyd_amplifier_state", "What the amplifier does.", "state", states)
    released = status["transmit"]["released"]
    yield from _family("qsyd_transmit_released", "gauge", "Whether transmit is released.", [("", {}, int(released))])
    yield from _meters(status["meters"])
    yield from _family(
        "qsyd_sequences",
        "counter",
        "Change-overs by how they ended.",
        [
            ("_total", {"kind": "change-over", "result": result}, counters.sequences[result])
            for result in ("finished", "failed")
        ],
    )
    yield from _histogram(
        "qsyd_sequence_duration_seconds", "From inhibit to release.", [({"kind": "change-over"}, counters.sequence_s)]
    )
    yield from _histogram(
        "qsyd_poll_duration_seconds",
        "From question to answer.",
        [({"rig": rig}, histogram) for rig, histogram in counters.polls.items()],
    )
    yield from _family(
        "qsyd_poll_errors",
        "counter",
        "Questions that went wrong.",
        [
            ("_total", {"link": link, "kind": kind}, count)
            for link, kinds in measured.poll_errors.items()
            for kind, count in kinds.items()
        ],
    )
    yield from _family(
        "qsyd_output_queue",
        "gauge",
        "Events that wait to be written.",
        [("", {"output": name}, count) for name, count in measured.queued.items()],
    )
    outputs = {name: counters.output_errors[name] for name in (*status["devices"], *counters.output_errors)}
    yield from _family(
        "qsyd_output_errors",
        "counter",
        "Commands that an output did not take.",
        [("_total", {"output": name}, count) for name, count in outputs.items()],
    )
    yield from _family(
        "qsyd_faults",
        "counter",
        "Faults of the amplifier.",
        [("_total", {"code": code}, count) for code, count in counters.faults.items()],
    )
    yield from _family("qsyd_events", "counter", "Events told.", [("_total", {}, counters.events)])
    yield from _family(
        "qsyd_events_dropped", "counter", "Events never journalled.", [("_total", {}, measured.dropped_events)]
    )
    yield from _family(
        "qsyd_loop_lag_seconds",
        "gauge",
        "How late the last beat of the event loop was.",
        [("", {}, measured.loop_lag_s)],
        unit="seconds",
    )
    yield from _family(
        "qsyd_config_reload_ok",
        "gauge",
        "Whether the station file that was last read is in force.",
        [("", {}, int(measured.reload_ok))],
    )
    yield from _family("qsyd_api_streams", "gauge", "Who follows the events.", [("", {}, measured.streams)])
    yield from _family("qsyd_api_connections", "gauge", "Open TCP connections.", [("", {}, measured.connections)])


def _meters(meters: Mapping[str, Any] | None) -> Iterable[str]:
    if meters is None:
        return
    for name, family, unit, words in (
        ("forward_w", "qsyd_forward_power_watts", "watts", "Forward power."),
        ("reflected_w", "qsyd_reflected_power_watts", "watts", "Reflected power."),
        ("drive_w", "qsyd_drive_power_watts", "watts", "Drive."),
        ("temperature_c", "qsyd_exhaust_temperature_celsius", "celsius", "Exhaust air."),
    ):
        if meters[name] is not None:
            yield from _family(family, "gauge", words, [("", {}, meters[name])], unit=unit)


def _gauge(name: str, words: str, label: str, values: Mapping[str, bool]) -> Iterable[str]:
    return _family(name, "gauge", words, [("", {label: key}, int(value)) for key, value in values.items()])


def _histogram(name: str, words: str, values: Iterable[tuple[dict[str, str], Histogram]]) -> Iterable[str]:
    samples: list[tuple[str, dict[str, str], float]] = []
    for labels, histogram in values:
        total = 0
        for bound, count in zip((*map(repr, histogram.bounds), "+Inf"), histogram.counts, strict=True):
            total += count
            samples.append(("_bucket", labels | {"le": bound}, total))
        samples += [("_count", labels, total), ("_sum", labels, histogram.sum)]
    return _family(name, "histogram", words, samples, unit="seconds")


def _family(
    name: str, kind: str, words: str, samples: Iterable[tuple[str, Mapping[str, str], float]], unit: str = ""
) -> Iterable[str]:
    yield f"# TYPE {name} {kind}"
    if unit:
        yield f"# UNIT {name} {unit}"
    yield f"# HELP {name} {words}"
    for suffix, labels, value in samples:
        shown = ",".join(f'{label}="{_escaped(text)}"' for label, text in labels.items())
        yield f"{name}{suffix}{{{shown}}} {value!r}" if shown else f"{name}{suffix} {value!r}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
