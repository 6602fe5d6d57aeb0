"""What has to hold, claim by claim, on every transition of the proof; each names its invariant and counts its cases.

Written apart from gate and monitor, over the witness's account alone. A claim's antecedent is counted each time it had
something to check, so that no claim can hold for want of cases.
"""

from collections import Counter

from proof_station import (
    GUARD_US,
    GUESS_W,
    GUESSES,
    KEY_DOWN_US,
    RELAY_US,
    REST_US,
    TANK_US,
    TANKS,
    WARM_UP_US,
)
from proof_witness import FORCE_US, FRESH_US, Witness

from qsyd_rules.command import (
    AmplifierOperate,
    AmplifierStandby,
    Command,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Effect, Report
from qsyd_rules.event import (
    Event,
    FaultAcknowledged,
    LockoutChanged,
    OutputLost,
    RigLinkClosed,
    SafetyTripped,
    Started,
    StopRequested,
)
from qsyd_rules.notice import FaultCleared, TransmitInhibited, TransmitReleased

CLAIMS = {
    "I1 antenna": "an antenna is selected only under an answered inhibit, unkeyed for the guard time",
    "I1 tank": "a preset is recalled only under an answered inhibit, unkeyed for the guard time",
    "I1 operate": "operate is commanded only under an answered inhibit, unkeyed for the guard time",
    "I2": "nothing bold is commanded while any source says keyed",
    "I3": "no antenna is selected and no preset recalled unless standby was answered since the last operate",
    "I4 antenna": "transmit is released only onto the antenna of the frequency, at rest",
    "I4 tank": "transmit is released only onto a tank at rest",
    "I4 line": "transmit is released only onto a transfer relay at rest",
    "I4 moves": "antenna and tank are moved only while both are at rest",
    "I5": "operate is commanded only after the whole warm-up, without a gap in its evidence",
    "I6": "operate is never commanded while a fault stands, and only an acknowledgement ends a fault",
    "I7": "an acknowledgement commands nothing bold by itself",
    "I8": "a lost rig leaves transmit inhibited and the amplifier in standby at once",
    "I8 fresh": "nothing bold rests on a word of the rig that is older than 0.6 s",
    "I9": "operate is commanded only onto the recalled preset of the segment",
    "I9 guess": "an estimate is recalled only where nothing is stored, and with a quarter of the drive as long as it is used",
    "I9 tune-up": "without a preset operate stands only where a person tunes up, with the drive and the tank of that",
    "I10": "while in operate the place is that of the frequency, or standby follows in its time",
    "I11": "at start and at stop the first words are inhibit and standby",
    "I14": "nothing moves before the note of it is durable or known not to be; operate only on a durable one",
    "I16": "what makes safe never moves the antenna",
    "I17": "an over that lasts too long is inhibited, then put into standby",
    "I21": "nothing moves to another band on a single reading",
    "I24 lockout": "a lockout bars release and operate",
    "I24 wish": "operate is never held against the operator's last word",
    "I25 drift": "a dial that drifts within the hysteresis of the preset in force moves nothing",
    "5 released": "while transmit is released no reason forbids it",
    "5 reasons": "it is told to be inhibited or released as it is",
}


class BrokenClaim(Exception):  # noqa: N818 - it is no error of the program that runs
    """A claim that does not hold, and in words how."""

    def __init__(self, claim: str, text: str) -> None:
        super().__init__(f"{claim}: {text} ({CLAIMS[claim]})")
        self.claim = claim


class Claims:
    """Judges every transition; `counts` are how often each claim had a case."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter(dict.fromkeys(CLAIMS, 0))

    def _must(self, claim: str, holds: bool, text: str) -> None:
        self.counts[claim] += 1
        if not holds:
            raise BrokenClaim(claim, text)

    def judge(self, witness: Witness, event: Event, effects: tuple[Effect, ...]) -> None:
        """Hold one transition to the claims. The witness has taken the event; it learns of the commands here."""
        now_us = event.at_us
        for effect in effects:
            if isinstance(effect, Report) and isinstance(effect.notice, FaultCleared):
                self._must("I6", isinstance(event, FaultAcknowledged), "a fault has ended by itself")
        witness.told(event, effects)
        commands = [effect.command for effect in effects if isinstance(effect, Actuate)]
        for effect in effects:
            if isinstance(effect, Actuate):
                self._judge_command(witness, now_us, effect.command)
                witness.left(effect.command_id, effect.command)
        witness.settle(now_us)
        self._judge_event(witness, event, commands)
        self._judge_rest(witness, now_us)
        self._judge_words(witness, effects)

    def _judge_command(self, it: Witness, now_us: int, command: Command) -> None:
        match command:
            case SelectAntenna():
                self._judge_still(it, now_us, "I1 antenna")
                self._judge_move(it, now_us, command.antenna)
                self._must(
                    "I10", it.place is not None and it.place.antenna == command.antenna, f"{command.antenna} here"
                )
            case RecallPreset():
                self._judge_still(it, now_us, "I1 tank")
                self._judge_move(it, now_us, command.antenna)
                self._must("I4 antenna", it.antenna.what == command.antenna, "the tank of another antenna")
                self._judge_recall(it, command)
            case LimitDrive():
                self._judge_drive(it, command)
            case AmplifierOperate():
                self._judge_still(it, now_us, "I1 operate")
                self._judge_operate(it, now_us)
            case ReleaseTransmit():
                self._judge_release(it, now_us)
            case _:
                pass

    def _judge_recall(self, it: Witness, command: RecallPreset) -> None:
        key, positions = (command.antenna, command.segment), (command.tune, command.load)
        tuned = it.tuning
        if tuned is not None and tuned.start is not None and (tuned.antenna, tuned.segment) == key:
            here = it.place is not None and it.place.segment == command.segment
            self._must("I9 tune-up", here, "the tank of a tune-up elsewhere")
            self._must("I9 tune-up", positions == (tuned.start.tune, tuned.start.load), "not where it begins")
        elif key in TANKS:
            self._must("I9", positions == TANKS[key], "positions that are not stored")
        else:
            self._must("I9 guess", positions == GUESSES.get(key) and command.estimate, "positions that nothing gives")

    def _judge_drive(self, it: Witness, command: LimitDrive) -> None:
        if it.on_a_guess and command.drive_w > GUESS_W:
            safe = it.line.what == "standby" and it.line.good and not any(kind == "operate" for _, kind in it.bold)
            self._must("I9 guess", safe, "more drive while an estimate may be in use")

    def _judge_still(self, it: Witness, now_us: int, claim: str) -> None:
        self._must("I2", not it.keyed, "commanded while keyed")
        self._must("I8 fresh", it.hz is not None and now_us <= it.word_us + FRESH_US, "the rig's word is too old")
        self._must(claim, it.permit.what == "inhibit" and it.permit.good, "no inhibit has been answered")
        self._must(claim, not any(kind == "release" for _, kind in it.bold), "a release is still under way")
        quiet_us = max(it.quiet_us, it.permit.answered_us or 0)
        self._must(claim, now_us >= quiet_us + GUARD_US, "the guard time has not run")

    def _judge_move(self, it: Witness, now_us: int, antenna: str) -> None:
        self._must("I3", it.line.what == "standby" and it.line.good, "not known to be in standby")
        self._must("I3", not any(kind == "operate" for _, kind in it.bold), "an operate is still under way")
        for told, settle_us in ((it.antenna, RELAY_US), (it.tank, TANK_US)):
            still = told.number == 0 and not (told.good and not told.is_settled(now_us, settle_us))
            self._must("I4 moves", still, "something still moves")
        self._must("I14", it.note is not None and it.note.lets_move(now_us), "nothing of it is on record")
        self._must("I14", it.note is not None and f"{antenna} " in it.note.target, "another thing is on record")
        self._must("I21", it.hz is not None and it.agreed, "a single reading")
        self._must("I16", not it.stopping, "moved while stopping")
        self._judge_drift(it, now_us)

    def _judge_drift(self, it: Witness, now_us: int) -> None:
        if not (it.tank.is_settled(now_us, TANK_US) and it.antenna.is_settled(now_us, RELAY_US)):
            return
        if it.place is None or not it.place.antenna == it.antenna.what == it.tank.what[0]:
            return
        self._must("I25 drift", it.strayed or now_us >= it.moved_us + REST_US, "moved while the dial drifts")

    def _judge_operate(self, it: Witness, now_us: int) -> None:
        place = it.place
        warm = it.heater_us is not None and now_us >= it.heater_us + WARM_UP_US
        self._must("I5", warm, "the warm-up has not run whole")
        self._must("I6", it.fault is None, "a fault stands")
        self._must("I24 lockout", not it.lockout, "locked out")
        self._must("I24 wish", it.wished, "nobody wishes it")
        self._must("I14", it.note is not None and it.note.durable, "not on record")
        self._must("I10", place is not None and not it.stopping, "no place for it")
        if place is None:
            return
        right = it.antenna.what == place.antenna and it.antenna.is_settled(now_us, RELAY_US)
        self._must("I10", right, "the antenna is not that of the frequency, at rest")
        self._must(
            "I9", it.fits and it.tank.is_settled(now_us, TANK_US), "the tank is not that of the segment, at rest"
        )
        if it.tunes_up and it.tuning is not None:
            limited = it.drive.good and it.drive.what <= (it.tuning.drive_w or 0)
            self._must("I9 tune-up", limited, "the drive is not limited to what the tune-up says")
        elif it.on_a_guess:
            self._must("I9 guess", it.drive.good and it.drive.what <= GUESS_W, "the drive is not known to be reduced")
        if place.rests_on == "nothing":
            self._must("I9 tune-up", it.tunes_up, "nobody tunes up here")

    def _judge_release(self, it: Witness, now_us: int) -> None:
        place = it.place
        right = place is not None and it.antenna.what == place.antenna and it.antenna.is_settled(now_us, RELAY_US)
        self._must("I4 antenna", right, "the antenna is not that of the frequency, at rest")
        still = it.tank.number == 0 and not (it.tank.good and not it.tank.is_settled(now_us, TANK_US))
        needs = place is not None and (place.rests_on != "nothing" or it.tunes_up)
        near = it.fits and it.tank.is_settled(now_us, TANK_US)
        self._must("I4 tank", near if needs else still, "the tank is not that of the segment, at rest")
        self._must("I4 line", it.line.is_settled(now_us, RELAY_US), "the transfer relay is not at rest")
        self._must("I4 line", not any(kind == "operate" for _, kind in it.bold), "an operate is still under way")
        self._must("I24 lockout", not it.lockout, "locked out")

    def _judge_event(self, it: Witness, event: Event, commands: list[Command]) -> None:
        match event:
            case Started() | StopRequested():
                first = [type(command) for command in commands[:2]]
                self._must("I11", first == [InhibitTransmit, AmplifierStandby], "not the safe state first")
            case FaultAcknowledged():
                bold = any(isinstance(each, AmplifierOperate | SelectAntenna | RecallPreset) for each in commands)
                self._must("I7", not bold, "an acknowledgement commanded something bold")
            case _:
                pass
        match event:
            case RigLinkClosed() | StopRequested() | SafetyTripped():
                safe = True
            case OutputLost(output=output):
                safe = output != "switch"  # an antenna that may rest anywhere is selected again
            case LockoutChanged(lockout=lockout):
                safe = lockout is not None
            case _:
                safe = False
        if safe:
            moved = any(isinstance(each, SelectAntenna | RecallPreset | AmplifierOperate) for each in commands)
            self._must("I16", not moved, "something bold was commanded to make safe")

    def _judge_rest(self, it: Witness, now_us: int) -> None:
        """What has to hold after every event."""
        released, operating = it.permit.what == "release", it.line.what == "operate"
        if it.hz is None:
            self._must("I8", not released and not operating, "the rig is lost")
        if released:
            place = it.place
            self._must("5 released", place is not None and not it.stopping, "released without a place")
            right = place is not None and it.antenna.what == place.antenna
            self._must("5 released", right, "released onto another antenna")
            held = it.tuning is not None and it.tuning.hold is not None
            self._must("5 released", not held, "released although the tune-up has taken the permit away")
        if it.lockout:
            self._must("I24 lockout", not released and not operating, "released or in operate under a lockout")
        if operating:
            self._must("I24 wish", it.wished, "left in operate")
            self._must("I6", it.fault is None, "left in operate with a fault")
            self._judge_operating(it, now_us)
        if it.keyed_us is not None and now_us >= it.keyed_us + KEY_DOWN_US:
            self._must("I17", not released, "still released")
            late = now_us >= it.keyed_us + KEY_DOWN_US + FORCE_US
            self._must("I17", not (late and operating), "still in operate")

    def _judge_operating(self, it: Witness, now_us: int) -> None:
        place = it.place
        same_band = place is not None and place.band == it.operate_band
        self._must("I10", same_band, "left in operate on another band")
        if it.on_a_guess and not it.tunes_up:
            self._must("I9 guess", it.drive.what is not None and it.drive.what <= GUESS_W, "too much drive")
        if place is not None and place.rests_on == "nothing" and not it.keyed:
            self._must("I9 tune-up", it.tunes_up, "left in operate where nobody tunes up any more")
        if it.misplaced_us is not None:
            self._must("I10", it.keyed, "left in operate out of place")
            self._must("I10", now_us < it.misplaced_us + FORCE_US, "left in operate out of place, keyed")

    def _judge_words(self, it: Witness, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Report) and isinstance(effect.notice, TransmitReleased):
                held = it.permit.what == "release" and it.permit.good
                self._must("5 reasons", held, "told to be released")
            elif isinstance(effect, Report) and isinstance(effect.notice, TransmitInhibited):
                self._must("5 reasons", bool(effect.notice.reasons), "told to be inhibited for no reason")
