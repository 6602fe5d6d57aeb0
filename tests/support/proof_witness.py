"""The witness of the proof: its own account of the small station, from events and from commands that left.

It never looks at what core, gate or monitor believe, and where a dial belongs it reads from a table written by hand.
"""

from proof_normal import BASE_US, NOTE_ID, Clock, Ids
from proof_station import (
    EDGES,
    GUARD_US,
    GUESSES,
    HYSTERESIS_HZ,
    KEY_DOWN_US,
    LOST_US,
    PLACES,
    RELAY_US,
    REST_US,
    TANK_US,
    TANKS,
    WARM_UP_US,
    Place,
    S,
)
from proof_told import NOBODY, NOTE_WAIT_US, Noted, Told

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Answer, Effect, RecordIntent, Report
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    Event,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    OperatorAsked,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
    SafetyTripped,
    StopRequested,
    TuningChanged,
)
from qsyd_rules.notice import FaultCleared, FaultFound
from qsyd_rules.tuning import Tuning
from qsyd_rules.words import Result, worst

HEATER_GAP_US = 5 * S
FORCE_US = 2 * S
FRESH_US = 600_000


class Witness:
    """Mutable within one step, copied between steps."""

    __slots__ = (
        "agreed",
        "antenna",
        "bold",
        "drive",
        "fault",
        "heard_us",
        "heater_us",
        "hz",
        "keyed_us",
        "line",
        "line_keyed",
        "lockout",
        "lost_us",
        "misplaced_us",
        "moved_us",
        "note",
        "operate_band",
        "permit",
        "quiet_us",
        "rig_keyed",
        "stopping",
        "strayed",
        "tank",
        "tuning",
        "wished",
        "word_us",
    )  # fmt: skip

    def __init__(self) -> None:
        self.hz: int | None = None
        """Where the rig would transmit; None while it is lost."""
        self.rig_keyed = self.line_keyed = False
        self.heard_us = self.moved_us = self.quiet_us = BASE_US
        self.word_us = BASE_US - FRESH_US - 1
        """When the question behind the rig's newest word was sent: a word is as old as its question."""
        self.keyed_us: int | None = None
        self.agreed = False
        """A reading asked for after the band last changed has told the band again."""
        self.permit = self.line = self.antenna = self.tank = self.drive = NOBODY
        self.tuning: Tuning | None = None
        """What a person tunes up."""
        self.bold: frozenset[tuple[int, str]] = frozenset()
        """Releases and operates that are not answered yet, overtaken or not."""
        self.strayed = False
        """The dial has had a reason to leave the preset in force: past its hysteresis, or at rest in another segment."""
        self.heater_us: int | None = None
        self.lost_us: int | None = None
        self.wished = False
        self.fault: str | None = None
        """Severity of the fault that stands."""
        self.lockout = self.stopping = False
        self.note: Noted | None = None
        self.operate_band: str | None = None
        self.misplaced_us: int | None = None
        """Since when operate has stood where it has no place."""

    def copy(self) -> "Witness":
        twin = object.__new__(Witness)
        for name in Witness.__slots__:
            setattr(twin, name, getattr(self, name))
        return twin

    def key(self) -> tuple[object, ...]:
        return tuple([getattr(self, name) for name in Witness.__slots__])

    @property
    def keyed(self) -> bool:
        return self.rig_keyed or self.line_keyed

    @property
    def place(self) -> Place | None:
        return None if self.hz is None else PLACES[self.hz]

    @property
    def tunes_up(self) -> bool:
        """Whether a person tunes up just here: the one thing that waives a stored preset."""
        it, place = self.tuning, self.place
        return it is not None and place is not None and (it.antenna, it.segment) == (place.antenna, place.segment)

    @property
    def on_a_guess(self) -> bool:
        """Whether the tank was last told positions that were worked out."""
        return self.tank.what is not None and GUESSES.get(self.tank.what[:2]) == self.tank.what[2:]

    @property
    def fits(self) -> bool:
        """Whether the tank was last told what belongs here: what is stored or worked out, or where a tune-up begins."""
        what, place = self.tank.what, self.place
        if what is None or place is None or what[0] != place.antenna:
            return False
        if self.tunes_up and self.tuning is not None and self.tuning.start is not None:
            return bool(
                what == (*what[:2], self.tuning.start.tune, self.tuning.start.load) and what[1] == place.segment
            )
        return what[1] in place.near and (TANKS.get(what[:2]) == what[2:] or self.on_a_guess)

    # What happens

    def take(self, event: Event) -> None:
        """An event, before anything is known of what was made of it."""
        at_us, was_keyed = event.at_us, self.keyed
        match event:
            case RigRead():
                self._read(event)
            case RigLinkClosed():
                self._lose_rig(at_us)
            case KeySensed(keyed=keyed):
                self.line_keyed = keyed is True
            case CommandFinished(command_id=number, answers=answers):
                self._finish(at_us, number, worst([each.result for each in answers]) is not Result.FAILED)
            case IntentRecorded(intent_id=number, error=error):
                if self.note is not None and number == self.note.number:
                    self.note = self.note._replace(durable=error is None, failed=error is not None)
            case OutputLost(output=output):
                self._lose(at_us, output)
            case OutputConnected(output="amp"):
                self.lost_us = None
            case LockoutChanged(lockout=lockout):
                self.lockout = lockout is not None
                self.wished = self.wished and not self.lockout
            case SafetyTripped():
                self.wished = False
            case TuningChanged(tuning=tuning):
                self.tuning = tuning
            case StopRequested():
                self.stopping, self.wished = True, False
            case _:
                pass
        if self.hz is not None and at_us >= self.heard_us + LOST_US:
            self._lose_rig(at_us)
        if self.lost_us is not None and at_us >= self.lost_us + HEATER_GAP_US:
            if self.heater_us is not None:
                self.wished = False
            self.heater_us = None
        if was_keyed or self.keyed:
            self.quiet_us = at_us
        if not self.keyed:
            self.keyed_us = None
        elif self.keyed_us is None:
            self.keyed_us = at_us
        self._stray(at_us)

    def _stray(self, at_us: int) -> None:
        if self.hz is None or self.place is None or self.tank.what is None:
            self.strayed = True
            return
        low_hz, high_hz = EDGES[self.tank.what[1]]
        rested = at_us >= self.moved_us + REST_US
        if not low_hz - HYSTERESIS_HZ <= self.hz <= high_hz + HYSTERESIS_HZ:
            self.strayed = True
        elif rested:
            self.strayed = self.place.segment != self.tank.what[1]

    def _read(self, event: RigRead) -> None:
        at_us, before, place = event.at_us, self.place, PLACES[event.transmit_hz or 0]
        if self.hz != event.transmit_hz:
            self.moved_us = at_us
        if self.hz is None or (place and place.band) != (before and before.band):
            self.agreed = False
        elif event.asked_at_us is not None:
            self.agreed = True
        if event.asked_at_us is not None:
            self.word_us = event.asked_at_us
        if self.hz is None:
            self.quiet_us = at_us
        self.hz, self.rig_keyed, self.heard_us = event.transmit_hz, event.keyed is True, at_us

    def _lose_rig(self, at_us: int) -> None:
        if self.rig_keyed:
            self.quiet_us = at_us
        self.hz, self.rig_keyed = None, False

    def _lose(self, at_us: int, output: str) -> None:
        """Nobody knows where the actuators of a lost device rest; what was not answered yet, its own end tells."""
        for name in {"permit": ["permit"], "switch": ["antenna"], "amp": ["line", "tank", "drive"]}[output]:
            told: Told = getattr(self, name)
            if told.answered_us is not None:
                setattr(self, name, told._replace(good=False))
        if output == "amp" and self.lost_us is None:
            self.lost_us = at_us

    def _finish(self, at_us: int, number: int, good: bool) -> None:
        for name in ("permit", "line", "antenna", "tank", "drive"):
            told: Told = getattr(self, name)
            if told.number == number:
                setattr(self, name, told._replace(number=0, answered_us=at_us, good=good))
        ended = next((kind for each, kind in self.bold if each == number), None)
        if ended is None:
            return
        self.bold -= {(number, ended)}
        # A bold command that ends after the safe one that overtook it: nobody knows which of them was done last.
        if ended == "release" and self.permit.what == "inhibit" and not self.permit.number:
            self.permit = self.permit._replace(good=False)
        elif ended == "operate" and self.line.what == "standby" and not self.line.number:
            self.line = self.line._replace(good=False)
        elif ended == "on":
            self.heater_us = at_us if good else None

    # What left

    def left(self, number: int, command: Command) -> None:
        """A command has left."""
        match command:
            case InhibitTransmit():
                self.permit = Told("inhibit", number)
            case ReleaseTransmit():
                self.permit = Told("release", number)
                self.bold |= {(number, "release")}
            case AmplifierStandby():
                self.line = Told("standby", number)
            case AmplifierOperate():
                self.line = Told("operate", number)
                self.bold |= {(number, "operate")}
                self.operate_band = self.place.band if self.place else None
            case SelectAntenna(antenna=antenna):
                self.antenna = Told(antenna, number)
            case RecallPreset(antenna=antenna, segment=segment, tune=tune, load=load):
                self.tank = Told((antenna, segment, tune, load), number)
                self.strayed = False
            case LimitDrive(drive_w=drive_w):
                self.drive = Told(drive_w, number)
            case AmplifierOn():
                self.bold |= {(number, "on")}
                self.heater_us = None
            case AmplifierOff() | HighVoltageOff():
                self.heater_us = None

    def told(self, event: Event, effects: tuple[Effect, ...]) -> None:
        """Notes that were asked for, faults that were told, and answers to operators."""
        for effect in effects:
            match effect:
                case RecordIntent(intent_id=number, target=target):
                    dead = self.note is not None and not self.note.durable and self.note.is_bad(event.at_us)
                    self.note = Noted(target, number, event.at_us, disk_dead=dead)
                case Report(notice=FaultFound(severity=severity)):
                    self.fault, self.wished = str(severity), False
                case Report(notice=FaultCleared()):
                    self.fault = None
                case Answer(accepted=True):
                    self._granted(event)
                case _:
                    pass

    def _granted(self, event: Event) -> None:
        if not isinstance(event, OperatorAsked):
            return
        match event.request:
            case AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
                self.wished = True
            case AmplifierRequest.STANDBY | AmplifierRequest.OFF | AmplifierRequest.OFF_NOW:
                self.wished = False
            case AmplifierRequest.ON:
                pass

    # What it comes to

    def settle(self, now_us: int) -> None:
        """Keep count of since when operate has stood where it has no place."""
        place = self.place
        right = place is not None and (self.fits or self.tunes_up)
        if self.line.what != "operate" or right:
            self.misplaced_us = None
        elif self.misplaced_us is None:
            self.misplaced_us = now_us

    def normal(self, ids: Ids, clock: Clock) -> "Witness":
        """The witness that stands for all like it."""
        twin = self.copy()
        for name, settle_us in (
            ("permit", GUARD_US),
            ("line", RELAY_US),
            ("antenna", RELAY_US),
            ("tank", TANK_US),
            ("drive", 0),
        ):
            told: Told = getattr(self, name)
            answered_us = clock.past_or_none(told.answered_us, settle_us)
            setattr(twin, name, Told(told.what, ids[told.number] if told.number else 0, answered_us, told.good))
        twin.bold = frozenset((ids[number], kind) for number, kind in self.bold)
        twin.heard_us = clock.past(self.heard_us, LOST_US) if self.hz is not None else BASE_US
        twin.moved_us = clock.past(self.moved_us, REST_US) if self.hz is not None else BASE_US
        twin.word_us = clock.past(self.word_us, FRESH_US + 1)
        twin.quiet_us = clock.past(self.quiet_us, GUARD_US)
        twin.keyed_us = clock.past_or_none(self.keyed_us, KEY_DOWN_US + FORCE_US)
        twin.heater_us = clock.past_or_none(self.heater_us, WARM_UP_US)
        twin.lost_us = clock.past_or_none(self.lost_us, HEATER_GAP_US)
        twin.misplaced_us = clock.past_or_none(self.misplaced_us, FORCE_US)
        if self.note is not None:
            twin.note = self.note._replace(number=NOTE_ID, asked_us=clock.past(self.note.asked_us, NOTE_WAIT_US))
        return twin
