"""Holds every command, as it leaves, against the invariants I1 to I25 and L1. It never asks the core what it believes."""

from qsyd_rules.command import (
    AmplifierOperate,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Answer, CloseIntent, Effect, RecordIntent, Report
from qsyd_rules.event import (
    AmplifierRequest,
    Event,
    FaultAcknowledged,
    OperatorAsked,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.notice import ChangeOverFinished, ChangeOverStarted, FaultCleared, FaultFound, Notice, Warned
from qsyd_rules.placement import Atlas
from qsyd_simulators.world.account import Account
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.command_checks import CommandChecks
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.store import Store
from qsyd_simulators.world.verdict import TRIPPED, Verdict

SAFE_US = 250 * MS
CHANGE_US = 10 * S
"""T_change: within this every change-over ends, the time apart in which somebody keyed or relay care held it."""
STANDBY_FORCED_US = 2 * S


class Observer:
    """One a run; the daemon may live several times in it."""

    def __init__(self, layout: Layout, atlas: Atlas, store: Store, verdict: Verdict) -> None:
        self._layout, self._atlas, self._store, self._verdict = layout, atlas, store, verdict
        self._inhibits = layout.wiring.inhibits
        amplifier = layout.station.amplifier
        self._key_down_us = amplifier.limits.key_down_us if amplifier else 0
        self.account = Account(layout, atlas, store, 0, layout.minute)
        self._checks = CommandChecks(layout, self.account, verdict)
        self._started_us: int | None = None
        self._heard_once = False
        verdict.exercised["I13"] += 1
        self._keyed_since_us: int | None = None
        self._misplaced_us: int | None = None
        self.change_overs = 0
        self.finished = 0

    def restart(self, at_us: int, minute: int) -> None:
        """The daemon lives anew: whatever was known of it is over."""
        self.account = Account(self._layout, self._atlas, self._store, at_us, minute)
        self._started_us, self._heard_once = None, False
        self._keyed_since_us = self._misplaced_us = None
        self._verdict.exercised["I13"] += 1

    def is_quiet(self, event: Event) -> bool:
        """Whether there is nothing in this event to look at."""
        return self.account.is_quiet(event)

    def told(self, event: Event) -> None:
        """An event is about to be told to the core."""
        self.account.take(event)
        self._heard_once |= self.account.reading is not None
        if self.account.keyed:
            if self._keyed_since_us is None:
                self._keyed_since_us = event.at_us
        else:
            self._keyed_since_us = None

    def decided(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """What the core made of it; the commands leave now, in this order."""
        account, at_us = self.account, event.at_us
        for effect in effects:
            match effect:
                case Actuate(command_id=number, command=command):
                    changing = self._started_us is not None
                    self._checks.judge(account, event, command, heard=self._heard_once, changing=changing)
                    account.sent(number, command)
                case RecordIntent(intent_id=number):
                    account.noting(number, at_us)
                case CloseIntent(outcome="replaced"):
                    self._retargeted(at_us)
                case Answer(accepted=accepted):
                    self._answered(event, accepted)
                case Report(notice=notice):
                    self._noticed(at_us, event, notice)
                case _:
                    pass
        self._judge_rest(at_us)

    def _violate(self, invariant: str, at_us: int, text: str) -> None:
        self._verdict.violate(invariant, at_us, text)

    def _hold(self, invariant: str, at_us: int, holds: bool, text: str) -> None:
        """Count one antecedent of an invariant, and see that it holds."""
        self._verdict.exercised[invariant] += 1
        if not holds:
            self._verdict.violate(invariant, at_us, text)

    # What is told

    def _answered(self, event: Event, accepted: bool) -> None:
        if not isinstance(event, OperatorAsked) or not accepted:
            return
        match event.request:
            case AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
                self.account.wished = True
            case AmplifierRequest.STANDBY | AmplifierRequest.OFF | AmplifierRequest.OFF_NOW:
                self.account.wished = False
                self._verdict.exercised["I24"] += 1
            case AmplifierRequest.ON:
                pass

    def _has_a_tank(self, antenna: str | None, segment: str | None) -> bool:
        """Whether there is a preset to recall here: one is stored, and the amplifier serves the band."""
        amplifier, known = self._layout.station.amplifier, self._atlas.segments_by_name.get(segment or "")
        if amplifier is None or known is None or known.band not in amplifier.bands:
            return False
        return (antenna, segment) in self._store.presets

    def _retargeted(self, at_us: int) -> None:
        """The dial has moved on: the change-over to where it was has ended, and the time of the new one begins."""
        if self._started_us is not None:
            self._started_us = at_us
            self._verdict.exercised["L1"] += 1

    def _noticed(self, at_us: int, event: Event, notice: Notice) -> None:
        account = self.account
        match notice:
            case ChangeOverStarted():
                self.change_overs += 1
                self._hold("I12", at_us, self._started_us is None, "a change-over began within another")
                self._verdict.exercised["L1"] += 1
                self._started_us = at_us
            case ChangeOverFinished(antenna=antenna, segment=segment):
                self.finished += 1
                self._started_us = None
                good = account.antenna.command is None or account.antenna.answered_well
                # The dial may have left again: what counts is whether the place that was reached has a tank to set.
                tankless = account.tank.failed and not self._has_a_tank(antenna, segment)
                good = good and (account.tank.answered_well or account.tank_rests(at_us) or tankless)
                self._hold("I11", at_us, good, "reported finished, although a move was not answered")
            case Warned(code="lockout" | "amplifier-at-its-panel" | "amplifier-not-on"):
                account.wished = False
            case Warned(code="change-over-failed" | "change-over-abandoned"):
                self._started_us = None
            case FaultFound(number=number, code=code, detail=detail):
                if code is FaultCode.UNSAFE_COMMAND:
                    self._violate(f"{TRIPPED} {detail.partition(':')[0]}", at_us, detail)
                account.fault, account.wished = number, False
            case FaultCleared():
                self._hold("I7", at_us, isinstance(event, FaultAcknowledged), "a fault was cleared by nobody")
                account.fault = None
            case _:
                pass

    # What has to hold after every event

    def _judge_rest(self, at_us: int) -> None:
        account = self.account
        reading = account.reading
        released = self._inhibits and isinstance(account.permit.command, ReleaseTransmit)
        operates = isinstance(account.line.command, AmplifierOperate)
        if account.lost_us == at_us and (released or operates or self._inhibits):
            self._hold("I8", at_us, not released and not operates, "the rig is lost; released, or in operate")
        if released:
            self._judge_released(at_us)
        if self._inhibits:
            self._judge_asymmetry(at_us, released=released)
        if operates:
            if not account.wished and not account.keyed:
                self._violate("I24", at_us, "left in operate against the operator's will")
            self._judge_in_operate(at_us)
        else:
            self._misplaced_us = None
        if account.keyed or reading is None or self._started_us is None:
            if self._started_us is not None:
                self._started_us = at_us
        elif at_us > self._started_us + CHANGE_US + max(0, self._checks.buckets_us["antenna"] - at_us):
            self._violate("L1", at_us, "a change-over did not end")
            self._started_us = None
        self._judge_stuck_key(at_us, released=released, operates=operates)

    def _judge_released(self, at_us: int) -> None:
        place = self.account.here()
        if place is None:
            self._violate("I10", at_us, "released, and where the rig would transmit is not known")
            return
        if place.inhibits:
            self._violate("I10", at_us, f"released although {place.inhibits[0]}")
        antenna = self.account.antenna.command
        if isinstance(antenna, SelectAntenna):
            served = {each.antenna.name for each in self.account.near() if each.antenna}
            if antenna.antenna not in served:
                self._violate("I10", at_us, f"released on {antenna.antenna}, which is not that of the place")

    def _judge_asymmetry(self, at_us: int, *, released: bool) -> None:
        """With a command or a note still unanswered, the safe direction does not wait for it."""
        account = self.account
        bold = (account.antenna, account.tank, account.heater)
        waits = any(told.command is not None and told.answered_us is None for told in bold)
        if not waits and (account.note is None or account.noted is not None):
            return
        place = account.here()
        antenna = account.antenna.command
        elsewhere = isinstance(antenna, SelectAntenna) and antenna.antenna not in {
            each.antenna.name for each in account.near() if each.antenna
        }
        if place is None or place.inhibits or elsewhere:
            self._hold("I15", at_us, not released, "released where it may not be, while an answer is awaited")

    def _judge_in_operate(self, at_us: int) -> None:
        """In operate where it may not be: standby at once where nobody keys, within 2 s on the same band where one does."""
        near = self.account.near()
        if any(place.barefoot_because is None for place in near) and near:
            self._misplaced_us = None
            return
        if self._misplaced_us is None:
            self._misplaced_us = at_us
            self._verdict.exercised["I10"] += 1
        limit_us = STANDBY_FORCED_US + SAFE_US if self.account.keyed else 0
        if at_us > self._misplaced_us + limit_us or (not near and not self.account.keyed):
            self._violate("I10", at_us, "left in operate out of place")

    def _judge_stuck_key(self, at_us: int, *, released: bool, operates: bool) -> None:
        if self._keyed_since_us is None or not self._key_down_us:
            return
        over_us = at_us - self._keyed_since_us - self._key_down_us
        if over_us < 0:
            return
        if over_us >= 100 * MS:
            self._hold("I17", at_us, not released, "keyed too long, and still released")
        if over_us >= STANDBY_FORCED_US + SAFE_US:
            self._hold("I17", at_us, not operates, "keyed too long, and still in operate")
