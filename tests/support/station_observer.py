"""A second opinion on a station: watches what the core is told and what it sends, and holds that to the invariants.

It keeps its own account from the events and commands alone and never looks at what the core believes, so that one
mistake cannot hide in both. Where a decision is needed (which antenna belongs here) it asks the atlas, which has
tests of its own.
"""

from collections import deque
from dataclasses import dataclass, field
from itertools import combinations

from station_bench import Bench, S

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Answer, Effect, ReadRig, RecordIntent
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    Event,
    IntentRecorded,
    MinuteTurned,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    StopRequested,
)
from qsyd_rules.placement import Placement
from qsyd_rules.rulebook import Situation
from qsyd_rules.station import WithoutPreset
from qsyd_rules.words import AmplifierState, Mode, Result, worst

EVIDENCE_GAP_US = 5 * S
"""The amplifier's link gone for longer than this: nobody knows whether the heater stayed on."""
MINUTE_WAIT_US = 60 * S
"""Unkeyed for this long, a change that only the clock brings takes effect without the dial."""
LONGEST_NOTE_US = 500_000
WAKES_A_SECOND = 60
"""More than this many wake-ups in a virtual second would be a busy loop; a change-over needs about ten."""


@dataclass
class Told:
    """The newest command to one actuator: what it was, when it left, when and how it was answered."""

    command: Command | None = None
    number: int = -1
    sent_us: int = 0
    answered_us: int | None = None
    result: Result | None = None

    @property
    def confirmed(self) -> bool:
        return self.answered_us is not None and self.result is not Result.FAILED

    def is_settled(self, at_us: int, settle_us: int) -> bool:
        return self.answered_us is not None and self.confirmed and at_us >= self.answered_us + settle_us


@dataclass
class Counts:
    """How often each check had something to check, so that no proof is vacuous."""

    selects: int = 0
    recalls: int = 0
    operates: int = 0
    releases: int = 0
    losses: int = 0
    keyed_moves: int = 0
    drives: int = 0


