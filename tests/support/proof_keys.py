"""What tells one normal state from another, for the core and for the gate.

A field that is not known here fails the import: somebody has to say what it means for the proof, in `proof_normal` too.
"""

from dataclasses import fields

from qsyd_rules.gate_account import Account
from qsyd_rules.placement import Placement
from qsyd_rules.state import ChangeOver, RigState, StationState, standing

_CORE = frozenset(
    [
        "now_us",
        "rigs",
        "presets",
        "minute",
        "minute_used",
        "here",
        "here_since_us",
        "reported_us",
        "target",
        "permit",
        "line",
        "antenna",
        "tank",
        "drive",
        "drive_rises",
        "amplifier",
        "amplifier_shown",
        "wish",
        "change_over",
        "finishing",
        "spot",
        "care",
        "care_warned",
        "notes_fail",
        "operated_band",
        "key_line",
        "rf_w",
        "keyed_since_us",
        "quiet_since_us",
        "disagree_since_us",
        "disagree_told",
        "readings",
        "stale",
        "guarded",
        "fault",
        "fault_locked",
        "covered",
        "fault_history",
        "lockout",
        "hold",
        "tuning",
        "exchanging",  # no station file is read again in the search: always None
        "heater_on_us",  # only another station file asks for it
        "heater_off_us",  # only what the amplifier tells of its heater asks for it, and that is not told in the search
        "misplaced_since_us",
        "amplifier_lost_us",
        "hold_offs",
        "reasons",
        "advice",
        "sending",
        "preset_missed",
        "failing",
        "ignored",
        "commands",
        "next_id",
        "started",
        "stopping",
        "wake_us",
    ]
)
_GATE = frozenset(
    [
        "now_us",
        "rig_heard_us",
        "rig_told_from_us",
        "transmit_hz",
        "rig_keyed",
        "line_keyed",
        "rf",
        "unkeyed_since_us",
        "inhibited_since_us",
        "standby_since_us",
        "line_settles_us",
        "heater_on_us",
        "off_since_us",
        "off_asked_us",
        "lost_us",
        "antenna",
        "antenna_settles_us",
        "antenna_spent_us",
        "tank",
        "tank_settles_us",
        "drive_w",
        "under_way",
        "note",
        "fault",
        "acknowledging",
        "asked_to_operate",
        "locked_out",
        "tuning",
        "exchanging",
        "presets",
    ]
)
_RIG = frozenset(
    "up heard_us lost_because frequency_hz transmit_hz split mode keyed unkeyed_since_us moved_us asked_us "  # noqa: SIM905
    "told_from_us placed told_of".split()
)
_CHANGE_OVER = frozenset(
    "intent_id started_us origin target shown noted_us intent touched operated not_before_us waits_us".split()  # noqa: SIM905
)
for _known, _kind in ((_CORE, StationState), (_GATE, Account), (_RIG, RigState), (_CHANGE_OVER, ChangeOver)):
    _strange = {field.name for field in fields(_kind)} ^ _known
    assert not _strange, f"{_kind.__name__}.{', '.join(sorted(_strange))}: say what it means for the proof"


def _place(it: Placement) -> tuple[object, ...]:
    """A placement, as far as a tune-up that was there or is there makes a difference."""
    tank = it.preset and (it.preset.tune, it.preset.load)
    return (it.frequency_hz, it.barefoot_because, tank, it.drive_w)


def core_key(state: StationState) -> tuple[object, ...]:
    """What tells one normal state of the core from another."""
    (rig,) = state.rigs.values()
    return (
        rig,
        state.here and _place(state.here),
        state.target and _place(state.target),
        state.tuning,
        state.here_since_us,
        state.reported_us,
        state.permit,
        state.line,
        state.antenna,
        state.tank,
        state.drive,
        state.drive_rises,
        state.amplifier,
        state.amplifier_shown,
        state.wish,
        state.change_over,
        state.finishing is None,
        state.notes_fail,
        state.operated_band,
        state.key_line,
        state.keyed_since_us,
        state.quiet_since_us,
        state.disagree_since_us,
        state.disagree_told,
        tuple(each.code for each in standing(state)),
        state.lockout is None,
        state.misplaced_since_us,
        state.amplifier_lost_us,
        tuple(state.hold_offs.items()),
        state.reasons,
        tuple(state.ignored.items()),
        tuple(state.commands.items()),
        state.started,
        state.stopping,
        state.wake_us,
    )


def gate_key(account: Account) -> tuple[object, ...]:
    """What tells one normal account of the gate from another."""
    return (
        account.rig_heard_us,
        account.rig_told_from_us,
        account.transmit_hz,
        account.rig_keyed,
        account.line_keyed,
        account.unkeyed_since_us,
        account.inhibited_since_us,
        account.standby_since_us,
        account.line_settles_us,
        account.heater_on_us,
        account.lost_us,
        account.antenna,
        account.antenna_settles_us,
        account.tank,
        account.tank_settles_us,
        account.drive_w,
        account.note,
        account.fault,
        account.asked_to_operate,
        account.locked_out,
        account.tuning,
        tuple(account.under_way),
    )
