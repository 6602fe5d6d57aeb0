"""Holds every command, as it leaves, against the invariants I1 to I25 and L1. It never asks the core what it believes."""

from qsyd_rules.amplifier import seconds
from qsyd_rules.command import (
    SAFE_COMMANDS,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Answer, Effect, RecordIntent, Report
from qsyd_rules.event import (
    AmplifierRequest,
    Event,
    FaultAcknowledged,
    LoopStalled,
    OperatorAsked,
    OutputLost,
    RigLinkClosed,
    StopRequested,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.notice import ChangeOverFinished, ChangeOverStarted, FaultCleared, FaultFound, Notice, Warned
from qsyd_rules.placement import Atlas
from qsyd_simulators.world.account import Account
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.store import Store
from qsyd_simulators.world.verdict import TRIPPED, Verdict

FRESH_US = 600 * MS
SAFE_US = 250 * MS
NOTE_WAIT_US = 500 * MS
CHANGE_US = 10 * S
"""T_change: within this every change-over ends, the time apart in which somebody keyed or relay care held it."""
BURST = 11
"""Moves of one actuator at once; one a second on top."""
STANDBY_FORCED_US = 2 * S


class Observer:
    """One a run; the daemon may live several times in it."""

    def __init__(self, layout: Layout, atlas: Atlas, store: Store, verdict: Verdict) -> None:
        self._layout, self._atlas, self._store, self._verdict = layout, atlas, store, verdict
        self._times = layout.station.change_over
        wiring = layout.wiring
        self._inhibits = wiring.inhibits
        self._switched = wiring.carries(CommandName.SELECT_ANTENNA)
        self._stands_by = wiring.carries(CommandName.AMPLIFIER_STANDBY)
        self._recalls = wiring.carries(CommandName.RECALL_PRESET)
        amplifier = layout.station.amplifier
        self._warm_up_us = amplifier.warm_up_us if amplifier else 0
        self._key_down_us = amplifier.limits.key_down_us if amplifier else 0
        self._buckets_us = dict.fromkeys(("antenna", "tank", "relay"), 0)
        self.account = Account(layout, atlas, store, 0, layout.minute)
        self._started_us: int | None = None
        self._heard_once = False
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
                    self._judge(at_us, event, command)
                    account.sent(number, command)
                case RecordIntent(intent_id=number):
                    account.notes_asked[number] = at_us
                    account.newest_note = number
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

    # Commands as they leave

    def _judge(self, at_us: int, event: Event, command: Command) -> None:
        account = self.account
        if not self._heard_once and isinstance(
            command, SelectAntenna | RecallPreset | AmplifierOperate | ReleaseTransmit
        ):
            self._violate("I13", at_us, f"{command.name} before the rig was ever heard")
        match command:
            case SelectAntenna():
                self._judge_move(at_us, command)
                confirmed = isinstance(account.line.command, AmplifierStandby) and account.line.confirmed
                self._hold("I3", at_us, confirmed or not self._stands_by, "antenna moved, standby not answered")
                served = {place.antenna.name for place in account.near() if place.antenna}
                self._hold("I10", at_us, command.antenna in served, f"{command.antenna} is not the antenna of the place")
                self._hold("I21", at_us, account.band_agreed, "antenna moved after a single reading")
                unbidden = isinstance(event, StopRequested | RigLinkClosed | LoopStalled)
                unbidden |= isinstance(event, OutputLost) and self._started_us is None
                self._hold("I16", at_us, not unbidden, f"antenna moved on {type(event).__name__}")
                self._spend("antenna", at_us)
            case RecallPreset():
                self._judge_move(at_us, command)
                self._judge_antenna("I4", at_us)
                self._spend("tank", at_us)
            case AmplifierOperate():
                self._judge_move(at_us, command)
                self._judge_operate(at_us, event)
                self._spend("relay", at_us)
            case ReleaseTransmit():
                self._judge_release(at_us)
            case _ if command.name in SAFE_COMMANDS:
                self._verdict.exercised["I15"] += 1
            case _:
                pass

    def _judge_move(self, at_us: int, command: Command) -> None:
        account = self.account
        self._hold("I2", at_us, not account.keyed, f"{command.name} while known to be keyed")
        quiet_us = account.unkeyed_us
        if self._inhibits:
            permit = account.permit
            if not (isinstance(permit.command, InhibitTransmit) and permit.confirmed):
                self._violate("I1", at_us, f"{command.name} without an answered inhibit")
            quiet_us = max(quiet_us, permit.answered_us or 0)
        waited_us = at_us - quiet_us
        self._hold("I1", at_us, waited_us >= self._times.guard_us, f"{command.name} {waited_us} us after the last key")
        reading = account.reading
        fresh = reading is not None and (reading.keyed is None or at_us - account.heard_us <= FRESH_US)
        self._hold("I8", at_us, fresh, f"{command.name} on old or no word of the rig")
        waits = all(told.command is None or told.answered_us is not None for told in (account.antenna, account.tank))
        self._hold("I12", at_us, waits, f"{command.name} while another move is unanswered")
        self._judge_note(at_us, command)
        if account.stopping:
            self._violate("I16", at_us, f"{command.name} while stopping")

    def _judge_note(self, at_us: int, command: Command) -> None:
        account = self.account
        newest = account.newest_note
        noted = account.notes.get(newest)
        if isinstance(command, AmplifierOperate):
            self._hold("I14", at_us, noted is True, "operate without a durable note")
            return
        overdue = at_us >= account.notes_asked.get(newest, at_us) + NOTE_WAIT_US
        known_dead = len(account.notes_asked) > 1 and account.notes.get(_before(account, newest)) is not True
        self._hold("I14", at_us, noted is not None or overdue or known_dead, f"{command.name} before its note")

    def _judge_antenna(self, invariant: str, at_us: int) -> None:
        if not self._switched:
            return
        account = self.account
        told = account.antenna
        settled = told.command is not None and told.is_settled(at_us, self._times.relay_settle_us)
        self._hold(invariant, at_us, settled, "the antenna has not settled")
        served = {place.antenna.name for place in account.near() if place.antenna}
        if isinstance(told.command, SelectAntenna) and told.command.antenna not in served:
            self._violate("I10", at_us, f"{told.command.antenna} is selected, which is not that of the place")

    def _judge_operate(self, at_us: int, event: Event) -> None:
        account = self.account
        since_us = account.heater_since_us
        warm = since_us is not None and at_us >= since_us + self._warm_up_us
        lacks = "no heater known" if since_us is None else f"{seconds(since_us + self._warm_up_us - at_us)} to go"
        self._hold("I5", at_us, warm, f"operate before the warm-up was over: {lacks}")
        self._hold("I24", at_us, account.wished and not account.locked_out, "operate that nobody wishes for")
        if account.fault is not None:
            self._violate("I6", at_us, "operate while a fault stands")
        if isinstance(event, FaultAcknowledged):
            self._violate("I7", at_us, "an acknowledgement led to operate")
        self._judge_antenna("I4", at_us)
        near = account.near()
        allowed = any(place.barefoot_because is None for place in near)
        self._hold("I10", at_us, allowed, "operate where the amplifier may not be")
        if not self._recalls:
            return
        wanted = {(place.preset.tune, place.preset.load) for place in near if place.preset}
        policy = any(place.preset is None and place.barefoot_because is None for place in near)
        tank = account.tank.command
        settled = account.tank.is_settled(at_us, 0)
        right = isinstance(tank, RecallPreset) and settled and (tank.tune, tank.load) in wanted
        self._hold("I9", at_us, right or policy, "operate on no preset, or another place's")

    def _judge_release(self, at_us: int) -> None:
        account = self.account
        self._judge_antenna("I4", at_us)
        if self._stands_by:
            settled = account.line.is_settled(at_us, self._times.relay_settle_us)
            self._hold("I4", at_us, settled, "released onto a moving transfer relay")
        if account.tank.command is not None:
            self._hold("I4", at_us, self._tank_rests(at_us), "released before the tank had settled")
        self._hold("I24", at_us, not account.locked_out, "released under a lockout")

    def _tank_rests(self, at_us: int) -> bool:
        """Whether the tank is where it was sent; where the place has no preset it only has to be at rest."""
        told = self.account.tank
        if told.command is None or told.is_settled(at_us, 0):
            return True
        return told.failed and any(place.preset is None for place in self.account.near())

    def _spend(self, actuator: str, at_us: int) -> None:
        """A bucket for each actuator: eleven moves at once, one a second on top."""
        spent_us = max(self._buckets_us[actuator], at_us) + S
        self._buckets_us[actuator] = spent_us
        self._hold("I25", at_us, spent_us <= at_us + BURST * S, f"the {actuator} moves too often")

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

    def _noticed(self, at_us: int, event: Event, notice: Notice) -> None:
        account = self.account
        match notice:
            case ChangeOverStarted():
                self.change_overs += 1
                self._hold("I12", at_us, self._started_us is None, "a change-over began within another")
                self._verdict.exercised["L1"] += 1
                self._started_us = at_us
            case ChangeOverFinished():
                self.finished += 1
                self._started_us = None
                good = account.antenna.command is None or account.antenna.answered_well
                good = good and (account.tank.answered_well or self._tank_rests(at_us))
                self._hold("I11", at_us, good, "reported finished, although a move was not answered")
            case Warned(code="lockout" | "amplifier-at-its-panel"):
                account.wished = False
            case Warned(code="change-over-failed" | "change-over-abandoned"):
                self._started_us = None
            case FaultFound(number=number, code=code, detail=detail):
                self._verdict.exercised["I6"] += 1
                if code is FaultCode.UNSAFE_COMMAND:
                    self._violate(TRIPPED, at_us, detail)
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
        if operates:
            if not account.wished and not account.keyed:
                self._violate("I24", at_us, "left in operate against the operator's will")
            self._judge_in_operate(at_us)
        else:
            self._misplaced_us = None
        if account.keyed or reading is None or self._started_us is None:
            if self._started_us is not None:
                self._started_us = at_us
        elif at_us > self._started_us + CHANGE_US + max(0, self._buckets_us["antenna"] - at_us):
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


def _before(account: Account, newest: int) -> int:
    earlier = [number for number in account.notes_asked if number < newest]
    return max(earlier, default=-1)
