"""What is told besides the change-over itself: the amplifier's state, warnings, and what rules answer to events."""

from qsyd_rules.amplifier import disarmed, ready_in_us
from qsyd_rules.effect import Report, SendText
from qsyd_rules.judgement import needs, operate_refusal
from qsyd_rules.notice import AmplifierChanged, Notice, PresetMissing, Warned, event_fields
from qsyd_rules.preset import PresetStanding
from qsyd_rules.station import Rule
from qsyd_rules.turn import Turn
from qsyd_rules.words import AmplifierState


def amplifier_change(turn: Turn) -> bool:
    """Report the amplifier's state where it has changed; whether it has."""
    state = turn.state
    now, was = turn.amplifier_label, state.amplifier_shown
    if now is was:
        return False
    reason = turn.amplifier_reason
    if reason is None:
        reason = operate_refusal(turn, needs(turn)) if now is AmplifierState.STANDBY else None
    left_us = ready_in_us(state.amplifier, turn.now_us)
    turn.change(amplifier_shown=now)
    turn.report(
        AmplifierChanged(now, was, reason or "everything allows it", None if left_us is None else left_us / 1e6)
    )
    return True


def remarks(turn: Turn) -> None:
    """What the place and its rules warn of, once when it begins to hold."""
    state = turn.state
    here = state.here
    if here is None:
        return
    for advice in here.advice:
        if advice not in state.advice:
            turn.report(Warned("place" if advice.rule is None else "rule", advice.text, advice.rule))
    if state.advice != frozenset(here.advice):
        turn.change(advice=frozenset(here.advice))
    _missing_preset(turn)
    _selection_texts(turn)


def _missing_preset(turn: Turn) -> None:
    """A place without a preset, where an amplifier would serve, is worth a word on entering it."""
    target, here = turn.state.target, turn.state.here
    if here is None or not here.served or target is None or target.antenna is None or target.segment is None:
        missed = None
    elif target.preset_standing in {PresetStanding.MISSING, PresetStanding.STALE}:
        missed = (target.antenna.name, target.segment.name)
    else:
        missed = None
    if missed == turn.state.preset_missed:
        return
    turn.change(preset_missed=missed)
    if missed is not None and target is not None:
        turn.report(PresetMissing(*missed, standing=str(target.preset_standing)))


def _selection_texts(turn: Turn) -> None:
    here = turn.state.here
    if here is None:
        return
    holding = frozenset(name for name, _ in here.sends)
    if holding == turn.state.sending:
        return
    for name, send in here.sends:
        if name not in turn.state.sending:
            turn.effects.append(SendText(send.output, send.text, name, context(turn)))
    turn.change(sending=holding)


def react(turn: Turn, answered: int) -> tuple[int, bool]:
    """Let the rules with `event` answer what this turn has told, once each, from effect number `answered` on.

    How many effects have been answered then, what these rules said included: that answers nothing further. And whether
    one of them ended the wish to operate.
    """
    if not turn.atlas.rulebook.has_reactions:
        return len(turn.effects), False
    before = turn.state
    notices = [effect.notice for effect in turn.effects[answered:] if isinstance(effect, Report)]
    for notice in notices:
        rig = getattr(notice, "rig", turn.followed)
        situation = turn.situation(rig, turn.state.rigs[rig].transmit_hz or 0)
        for rule in turn.atlas.rulebook.reactions(notice.event, situation):
            _react(turn, rule, notice)
    return len(turn.effects), (turn.state.wish, turn.state.amplifier) != (before.wish, before.amplifier)


def _react(turn: Turn, rule: Rule, notice: Notice) -> None:
    if rule.then.warn is not None:
        turn.report(Warned("rule", rule.then.warn, rule.name))
    if rule.then.send is not None:
        fields = context(turn) | event_fields(notice) | {"event": notice.event}
        turn.effects.append(SendText(rule.then.send.output, rule.then.send.text, rule.name, fields))
    if rule.then.amplifier_standby:
        turn.change(wish=False, amplifier=disarmed(turn.state.amplifier))
        turn.amplifier_reason = f"rule “{rule.name}” on {notice.event}"


def context(turn: Turn) -> dict[str, object]:
    """What any text of a rule may name, beside the fields of its event."""
    target, rig = turn.state.target, turn.rig
    return {
        "station": turn.atlas.station.name,
        "rig": turn.followed,
        "frequency_hz": rig.transmit_hz,
        "mode": str(rig.mode) if rig.mode else None,
        "band": target.band.name if target and target.band else None,
        "segment": target.segment.name if target and target.segment else None,
        "antenna": target.antenna.name if target and target.antenna else None,
        "amplifier": str(turn.amplifier_label),
    }
