"""The guided tune-up: what the operator does next, whether it was done, and whether the meters bear it out.

A pure account beside the station core. It never keys and moves nothing by itself, but the dial where it may: it asks what an operator may ask
(standby, operate), tells the core which segment is being tuned (`Tuning`), and says what to do. Stopping it anywhere
ends in standby with nothing saved that was not whole.

One segment goes: dial, change-over, the matching unit where there is one, drive down to a quarter, operate; then for each step of the drive: key, meters
judged, unkey; at last save. A reading that may do harm, or a key held too long, takes the permit away, then operate.
"""

from dataclasses import dataclass, field, replace
from enum import StrEnum

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.tune_plan import TunePlace, TunePlan
from qsyd_rules.tuning import Tuning


class TuneStep(StrEnum):
    """Where a tune-up is, in the words of its event."""

    DIAL = "dial"
    CHANGE_OVER = "change-over"
    MATCHING = "matching"
    DRIVE = "drive"
    OPERATE = "operate"
    KEY = "key"
    UNKEY = "unkey"
    NUMBERS = "numbers"
    SAVE = "save"
    STOPPED = "stopped"
    ENDED = "ended"


class TuneWord(StrEnum):
    """What an operator may say."""

    NEXT = "next"
    AGAIN = "again"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What has become of one place."""

    place: TunePlace
    preset: Preset | None
    """None where it was skipped."""


@dataclass(frozen=True, slots=True)
class TuneUp:
    """One tune-up. Times in microseconds on the monotonic clock."""

    plan: TunePlan
    began_us: int
    step: TuneStep = TuneStep.DIAL
    text: str = ""
    """What to do now, or what is waited for."""
    index: int = 0
    """Which place of the plan."""
    drive_w: int = 0
    """The drive of this step."""
    start: Preset | None = None
    """Where the tank begins here, and the matching unit."""
    matching: tuple[int, ...] | None = None
    """Positions of the matching unit; None while nobody has told any."""
    matched: int = -1
    """The place that these two belong to."""
    level: int = 0
    since_us: int = 0
    """When this step of the tune-up began."""
    moved_us: int = 0
    """When the operator was last seen to go on."""
    keyed_us: int | None = None
    """Since when the key has been down in this step."""
    seen_us: int = 0
    """When the readings last judged arrived."""
    good_us: int | None = None
    """Since when they have been good and at rest."""
    good: tuple[Readings, ...] = ()
    trouble: str | None = None
    """What is not right yet."""
    hold: str | None = None
    dial_from_hz: int | None = None
    """Where the dial stood when the rig was told to go elsewhere; None while it has not been told."""
    dial_us: int = 0
    """When it was told."""
    dial_left: str | None = None
    """Why the dial is left to the operator here; None while it may be set."""
    asked: bool = False
    """Whether what this step asks of the amplifier has been asked."""
    best: Readings | None = None
    """What was shown at the last step that was good."""
    outcomes: tuple[Outcome, ...] = ()

    @property
    def place(self) -> TunePlace | None:
        """The place that is being tuned; None when all are done."""
        return self.plan.places[self.index] if self.index < len(self.plan.places) else None

    @property
    def is_over(self) -> bool:
        """Whether it has ended."""
        return self.step is TuneStep.ENDED

    @property
    def saved(self) -> int:
        """How many places have a new preset."""
        return sum(each.preset is not None for each in self.outcomes)


@dataclass(frozen=True, slots=True)
class ChangeTuning:
    """Tell the core what is being tuned."""

    tuning: Tuning | None


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask this of the amplifier, as an operator would."""

    request: AmplifierRequest


@dataclass(frozen=True, slots=True)
class Save:
    """Store this preset; answered by `saved`."""

    preset: Preset


@dataclass(frozen=True, slots=True)
class SetDial:
    """Set the rig's transmit frequency, once; a refusal is answered by `dial_refused`."""

    frequency_hz: int


TuneAct = ChangeTuning | Ask | Save | SetDial


@dataclass
class Working:
    """The working copy of one call: the tune-up as it changes, and what it wants done, in order."""

    it: TuneUp
    now_us: int
    acts: list[TuneAct] = field(default_factory=list)

    def change(self, **fields: object) -> None:
        """Replace fields."""
        self.it = replace(self.it, **fields)  # type: ignore[arg-type]

    def say(self, text: str) -> None:
        """What to do now."""
        if text != self.it.text:
            self.change(text=text)

    def go(self, step: TuneStep, text: str) -> None:
        """On to another step."""
        self.change(
            step=step, text=text, since_us=self.now_us, moved_us=self.now_us, keyed_us=None, good=(), good_us=None
        )
        self.change(trouble=None, asked=False)

    def hold(self, reason: str | None) -> None:
        """Take the permit away, or give it back."""
        if reason != self.it.hold:
            self.change(hold=reason)
            self.tell_core()

    def tell_core(self) -> None:
        """What is being tuned, with how much drive."""
        place = self.it.place
        if place is not None:
            tuning = Tuning(place.antenna, place.segment.name, self.it.drive_w, self.it.start, self.it.hold)
            self.acts.append(ChangeTuning(tuning))

    def ask(self, request: AmplifierRequest) -> None:
        """Ask something of the amplifier."""
        self.acts.append(Ask(request))
