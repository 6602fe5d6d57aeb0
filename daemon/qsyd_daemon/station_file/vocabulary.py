"""The names a station file may use besides its own: events and their fields, readings, kinds of output."""

from qsyd_rules.words import Mode

READING_NAMES = (
    "forward_w",
    "reflected_w",
    "drive_w",
    "plate_v",
    "plate_ma",
    "grid_ma",
    "temperature_c",
    "tune",
    "load",
    "state",
    "fault",
)
"""What a device can be asked: the group names of a `match` expression."""

EVENT_FIELDS: dict[str, tuple[str, ...]] = {
    "station-started": ("station", "file_sha256"),
    "station-stopped": (),
    "link-up": ("rig",),
    "link-lost": ("rig", "reason"),
    "frequency": ("rig", "frequency_hz", "transmit_hz", "split", "mode"),
    "placed": ("rig", "band", "segment", "antenna", "port", "preset", "rules", "because", "utc"),
    "keyed": ("rig",),
    "unkeyed": ("rig",),
    "change-over-started": ("from", "to"),
    "change-over-finished": ("took_ms", "antenna", "segment"),
    "command": ("command", "output", "result", "error", "took_ms"),
    "output-failed": ("output", "command", "error"),
    "output-recovered": ("output",),
    "preset-saved": ("antenna", "segment"),
    "preset-missing": ("antenna", "segment"),
    "asked": ("request", "operator", "accepted", "text"),
    "amplifier": ("state", "was", "reason", "ready_in_s"),
    "fault": ("code", "severity", "detail", "advice"),
    "fault-acknowledged": ("code",),
    "reloaded": ("changed", "restarted", "file_sha256"),
    "hold-started": ("antenna", "until", "operator", "reason"),
    "hold-ended": ("antenna", "operator", "because"),
    "tube-replaced": ("operator", "reason", "heater_s", "operate_s", "overs"),
    "warning": ("code", "text", "rule"),
    "transmit-inhibited": ("reasons",),
    "transmit-released": (),
}
"""Every event and the fields of its own that a notice's text may use."""

CONTEXT_FIELDS = (
    "at",
    "time",
    "event",
    "station",
    "rule",
    "rig",
    "frequency_hz",
    "transmit_hz",
    "mode",
    "band",
    "segment",
    "antenna",
    "port",
)
"""What a notice's text may use whatever the event: where the station is."""

KINDS = ("device", "line", "jsonl", "log")
LATER_KINDS = ("mqtt", "webhook", "exec", "udp")

MODES = tuple(str(mode) for mode in Mode)
BOOLEAN_WORDS = frozenset({"yes", "no", "on", "off", "y", "n"})
"""Words that other readers take for true or false; here they are words."""

FREQUENCY_LIMIT_HZ = 60_000_000
"""The daemon follows HF rigs: 0 to 60 MHz."""
