"""The station at a glance, as JSON values: what `qsyd status` and every other view is made of."""

from collections.abc import Mapping
from dataclasses import asdict
from math import inf
from typing import Any

from qsyd_rules.actuator import Actuator, Commanded, Resting, Settling, Unknown
from qsyd_rules.amplifier import SwitchingOn, WarmUp, deadline_us, ready_in_us
from qsyd_rules.follow import placed_notice
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.judgement import needs, operate_refusal
from qsyd_rules.notice import event_fields
from qsyd_rules.readings import decibels, dissipation_w, efficiency, gain, plate_load_ohm, swr
from qsyd_rules.state import Permit, RigState, StationState, Tank
from qsyd_rules.station import Amplifier, AmplifierLimits
from qsyd_rules.turn import Turn


def status(core: GuardedStation, state: StationState, now_us: int, troubles: Mapping[str, str]) -> dict[str, Any]:
    """What is known of the station now. `troubles` are links that are not open, by name, with the reason."""
    turn = Turn(core.atlas, core.wiring, core.followed, state, now_us)
    amplifier = core.atlas.station.amplifier
    placed = state.here if state.here is not None and not state.here.served else (state.here and state.target)
    return {
        "station": core.atlas.station.name,
        "guard": _guard(core),
        "rigs": {name: _rig(rig, troubles.get(f"rig {name}")) for name, rig in state.rigs.items()},
        "placed": event_fields(placed_notice(turn, placed)) | {"drive_w": placed.drive_w} if placed else None,
        "antennas": [antenna.name for antenna in core.atlas.station.antennas],
        "hold": _hold(state, now_us),
        "lockout": asdict(state.lockout) if state.lockout is not None else None,
        "meters": _meters(core, turn),
        "transmit": {"released": state.reasons is None, "reasons": list(state.reasons or ())},
        "change_over": _change_over(state, now_us),
        "amplifier": _amplifier(core, turn, amplifier) if amplifier else None,
        "outputs": {
            "permit": _known(state.permit, lambda permit: permit.value if isinstance(permit, Permit) else permit),
            "antenna": _known(state.antenna, str),
            "tank": _known(state.tank, _positions),
            "drive_w": _known(state.drive, int),
        },
        "devices": {
            name: {"answers": name not in state.failing, "trouble": troubles.get(name)} for name in core.wiring.outputs
        },
        "warnings": [advice.text for advice in sorted(state.advice, key=lambda advice: advice.text)],
    }


def _guard(core: GuardedStation) -> str:
    """How well transmitting can be forbidden: not at all, by a daemon that lives, or also when it dies."""
    if not core.wiring.inhibits:
        return "unguarded"
    return "guarded" if core.wiring.drops_by_itself else "unguarded on crash"


def _rig(rig: RigState, trouble: str | None) -> dict[str, Any]:
    if not rig.up:
        return {"link": "lost", "because": trouble or rig.lost_because}
    return {
        "link": "up",
        "frequency_hz": rig.frequency_hz,
        "transmit_hz": rig.transmit_hz,
        "split": rig.split,
        "mode": str(rig.mode) if rig.mode else None,
        "keyed": rig.keyed,
    }


def _hold(state: StationState, now_us: int) -> dict[str, Any] | None:
    hold = state.hold
    if hold is None:
        return None
    return {
        "antenna": hold.antenna,
        "until": hold.until,
        "left_s": max(0, hold.until_us - now_us) / 1_000_000,
        "operator": hold.operator,
        "reason": hold.reason,
    }


def _change_over(state: StationState, now_us: int) -> dict[str, Any] | None:
    change_over = state.change_over
    if change_over is None or not change_over.shown:
        return None
    return {
        "antenna": change_over.target.antenna,
        "segment": change_over.target.segment,
        "since_ms": round((now_us - change_over.started_us) / 1000),
    }


def _amplifier(core: GuardedStation, turn: Turn, amplifier: Amplifier) -> dict[str, Any]:
    state = turn.state
    left_us = ready_in_us(state.amplifier, turn.now_us)
    due_us = deadline_us(state.amplifier)
    return {
        "state": str(turn.amplifier_label),
        "fault": _fault(state),
        "wish": "operate" if state.wish else "standby",
        "armed": isinstance(state.amplifier, WarmUp | SwitchingOn) and state.amplifier.armed,
        "because": operate_refusal(turn, needs(turn)),
        "ready_in_s": None if left_us is None else left_us / 1_000_000,
        "next_in_s": None if due_us is None else max(0, due_us - turn.now_us) / 1_000_000,
        "relay": _known(state.line, lambda line: line.value),
        "follows": core.followed,
        "warm_up_s": amplifier.warm_up_us / 1_000_000,
        "cool_down_s": amplifier.cool_down_us / 1_000_000,
        "output_w": amplifier.output_w,
        "limits": _limits(amplifier.limits),
    }


def _limits(limits: AmplifierLimits) -> dict[str, float | None]:
    """By the names of the readings that they bound, from below where the name says so."""
    floats = {"swr": limits.swr, "gain_min": limits.gain_min, "gain": limits.gain_max}
    return {
        "grid_ma": limits.grid_current_ma,
        "plate_ma": limits.plate_current_ma,
        "reflected_w": limits.reflected_power_w,
        "drive_w": limits.drive_w,
        "plate_v_min": limits.plate_voltage_min_v,
        "plate_v": limits.plate_voltage_max_v,
        "temperature_c": limits.temperature_c,
        "dissipation_w": limits.dissipation_w,
        **{name: None if value is None else round(float(value), 2) for name, value in floats.items()},
    }


def _fault(state: StationState) -> dict[str, Any] | None:
    fault = state.fault
    if fault is None:
        return None
    return {
        "number": fault.number,
        "code": str(fault.code),
        "severity": str(fault.severity),
        "detail": fault.detail,
        "advice": fault.advice,
        "locked": state.fault_locked,
    }


def _meters(core: GuardedStation, turn: Turn) -> dict[str, Any] | None:
    """What the amplifier's meters show and what follows from them; None where nothing can be asked, or it is stale."""
    if not core.wiring.meters:
        return None
    told = turn.fresh_readings()
    amplifier = core.atlas.station.amplifier
    floor_w = amplifier.limits.forward_floor_w if amplifier is not None else 0
    ratio, power_gain = swr(told.forward_w, told.reflected_w, floor_w), gain(told.forward_w, told.drive_w, floor_w)
    shown = {name: str(value) if isinstance(value, str) else value for name, value in asdict(told).items()}
    return shown | {
        "swr": None if ratio is None or ratio == inf else round(ratio, 2),
        "gain": None if power_gain is None else round(power_gain, 1),
        "gain_db": None if not power_gain else round(decibels(power_gain), 1),
        "efficiency": efficiency(told),
        "dissipation_w": dissipation_w(told),
        "plate_load_ohm": plate_load_ohm(told.plate_v, told.plate_ma),
    }


def _known(actuator: Actuator[Any], shown: Any) -> dict[str, Any]:
    match actuator:
        case Unknown(error=error):
            return {"value": None, "known": "unknown", "because": error}
        case Commanded(value=value):
            return {"value": shown(value), "known": "commanded"}
        case Settling(value=value, result=result):
            return {"value": shown(value), "known": f"{result}, settling"}
        case Resting(value=value, result=result):
            return {"value": shown(value), "known": str(result)}


def _positions(tank: Tank) -> dict[str, Any]:
    shown = {"antenna": tank.antenna, "segment": tank.segment, "tune": tank.tune, "load": tank.load}
    return shown | {"estimate": True} if tank.estimate else shown
