"""Where a frequency would place a station, and why: the answer of `explain`, and what the file's own tests ask."""

from dataclasses import dataclass
from typing import Any

from qsyd_daemon.preset_table import preset_to_json
from qsyd_rules.estimate import Estimate
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.preset import Presets
from qsyd_rules.rulebook import Situation
from qsyd_rules.segment import Segment
from qsyd_rules.station import Rule
from qsyd_rules.words import AmplifierState, Mode


@dataclass(frozen=True, slots=True)
class Question:
    """A frequency to judge. Without `mode` only the frequency is judged; without `minute` no hour holds."""

    frequency_hz: int
    mode: Mode | None
    rig: str
    minute: int | None
    held: str | None = None
    """The antenna that an operator holds."""

    def situation(self) -> Situation:
        """The same, as the rules see it: unkeyed, and the amplifier in standby."""
        return Situation(
            self.rig, self.frequency_hz, self.mode, AmplifierState.STANDBY, False, self.minute, held=self.held
        )


def explain(atlas: Atlas, question: Question, presets: Presets) -> dict[str, Any]:
    """The placement as JSON values; what does not exist is None."""
    situation = question.situation()
    return explained(atlas, situation, atlas.place(situation, presets))


def explained(atlas: Atlas, situation: Situation, placement: Placement) -> dict[str, Any]:
    """A placement that was made in a situation, as JSON values."""
    return {
        "frequency_hz": situation.frequency_hz,
        "band": placement.band.name if placement.band else None,
        "segment": segment_to_json(placement.segment) if placement.segment else None,
        "antenna": {"name": placement.antenna.name, "port": placement.antenna.port} if placement.antenna else None,
        "preset": _preset(placement),
        "drive_w": placement.drive_w,
        "amplifier": _amplifier(atlas, placement),
        "inhibit": list(placement.inhibits),
        "warnings": [advice.text for advice in placement.advice],
        "rules": [_rule(atlas, placement, number, situation) for number in range(len(atlas.rulebook.rules))],
    }


def _preset(placement: Placement) -> dict[str, Any] | None:
    if placement.preset is not None:
        return preset_to_json(placement.preset)
    return estimate_to_json(placement.estimate) if placement.estimate is not None else None


def estimate_to_json(fitted: Estimate) -> dict[str, Any]:
    """An estimate as a JSON object that cannot be taken for a preset: `estimate` is true, and it tells its errors."""
    return {
        "estimate": True,
        "antenna": fitted.antenna,
        "segment": fitted.segment,
        "tune": fitted.tune,
        "load": fitted.load,
        "tune_error": fitted.tune_error,
        "load_error": fitted.load_error,
        "made_from": list(fitted.made_from),
    }


def segment_to_json(segment: Segment) -> dict[str, Any]:
    """A segment with its edges and centre."""
    return {
        "name": segment.name,
        "low_hz": segment.low_hz,
        "high_hz": segment.high_hz,
        "centre_hz": segment.centre_hz,
    }


def _amplifier(atlas: Atlas, placement: Placement) -> dict[str, Any] | None:
    if atlas.station.amplifier is None:
        return None
    if placement.barefoot_because is not None:
        return {"state": str(AmplifierState.STANDBY), "because": placement.barefoot_because}
    preset = "its preset is there" if placement.preset is not None else "the station operates without a preset"
    if placement.preset is None and placement.estimate is not None:
        preset = f"on an estimate, with at most {placement.drive_w} W of drive"
    return {"state": str(AmplifierState.OPERATE), "because": f"{preset}; operate follows the operator's wish"}


def _rule(atlas: Atlas, placement: Placement, number: int, situation: Situation) -> dict[str, Any]:
    rule = atlas.rulebook.rules[number]
    matched, because = atlas.rulebook.matches(rule, situation)
    decided = _decided(placement, rule, number) if matched else []
    if matched:
        because = _because(atlas, placement, rule, number) or because
    return {"name": rule.name, "matched": matched, "decided": decided, "because": because}


def _decided(placement: Placement, rule: Rule, number: int) -> list[str]:
    selections = placement.selections
    decided = [
        setting
        for setting, decider in (
            ("antenna", selections.antenna),
            ("drive", selections.drive),
            ("amplifier", selections.amplifier),
        )
        if decider == number
    ]
    if number in selections.remarks:
        said = {"inhibit": rule.then.inhibit, "warn": rule.then.warn, "send": rule.then.send}
        decided += [what for what, given in said.items() if given is not None]
    return decided


def _because(atlas: Atlas, placement: Placement, rule: Rule, number: int) -> str | None:
    """Why a rule that holds does not decide what it sets; None where it does."""
    rules, selections = atlas.rulebook.rules, placement.selections
    for setting, given, decider in (
        ("antenna", rule.then.antenna is not None, selections.antenna),
        ("drive", rule.then.drive_w is not None, selections.drive),
        ("amplifier", rule.then.amplifier_standby, selections.amplifier),
    ):
        if not given or decider == number:
            continue
        if decider is not None and decider < number:
            return f"every condition holds, but “{rules[decider].name}” decides the {setting} first"
        if setting == "antenna" and placement.held and placement.antenna is not None:
            return f"every condition holds, but {placement.antenna.name} is held by an operator"
        if setting == "antenna":
            where = placement.band.name if placement.band else "this frequency"
            return f"every condition holds, but {rule.then.antenna} does not cover {where}"
    return None
