"""The named troubles of the world, and the switches in its parts that each of them throws."""

from dataclasses import dataclass, field
from enum import StrEnum

from qsyd_rules.command import CommandName


class FaultKind(StrEnum):
    """Every trouble a run may have, named for what an operator would see."""

    RIG_SILENT = "rig-silent"
    RIG_GARBLED = "rig-garbled"
    RIG_FALSE_BAND = "rig-false-band"
    RIG_ANSWERS_LATE = "rig-answers-late"
    RIG_LINK_CLOSED = "rig-link-closed"
    RIG_LINK_REFUSED = "rig-link-refused"
    RIG_LINK_FLAPS = "rig-link-flaps"
    RIG_POWER_CYCLED = "rig-power-cycled"
    KEY_STUCK = "key-stuck"
    KEY_UNKNOWN = "key-unknown"
    KEY_EVIDENCE_LATE = "key-evidence-late"
    KEY_EVIDENCE_LOST = "key-evidence-lost"
    SPLIT_FLAPS = "split-flaps"
    OTHER_VFO_UNREADABLE = "other-vfo-unreadable"
    DIAL_CHATTERS = "dial-chatters"
    DIAL_SWEEPS = "dial-sweeps"
    DIAL_BOUNCES = "dial-bounces"
    MODE_FLAPS = "mode-flaps"
    SWITCH_SILENT = "switch-silent"
    SWITCH_SLOW = "switch-slow"
    SWITCH_REFUSES = "switch-refuses"
    SWITCH_ANSWER_LOST = "switch-answer-lost"
    SWITCH_SUPPLY_LOST = "switch-supply-lost"
    SWITCH_LINK_CLOSED = "switch-link-closed"
    SWITCH_LINK_HALF_OPEN = "switch-link-half-open"
    SWITCH_LINK_FLAPS = "switch-link-flaps"
    AMPLIFIER_SILENT = "amplifier-silent"
    AMPLIFIER_SLOW = "amplifier-slow"
    AMPLIFIER_REFUSES_OPERATE = "amplifier-refuses-operate"
    AMPLIFIER_REFUSES_STANDBY = "amplifier-refuses-standby"
    AMPLIFIER_REFUSES_PRESET = "amplifier-refuses-preset"
    AMPLIFIER_ANSWER_LOST = "amplifier-answer-lost"
    AMPLIFIER_SUPPLY_DIPS = "amplifier-supply-dips"
    AMPLIFIER_SUPPLY_LOST = "amplifier-supply-lost"
    AMPLIFIER_LINK_HALF_OPEN = "amplifier-link-half-open"
    AMPLIFIER_LINK_FLAPS = "amplifier-link-flaps"
    PERMIT_SILENT = "permit-silent"
    PERMIT_SLOW = "permit-slow"
    PERMIT_REFUSES_RELEASE = "permit-refuses-release"
    PERMIT_ANSWER_LOST = "permit-answer-lost"
    PERMIT_SUPPLY_LOST = "permit-supply-lost"
    PERMIT_LINK_HALF_OPEN = "permit-link-half-open"
    FEED_LINE_BROKEN = "feed-line-broken"
    KEY_LINE_UNREADABLE = "key-line-unreadable"
    DISK_SLOW = "disk-slow"
    DISK_FULL = "disk-full"
    DISK_HANGS = "disk-hangs"
    OPERATOR_HAMMERS = "operator-hammers"
    WALL_CLOCK_JUMPS = "wall-clock-jumps"
    LOOP_STALLS = "loop-stalls"
    DAEMON_KILLED = "daemon-killed"
    NETWORK_OUT = "network-out"


SWITCH, AMPLIFIER, PERMIT = CommandName.SELECT_ANTENNA, CommandName.AMPLIFIER_STANDBY, CommandName.INHIBIT_TRANSMIT
"""A device is named by the command it carries: whatever box takes that has the trouble, with all else in it."""


@dataclass(slots=True)
class RigTroubles:
    """What goes wrong between the rig and the daemon; with all defaults nothing does."""

    silent: bool = False
    garbled_per_mille: int = 0
    """So many of a thousand answers and reports are damaged on the way, and so discarded by whoever reads them."""
    false_hz: int | None = None
    """The next answer says this instead of the dial; once."""
    late_us: int = 0
    """Answers and reports arrive so much later."""
    key_unknown: bool = False
    key_late_us: int = 0
    """The rig's own word on its key is so old."""
    key_denied: bool = False
    """The rig says that nobody keys, whoever does."""
    other_unreadable: bool = False
    key_stuck: bool = False
    key_line_unreadable: bool = False
    refused: bool = False
    """Its link cannot be opened."""


@dataclass(slots=True)
class DeviceTroubles:
    """What goes wrong with a device or its link; with all defaults nothing does."""

    silent: bool = False
    """Hears nothing, does nothing, answers nothing."""
    slow_us: int = 0
    """Everything it does takes so much longer."""
    refuses: set[CommandName] = field(default_factory=set)
    answer_lost: bool = False
    """Obeys, and nothing comes back."""
    unpowered: bool = False
    half_open: bool = False
    """The link looks open and carries nothing in either direction."""
    unreachable: bool = False
    """Its link cannot be opened."""