@dataclass
class Observer:
    """Watches one bench from its beginning."""

    bench: Bench
    counts: Counts = field(default_factory=Counts)

    def __post_init__(self) -> None:
        bench = self.bench
        self.times = bench.station.change_over
        self.reading: RigRead | None = None
        """The last reading; None while the rig is lost."""
        self.heard_us = 0
        self.unkeyed_us = 0
        self.band: str | None = None
        self.band_since_us = 0
        self.band_agreed = False
        self.minute_told = self.minute = bench.minute
        """The minute of the day as last told, and the one that may decide."""
        self.permit, self.line, self.antenna, self.tank, self.drive, self.heater = (Told() for _ in range(6))
        self.drive_w: int | None = None
        """The most drive that the rig may be set to; None while that is not known."""
        self.heater_credit_us: int | None = None
        """Since when the heater has been on without a doubt."""
        self.amplifier_lost_us: int | None = None
        self.lost: set[str] = set()
        self.bold: dict[int, Command] = {}
        """Releases and operates that are not answered yet, overtaken or not."""
        self.wished = False
        self.stopping = False
        self.notes: dict[int, tuple[str, int]] = {}
        self.newest_note = -1
        self.notes_good: set[int] = set()
        self.notes_bad: set[int] = set()
        self._known: dict[Situation, tuple[object, Placement]] = {}
        self.wakes: deque[int] = deque()
        self.selected_at: list[int] = []
        self.recalled_at: list[int] = []
        self.operated_at: list[int] = []
        for number, command in bench.state.commands.items():  # the safe state that left at the start
            self._sent(0, number, command)
        bench.watchers.append(self)

    def __call__(self, event: Event, effects: tuple[Effect, ...]) -> None:
        at_us = event.at_us
        self._take(event)
        for effect in effects:
            match effect:
                case Actuate(command_id=number, command=command):
                    self._judge(at_us, command)
                    self._sent(at_us, number, command)
                case RecordIntent(intent_id=number, target=target):
                    self.notes[number] = (target, at_us)
                    self.newest_note = number
                case Answer(accepted=accepted):
                    self._answered(event, accepted)
                case _:
                    pass
        assert sum(isinstance(effect, ReadRig) for effect in effects) <= 3, "the rig is asked over and over"
        self._judge_rest(at_us)

    # The account

    def _take(self, event: Event) -> None:
        match event:
            case RigRead():
                self._read(event)
            case RigLinkClosed():
                self._lose_rig()
            case CommandFinished(command_id=number, answers=answers):
                self._finish(event.at_us, number, worst([answer.result for answer in answers]))
            case OutputLost(output=output):
                self._lose(event.at_us, output)
            case OutputConnected(output=output):
                self.lost.discard(output)
                if CommandName.AMPLIFIER_ON in self.bench.outputs[output]:
                    self.amplifier_lost_us = None
            case IntentRecorded(intent_id=number, error=error):
                (self.notes_good if error is None else self.notes_bad).add(number)
            case MinuteTurned(minute=minute):
                self.minute_told = minute
            case StopRequested():
                self.stopping, self.wished = True, False
            case DeadlineReached(at_us=at_us):
                self.wakes.append(at_us)
                while self.wakes[0] <= at_us - S:
                    self.wakes.popleft()
                assert len(self.wakes) <= WAKES_A_SECOND, "the core keeps itself busy"
            case _:
                pass
        silent = self.reading is not None and event.at_us >= self.heard_us + self.bench.station.rigs[0].lost_after_us
        if silent:
            self._lose_rig()
        if not self.keyed and event.at_us >= self.unkeyed_us + MINUTE_WAIT_US:
            self.minute = self.minute_told
        if self.amplifier_lost_us is not None and event.at_us >= self.amplifier_lost_us + EVIDENCE_GAP_US:
            if self.heater_credit_us is not None:
                self.wished = False
            self.heater_credit_us = None

    def _read(self, event: RigRead) -> None:
        before = self.reading
        if event.keyed or before is None or before.keyed:
            self.unkeyed_us = event.at_us
        if event.keyed and before is not None and before.transmit_hz != event.transmit_hz:
            self.counts.keyed_moves += 1
        if before is None or before.transmit_hz != event.transmit_hz:
            self.minute = self.minute_told
        self.heard_us = event.at_us
        self.reading = event
        place = self._place(event.transmit_hz)
        band = place.band.name if place and place.band else None
        if before is None or band != self.band:
            self.band, self.band_since_us, self.band_agreed = band, event.at_us, False
        elif event.asked_at_us is not None and event.asked_at_us >= self.band_since_us:
            self.band_agreed = True

    def _lose_rig(self) -> None:
        if self.reading is not None:
            self.counts.losses += 1
        self.reading = None

    def _lose(self, at_us: int, output: str) -> None:
        self.lost.add(output)
        carried = self.bench.outputs[output]
        for told in (self.permit, self.line, self.antenna, self.tank, self.drive):
            if told.command is not None and told.command.name in carried and told.answered_us is not None:
                told.result = Result.FAILED
        if CommandName.LIMIT_DRIVE in carried and self.drive.answered_us is not None:
            self.drive_w = None
        if CommandName.AMPLIFIER_ON in carried and self.amplifier_lost_us is None:
            self.amplifier_lost_us = at_us

    def _finish(self, at_us: int, number: int, result: Result) -> None:
        # A bold command that ends after the safe one that overtook it: nobody knows which of them was done last.
        ended = self.bold.pop(number, None)
        overtaken_by = {ReleaseTransmit: self.permit, AmplifierOperate: self.line}.get(type(ended))
        if overtaken_by is not None and overtaken_by.number != number and overtaken_by.answered_us is not None:
            overtaken_by.result = Result.FAILED
        for told in (self.permit, self.line, self.antenna, self.tank, self.drive, self.heater):
            if told.number == number:
                told.answered_us, told.result = at_us, result
        if self.drive.number == number and isinstance(self.drive.command, LimitDrive):
            self.drive_w = self.drive.command.drive_w if result is not Result.FAILED else None
        if self.heater.number == number and isinstance(self.heater.command, AmplifierOn):
            self.heater_credit_us = at_us if result is not Result.FAILED else None

    def _answered(self, event: Event, accepted: bool) -> None:
        if not isinstance(event, OperatorAsked) or not accepted:
            return
        match event.request:
            case AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
                self.wished = True
            case AmplifierRequest.STANDBY | AmplifierRequest.OFF | AmplifierRequest.OFF_NOW:
                self.wished = False
            case AmplifierRequest.ON:
                pass

    def _sent(self, at_us: int, number: int, command: Command) -> None:
        told = Told(command, number, at_us)
        if isinstance(command, ReleaseTransmit | AmplifierOperate):
            self.bold[number] = command
        match command:
            case InhibitTransmit() | ReleaseTransmit():
                self.permit = told
            case AmplifierStandby() | AmplifierOperate():
                self.line = told
            case SelectAntenna():
                self.antenna = told
                self.selected_at.append(at_us)
            case RecallPreset():
                self.tank = told
                self.recalled_at.append(at_us)
            case LimitDrive():
                self.drive = told
                self.drive_w = None if self.drive_w is None else max(self.drive_w, command.drive_w)
            case AmplifierOn() | AmplifierOff():
                self.heater = told
                self.heater_credit_us = None
            case _:
                pass
        if isinstance(command, AmplifierOperate):
            self.operated_at.append(at_us)

    # The judgement

    @property
    def keyed(self) -> bool:
        return self.reading is not None and self.reading.keyed is True

    def _carries(self, name: CommandName) -> bool:
        return any(name in carried for carried in self.bench.outputs.values())

    def _place(self, frequency_hz: int | None) -> Placement | None:
        if frequency_hz is None:
            return None
        mode: Mode | None = self.reading.mode if self.reading else None
        situation = Situation("main", frequency_hz, mode, AmplifierState.STANDBY, self.keyed, self.minute)
        known = self._known.get(situation)
        if known is None or known[0] is not self.bench.presets:
            known = self._known[situation] = (
                self.bench.presets,
                self.bench.core.atlas.place(situation, self.bench.presets),
            )
        return known[1]

    def _near(self) -> list[Placement]:
        """Every place within the hysteresis of the transmit frequency and on its band: a drift may still count as there."""
        if self.reading is None or self.reading.transmit_hz is None:
            return []
        at_hz, reach_hz = self.reading.transmit_hz, self.times.hysteresis_hz
        places = [self._place(at_hz + shift_hz) for shift_hz in (0, -reach_hz, reach_hz, -reach_hz // 2, reach_hz // 2)]
        here = places[0]
        return [place for place in places if place is not None and here is not None and place.band == here.band]

    def _judge(self, at_us: int, command: Command) -> None:
        match command:
            case SelectAntenna():
                self.counts.selects += 1
                self._judge_move(at_us, command)
                assert command.antenna in {place.antenna.name for place in self._near() if place.antenna}
            case RecallPreset():
                self.counts.recalls += 1
                self._judge_move(at_us, command)
                self._judge_antenna(at_us)
            case AmplifierOperate():
                self.counts.operates += 1
                self._judge_operate(at_us)
            case ReleaseTransmit():
                self.counts.releases += 1
                self._judge_release(at_us)
            case LimitDrive():
                self.counts.drives += 1
                rises = self.drive_w is not None and command.drive_w > self.drive_w
                assert not (self.keyed and rises), "the drive was raised into a transmission"
            case _:
                pass

    def _judge_move(self, at_us: int, command: SelectAntenna | RecallPreset) -> None:
        assert not self.stopping, "moved while stopping"
        assert self.reading is not None, "moved without a rig"
        assert not self.bold, "moved before an overtaken command had ended"
        assert not self.keyed, "moved while known to be keyed"
        quiet_us = self.unkeyed_us
        if self._carries(CommandName.INHIBIT_TRANSMIT):
            assert isinstance(self.permit.command, InhibitTransmit), "moved while released"
            assert self.permit.confirmed, "moved before the inhibit was answered"
            quiet_us = max(quiet_us, self.permit.answered_us or 0)
        assert at_us >= quiet_us + self.times.guard_us, "moved before the guard time was over"
        if self._carries(CommandName.AMPLIFIER_STANDBY):
            assert isinstance(self.line.command, AmplifierStandby), "moved with the amplifier in operate"
            assert self.line.confirmed, "moved before standby was answered"
        assert self.band_agreed, "moved after a single reading"
        for told in (self.antenna, self.tank):
            assert told.command is None or told.answered_us is not None, "moved while something still moves"
        self._judge_note(at_us, f"{command.antenna} ")

    def _judge_note(self, at_us: int, goal: str) -> None:
        """The newest note is durable and says so, or the disk has been given its chance."""
        target, asked_us = self.notes[self.newest_note]
        assert goal in target, f"{target} was noted, {goal} is being done"
        if self.newest_note not in self.notes_good:
            dead = self.newest_note in self.notes_bad or at_us >= asked_us + LONGEST_NOTE_US
            before = [number for number in self.notes if number < self.newest_note]
            known_dead = bool(before) and before[-1] not in self.notes_good
            assert dead or known_dead, "moved before the note was durable"

    def _judge_antenna(self, at_us: int) -> None:
        if not self._carries(CommandName.SELECT_ANTENNA):
            return
        assert isinstance(self.antenna.command, SelectAntenna)
        assert self.antenna.is_settled(at_us, self.times.relay_settle_us), "the antenna has not settled"
        assert self.antenna.command.antenna in {place.antenna.name for place in self._near() if place.antenna}

    def _judge_operate(self, at_us: int) -> None:
        amplifier = self.bench.station.amplifier
        assert amplifier is not None
        assert not self.stopping
        assert not self.keyed, "operate while known to be keyed"
        assert self.reading is not None, "operate without a rig"
        assert self.wished, "operate that nobody wished for"
        assert self.heater_credit_us is not None, "operate without a heater known to be on"
        assert at_us >= self.heater_credit_us + amplifier.warm_up_us, "operate before the warm-up was over"
        assert self.newest_note in self.notes_good, "operate without a durable note"
        self._judge_antenna(at_us)
        near = self._near()
        assert any(place.barefoot_because is None for place in near), "operate where the amplifier may not be"
        by_policy = amplifier.without_preset is WithoutPreset.OPERATE and all(place.preset is None for place in near)
        if self._carries(CommandName.RECALL_PRESET) and not by_policy:
            assert isinstance(self.tank.command, RecallPreset)
            assert self.tank.is_settled(at_us, self.times.preset_settle_us), "the tank has not settled"
            recalled = (self.tank.command.antenna, self.tank.command.segment)
            wanted = {(place.preset.antenna, place.preset.segment) for place in near if place.preset}
            assert recalled in wanted, "operate on another place's preset"

    def _judge_release(self, at_us: int) -> None:
        assert not self.bench.state.reasons, "released while a reason is shown"
        self._judge_released(at_us)
        self._judge_antenna(at_us)
        if self._carries(CommandName.AMPLIFIER_STANDBY):
            assert self.line.is_settled(at_us, self.times.relay_settle_us), "released onto a moving transfer relay"
        if self.tank.command is not None:
            # A tank that failed may rest anywhere where none is needed, but nowhere may it move.
            needed = all(place.preset is not None for place in self._near())
            failed = self.tank.answered_us is not None and not self.tank.confirmed
            tank_settled = self.tank.is_settled(at_us, self.times.preset_settle_us)
            assert tank_settled or (failed and not needed), "released before the tank had settled"
        limits_w = [place.drive_w for place in self._near() if place.drive_w is not None]
        if self._carries(CommandName.LIMIT_DRIVE) and limits_w:
            assert self.drive_w is not None, "released with an unknown drive"
            assert self.drive_w <= max(limits_w), "released with too much drive"

    def _judge_released(self, at_us: int) -> None:
        """What has to hold as long as transmit is released."""
        assert self.reading is not None, "released without a rig"
        assert not self.stopping, "released while stopping"
        place = self._place(self.reading.transmit_hz)
        assert place is not None, "released without a transmit frequency"
        assert not place.inhibits, f"released although {place.inhibits}"

    def _judge_rest(self, at_us: int) -> None:
        """What has to hold after every event."""
        if isinstance(self.permit.command, ReleaseTransmit):
            self._judge_released(at_us)
            antenna = self.antenna.command
            if isinstance(antenna, SelectAntenna):
                assert antenna.antenna in {place.antenna.name for place in self._near() if place.antenna}
        if isinstance(self.line.command, AmplifierOperate):
            assert self.reading is not None, "left in operate without a rig"
            assert not self.stopping, "left in operate while stopping"
            assert self.wished, "left in operate against the operator's will"
            if not self.keyed:
                place = self._place(self.reading.transmit_hz)
                assert place is not None, "left in operate on an unknown frequency"
                assert place.served, "left in operate where nothing serves"
                assert any(near.barefoot_because is None for near in self._near()), "left in operate out of place"

    def judge_relay_care(self) -> None:
        """No more than ten moves at once and one a second, counted over every stretch of the history."""
        for moved_at in (self.selected_at, self.recalled_at, self.operated_at):
            for (first, first_us), (last, last_us) in combinations(enumerate(moved_at), 2):
                assert last - first <= 10 + (last_us - first_us) / S, "the relays were not spared"
