"""Every command, as it leaves, held against the invariants on commands: I1 to I10, I12 to I14, I16, I21, I24, I25."""

from qsyd_rules.amplifier import seconds
from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.event import Event, FaultAcknowledged, LoopStalled, OutputLost, RigLinkClosed, StopRequested
from qsyd_simulators.world.account import Account
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.verdict import Verdict

FRESH_US = 600 * MS
NOTE_WAIT_US = 500 * MS
BURST = 11
"""Moves of one actuator at once; one a second on top."""


class CommandChecks:
    """For one station; only the buckets of relay care outlive the daemon."""

    def __init__(self, layout: Layout, account: Account, verdict: Verdict) -> None:
        self._account, self._verdict = account, verdict
        self._times = layout.station.change_over
        wiring = layout.wiring
        self._inhibits = wiring.inhibits
        self._switched = wiring.carries(CommandName.SELECT_ANTENNA)
        self._stands_by = wiring.carries(CommandName.AMPLIFIER_STANDBY)
        self._recalls = wiring.carries(CommandName.RECALL_PRESET)
        amplifier = layout.station.amplifier
        self._warm_up_us = amplifier.warm_up_us if amplifier else 0
        self.buckets_us = dict.fromkeys(("antenna", "tank", "relay"), 0)
        """When each actuator's moves will be forgotten."""

    def _violate(self, invariant: str, at_us: int, text: str) -> None:
        self._verdict.violate(invariant, at_us, text)

    def _hold(self, invariant: str, at_us: int, holds: bool, text: str) -> None:
        """Count one antecedent of an invariant, and see that it holds."""
        self._verdict.exercised[invariant] += 1
        if not holds:
            self._verdict.violate(invariant, at_us, text)

    def judge(self, account: Account, event: Event, command: Command, *, heard: bool, changing: bool) -> None:
        """Judge one command as it leaves upon an event.

        `heard` says whether the rig has ever been heard in this life, `changing` whether a change-over is under way.
        """
        self._account = account
        at_us = event.at_us
        if not heard and isinstance(command, SelectAntenna | RecallPreset | AmplifierOperate | ReleaseTransmit):
            self._violate("I13", at_us, f"{command.name} before the rig was ever heard")
        match command:
            case SelectAntenna():
                self._judge_move(at_us, command)
                confirmed = isinstance(account.line.command, AmplifierStandby) and account.line.confirmed
                self._hold("I3", at_us, confirmed or not self._stands_by, "antenna moved, standby not answered")
                served = {place.antenna.name for place in account.near() if place.antenna}
                self._hold(
                    "I10", at_us, command.antenna in served, f"{command.antenna} is not the antenna of the place"
                )
                self._hold("I21", at_us, account.band_agreed, "antenna moved after a single reading")
                unbidden = isinstance(event, StopRequested | RigLinkClosed | LoopStalled)
                unbidden |= isinstance(event, OutputLost) and not changing
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
            case _:
                pass

    def _judge_move(self, at_us: int, command: Command) -> None:
        account = self._account
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
        account = self._account
        if isinstance(command, AmplifierOperate):
            self._hold("I14", at_us, account.noted is True, "operate without a durable note")
            return
        overdue = account.note is not None and at_us >= account.note_asked_us + NOTE_WAIT_US
        known = account.noted is not None or overdue or account.disk_is_dead
        self._hold("I14", at_us, known, f"{command.name} before its note")

    def _judge_antenna(self, invariant: str, at_us: int) -> None:
        if not self._switched:
            return
        account = self._account
        told = account.antenna
        settled = told.command is not None and told.is_settled(at_us, self._times.relay_settle_us)
        self._hold(invariant, at_us, settled, "the antenna has not settled")
        served = {place.antenna.name for place in account.near() if place.antenna}
        if isinstance(told.command, SelectAntenna) and told.command.antenna not in served:
            self._violate("I10", at_us, f"{told.command.antenna} is selected, which is not that of the place")

    def _judge_operate(self, at_us: int, event: Event) -> None:
        account = self._account
        since_us = account.heater_since_us
        warm = since_us is not None and at_us >= since_us + self._warm_up_us
        lacks = "no heater known" if since_us is None else f"{seconds(since_us + self._warm_up_us - at_us)} to go"
        self._hold("I5", at_us, warm, f"operate before the warm-up was over: {lacks}")
        self._hold("I24", at_us, account.wished and not account.locked_out, "operate that nobody wishes for")
        self._hold("I6", at_us, account.fault is None, "operate while a fault stands")
        if isinstance(event, FaultAcknowledged):
            self._violate("I7", at_us, "an acknowledgement led to operate")
        self._judge_antenna("I4", at_us)
        near = account.near()
        allowed = any(place.barefoot_because is None for place in near)
        self._hold("I10", at_us, allowed, "operate where the amplifier may not be")
        if not self._recalls:
            return
        wanted = {(place.preset.tune, place.preset.load) for place in near if place.preset}
        wanted |= {(place.estimate.tune, place.estimate.load) for place in near if place.estimate}
        policy = any(
            place.preset is None and place.estimate is None and place.barefoot_because is None for place in near
        )
        tank = account.tank.command
        settled = account.tank.is_settled(at_us, 0)
        right = isinstance(tank, RecallPreset) and settled and (tank.tune, tank.load) in wanted
        self._hold("I9", at_us, right or policy, "operate on no preset, or another place's")

    def _judge_release(self, at_us: int) -> None:
        account = self._account
        self._judge_antenna("I4", at_us)
        if self._stands_by:
            settled = account.line.is_settled(at_us, self._times.relay_settle_us)
            self._hold("I4", at_us, settled, "released onto a moving transfer relay")
        if account.tank.command is not None:
            self._hold("I4", at_us, account.tank_rests(at_us), "released before the tank had settled")
        self._hold("I24", at_us, not account.locked_out, "released under a lockout")

    def _spend(self, actuator: str, at_us: int) -> None:
        """A bucket for each actuator: eleven moves at once, one a second on top."""
        spent_us = max(self.buckets_us[actuator], at_us) + S
        self.buckets_us[actuator] = spent_us
        self._hold("I25", at_us, spent_us <= at_us + BURST * S, f"the {actuator} moves too often")