@dataclass(slots=True)
class DiskTroubles:
    """What goes wrong with the state directory."""

    slow_us: int = 0
    full: bool = False
    hangs: bool = False


USUAL: dict[FaultKind, tuple[int, int]] = {
    FaultKind.RIG_SILENT: (300, 6_000),
    FaultKind.RIG_GARBLED: (1_000, 10_000),
    FaultKind.RIG_FALSE_BAND: (1, 1),
    FaultKind.RIG_ANSWERS_LATE: (500, 6_000),
    FaultKind.RIG_LINK_CLOSED: (50, 3_000),
    FaultKind.RIG_LINK_REFUSED: (500, 8_000),
    FaultKind.RIG_LINK_FLAPS: (1_000, 5_000),
    FaultKind.RIG_POWER_CYCLED: (500, 5_000),
    FaultKind.KEY_STUCK: (1_000, 12_000),
    FaultKind.KEY_UNKNOWN: (500, 8_000),
    FaultKind.KEY_EVIDENCE_LATE: (1_000, 8_000),
    FaultKind.KEY_EVIDENCE_LOST: (1_000, 8_000),
    FaultKind.SPLIT_FLAPS: (500, 4_000),
    FaultKind.OTHER_VFO_UNREADABLE: (500, 5_000),
    FaultKind.DIAL_CHATTERS: (500, 5_000),
    FaultKind.DIAL_SWEEPS: (300, 3_000),
    FaultKind.DIAL_BOUNCES: (500, 6_000),
    FaultKind.MODE_FLAPS: (500, 3_000),
    FaultKind.SWITCH_SILENT: (500, 8_000),
    FaultKind.SWITCH_SLOW: (500, 8_000),
    FaultKind.SWITCH_REFUSES: (500, 8_000),
    FaultKind.SWITCH_ANSWER_LOST: (500, 6_000),
    FaultKind.SWITCH_SUPPLY_LOST: (200, 6_000),
    FaultKind.SWITCH_LINK_CLOSED: (50, 4_000),
    FaultKind.SWITCH_LINK_HALF_OPEN: (500, 8_000),
    FaultKind.SWITCH_LINK_FLAPS: (1_000, 5_000),
    FaultKind.AMPLIFIER_SILENT: (500, 8_000),
    FaultKind.AMPLIFIER_SLOW: (500, 8_000),
    FaultKind.AMPLIFIER_REFUSES_OPERATE: (500, 8_000),
    FaultKind.AMPLIFIER_REFUSES_STANDBY: (500, 8_000),
    FaultKind.AMPLIFIER_REFUSES_PRESET: (500, 8_000),
    FaultKind.AMPLIFIER_ANSWER_LOST: (500, 6_000),
    FaultKind.AMPLIFIER_SUPPLY_DIPS: (100, 3_000),
    FaultKind.AMPLIFIER_SUPPLY_LOST: (6_000, 12_000),
    FaultKind.AMPLIFIER_LINK_HALF_OPEN: (500, 8_000),
    FaultKind.AMPLIFIER_LINK_FLAPS: (1_000, 5_000),
    FaultKind.PERMIT_SILENT: (500, 8_000),
    FaultKind.PERMIT_SLOW: (500, 8_000),
    FaultKind.PERMIT_REFUSES_RELEASE: (500, 8_000),
    FaultKind.PERMIT_ANSWER_LOST: (500, 6_000),
    FaultKind.PERMIT_SUPPLY_LOST: (200, 6_000),
    FaultKind.PERMIT_LINK_HALF_OPEN: (500, 8_000),
    FaultKind.FEED_LINE_BROKEN: (2_000, 8_000),
    FaultKind.KEY_LINE_UNREADABLE: (500, 8_000),
    FaultKind.DISK_SLOW: (1_000, 12_000),
    FaultKind.DISK_FULL: (1_000, 12_000),
    FaultKind.DISK_HANGS: (1_000, 12_000),
    FaultKind.OPERATOR_HAMMERS: (500, 4_000),
    FaultKind.WALL_CLOCK_JUMPS: (1, 1),
    FaultKind.LOOP_STALLS: (50, 2_000),
    FaultKind.DAEMON_KILLED: (100, 4_000),
    FaultKind.NETWORK_OUT: (100, 4_000),
}
"""How long each lasts at the least and at the most, in milliseconds."""

CERTAIN = frozenset(
    {
        FaultKind.DIAL_CHATTERS,
        FaultKind.DIAL_SWEEPS,
        FaultKind.DIAL_BOUNCES,
        FaultKind.SPLIT_FLAPS,
        FaultKind.MODE_FLAPS,
        FaultKind.OPERATOR_HAMMERS,
        FaultKind.WALL_CLOCK_JUMPS,
        FaultKind.FEED_LINE_BROKEN,
        FaultKind.DISK_SLOW,
        FaultKind.DISK_FULL,
        FaultKind.DISK_HANGS,
    }
)
"""Troubles that excuse nothing: neither what the daemon hears nor what it can do is in doubt meanwhile."""
