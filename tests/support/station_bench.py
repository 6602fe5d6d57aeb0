"""A station on a virtual clock around the real core: a rig that answers polls, devices that answer commands.

Nothing here decides anything; it carries effects out with latencies and faults that a test sets, and keeps a log.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from itertools import count
from typing import Any

from qsyd_rules.actuator import rests_at
from qsyd_rules.amplifier import Line
from qsyd_rules.band import Band
from qsyd_rules.command import Command, CommandName
from qsyd_rules.core import StationCore
from qsyd_rules.effect import Actuate, Answer, CloseIntent, Effect, ReadRig, RecordIntent, Report, SendText
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    Event,
    IntentRecorded,
    MinuteTurned,
    OperatorAsked,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    PresetsChanged,
    RigLinkClosed,
    RigRead,
    Started,
    StopRequested,
)
from qsyd_rules.notice import Notice
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.segment import Computed, Parts, Segment, segments_of
from qsyd_rules.state import Permit
from qsyd_rules.station import Amplifier, AmplifierLimits, Antenna, ChangeOverTimes, Rig, Rule, Station, When
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState, Mode, Result, worst

MS = 1_000
S = 1_000_000

BANDS = (
    Band("80m", 3_500_000, 4_000_000),
    Band("40m", 7_000_000, 7_300_000),
    Band("30m", 10_100_000, 10_150_000),
    Band("20m", 14_000_000, 14_350_000),
    Band("17m", 18_068_000, 18_168_000),
    Band("15m", 21_000_000, 21_450_000),
)
SWITCH = frozenset({CommandName.SELECT_ANTENNA})
AMPLIFIER_BOX = frozenset(CommandName) - SWITCH - {CommandName.HIGH_VOLTAGE_OFF}


def segments() -> tuple[Segment, ...]:
    """20 m in two parts, the rest computed: five on 80 m, two on 40 m."""
    computed = Computed(Fraction(12), Fraction(7, 5))
    return tuple(
        segment for band in BANDS for segment in segments_of(band, Parts(2) if band.name == "20m" else computed)
    )


def station(*rules: Rule, amplifier: bool = True, drive_w: int | None = None, **times: int) -> Station:
    """An invented station: two antennas over six bands, and a low-power loop. `drive_w` is the amplifier's own limit."""
    return Station(
        name="Marsh End",
        region=2,
        bands=BANDS,
        segments=segments(),
        rigs=(Rig("main", 2 * S),),
        antennas=(
            Antenna("beam", 1, ("20m", "17m", "15m")),
            Antenna("wire", 2, ("80m", "40m", "30m")),
            Antenna("loop", 3, ("40m",), max_power_w=500),
        ),
        amplifier=Amplifier(
            "main",
            ("80m", "40m", "20m", "17m", "15m"),
            output_w=1450,
            limits=AmplifierLimits(drive_w=drive_w),
        )
        if amplifier
        else None,
        change_over=ChangeOverTimes(**times),
        rules=rules,
    )


def every_preset(of: Station) -> dict[tuple[str, str], Preset]:
    """A preset for every antenna and segment it covers; the positions tell them apart."""
    return {
        (antenna.name, segment.name): Preset(
            antenna=antenna.name,
            segment=segment.name,
            tune=100 + number,
            load=200 + number,
            low_hz=segment.low_hz,
            high_hz=segment.high_hz,
        )
        for antenna in of.antennas
        for number, segment in enumerate(of.segments)
        if segment.band in antenna.bands
    }


@dataclass
class Rigged:
    """The rig as it truly is."""

    frequency_hz: int = 14_050_000
    other_hz: int | None = 14_250_000
    split: bool = False
    mode: Mode | None = Mode.CW
    keyed: bool | None = False
    silent: bool = False
    late_us: int = 0
    """How late its answers are, as over a slow network."""


@dataclass(frozen=True)
class Answered:
    """A command that has ended at every output: when, and how well it went at the worst of them."""

    at_us: int
    command: Command
    result: Result


@dataclass
class Bench:
    """The virtual world of one test. `sent` are the commands as they left, `notices` what was told, each with its time."""

    station: Station
    presets: dict[tuple[str, str], Preset] = field(default_factory=dict)
    poll_us: int = 50 * MS
    line_us: int = 2 * MS
    """From a question to the rig until its answer is there, and from a turn of the dial to a pushed report."""
    answer_us: int = 1 * MS
    outputs: dict[str, frozenset[CommandName]] = field(default_factory=lambda: {"switch": SWITCH, "amp": AMPLIFIER_BOX})
    intents_fail: bool = False
    intents_hang: bool = False
    minute: int = 0

    def __post_init__(self) -> None:
        self.core = StationCore(Atlas(self.station), Wiring(self.outputs))
        self.now_us = 0
        self.state = self.core.initial(self.presets, 0)
        self.rig = Rigged()
        self.sent: list[tuple[int, Command]] = []
        self.answered: list[Answered] = []
        self.notices: list[tuple[int, Notice]] = []
        self.answers: list[Answer] = []
        self.texts: list[SendText] = []
        self.intents: list[RecordIntent | CloseIntent] = []
        self.recorded: set[int] = set()
        """Intents that are durable."""
        self.failing: set[str] = set()
        """Outputs that answer nothing: their commands fail after `fail_us`, unless they answer again by then."""
        self.refusing: set[CommandName] = set()
        self.ignored: set[CommandName] = set()
        """What devices are silent on: their link counts as broken over it, and is open again 50 ms later."""
        """Commands that every device refuses at once, while it answers all others."""
        self.late_us = 0
        """How much after an answer has arrived the daemon comes to it."""
        self.fail_us = 1500 * MS
        self.misread_hz: int | None = None
        """What the next answer of the rig says instead of the truth."""
        self.deadlines = 0
        """How often the core was woken because it asked to be."""
        self.watchers: list[Callable[[Event, tuple[Effect, ...]], None]] = []
        """Each is shown every event and what the core made of it, before that is carried out."""
        self._queue: list[tuple[int, int, Callable[[], None]]] = []
        self._order = count()
        self.tell(Started(0, self.minute))
        self._at(self.poll_us, self._poll)

    def tell(self, event: Event) -> None:
        """Hand one event to the core and carry out what it asks for."""
        assert event.at_us == self.now_us
        self.state, effects = self.core.step(self.state, event)
        for watcher in self.watchers:
            watcher(event, effects)
        for effect in effects:
            self._carry_out(effect)

    def run(self, duration_us: int) -> None:
        """Let this much time pass."""
        end_us = self.now_us + duration_us
        while True:
            wake_us = self.core.wake_at_us(self.state)
            due = [each for each in (self._queue[0][0] if self._queue else None, wake_us) if each is not None]
            next_us = min(due, default=end_us + 1)
            if next_us > end_us:
                break
            if wake_us is not None and wake_us <= next_us:
                assert wake_us > self.state.now_us, "the core asks for a moment that has passed"
                self.now_us = wake_us
                self.deadlines += 1
                self.tell(DeadlineReached(self.now_us))
                continue
            at_us, _, action = heapq.heappop(self._queue)
            self.now_us = at_us
            action()
        self.now_us = end_us

    # The rig

    def tune(self, frequency_hz: int, *, push: bool = False) -> None:
        """Turn the dial; with `push` the rig reports it at once and unasked."""
        self.rig.frequency_hz = frequency_hz
        if push:
            self.push()

    def push(self) -> None:
        """The rig reports its state unasked."""
        self._answer(None)

    def key(self) -> None:
        """Key down, reported at once."""
        self.rig.keyed = True
        self.push()

    def unkey(self) -> None:
        """Key up, reported at once."""
        self.rig.keyed = False
        self.push()

    def cut_rig(self, reason: str = "closed by the other end") -> None:
        """The rig's link breaks."""
        self.rig.silent = True
        self.tell(RigLinkClosed(self.now_us, "main", reason))

    # The operator, the disk and the clock on the wall

    def ask(self, request: AmplifierRequest) -> Answer:
        """Ask something of the amplifier, as an operator."""
        self.tell(OperatorAsked(self.now_us, len(self.answers) + 1, request, "operator"))
        return self.answers[-1]

    def operate(self) -> None:
        """Switch on, warm up, wish to operate, and let it get there."""
        assert self.ask(AmplifierRequest.ON).accepted
        self.run(181 * S)
        assert self.ask(AmplifierRequest.OPERATE).accepted
        self.run(2 * S)

    def stop(self) -> None:
        self.tell(StopRequested(self.now_us))

    def turn_minute(self, minute: int) -> None:
        """The wall clock reads this minute of the UTC day."""
        self.tell(MinuteTurned(self.now_us, minute))

    def store(self, presets: dict[tuple[str, str], Preset], *saved: tuple[str, str]) -> None:
        """The store holds these presets from now on."""
        self.presets = presets
        self.tell(PresetsChanged(self.now_us, presets, saved))

    # The devices

    def lose(self, output: str, reason: str = "unplugged") -> None:
        """A device's link breaks; until it is connected again its commands fail."""
        self.failing.add(output)
        self.tell(OutputLost(self.now_us, output, reason))

    def connect(self, output: str) -> None:
        """A device's link is open again, and it answers."""
        self.failing.discard(output)
        self.tell(OutputConnected(self.now_us, output))

    # What came of it

    def names(self, since: int = 0) -> list[str]:
        """Names of the commands sent, from number `since` on."""
        return [str(command.name) for _, command in self.sent[since:]]

    def since(self, start_us: int) -> list[tuple[int, str]]:
        """What was sent from then on, in microseconds from then."""
        return [(at_us - start_us, str(command.name)) for at_us, command in self.sent if at_us >= start_us]

    def times(self, name: CommandName, since: int = 0) -> list[int]:
        """When this command was sent, from command number `since` on."""
        return [at_us for at_us, command in self.sent[since:] if command.name is name]

    def told(self, event: str, since_us: int = 0) -> list[Notice]:
        """All notices of this event, from `since_us` on."""
        return [notice for at_us, notice in self.notices if notice.event == event and at_us >= since_us]

    def is_released(self) -> bool:
        """Whether the devices hold transmit released."""
        return rests_at(self.state.permit, Permit.RELEASED)

    def is_in_operate(self) -> bool:
        """Whether the amplifier rests in operate."""
        return rests_at(self.state.line, Line.OPERATE)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why transmit is inhibited, as last told; empty once it was told to be released."""
        return self.state.reasons or ()

    # How effects are carried out

    def _carry_out(self, effect: Effect) -> None:
        match effect:
            case Actuate():
                self._actuate(effect)
            case ReadRig():
                self._ask_rig()
            case RecordIntent():
                self.intents.append(effect)
                self._record(effect)
            case CloseIntent():
                self.intents.append(effect)
            case Report():
                self.notices.append((self.now_us, effect.notice))
            case SendText():
                self.texts.append(effect)
            case Answer():
                self.answers.append(effect)

    def _at(self, at_us: int, action: Callable[[], None]) -> None:
        heapq.heappush(self._queue, (at_us, next(self._order), action))

    def _poll(self) -> None:
        self._ask_rig()
        self._at(self.now_us + self.poll_us, self._poll)

    def _ask_rig(self) -> None:
        asked_us = self.now_us
        self._at(self.now_us + self.line_us + self.rig.late_us, lambda: self._answer(asked_us))

    def _answer(self, asked_us: int | None) -> None:
        rig = self.rig
        if rig.silent:
            return
        dial_hz = rig.frequency_hz
        if self.misread_hz is not None:
            dial_hz, self.misread_hz = self.misread_hz, None
        transmit_hz = rig.other_hz if rig.split else dial_hz
        self.tell(RigRead(self.now_us, "main", dial_hz, transmit_hz, rig.split, rig.mode, rig.keyed, asked_us))

    def _record(self, intent: RecordIntent) -> None:
        if self.intents_hang:
            return
        error = "disk full" if self.intents_fail else None

        def recorded() -> None:
            if error is None:
                self.recorded.add(intent.intent_id)
            self.tell(IntentRecorded(self.now_us, intent.intent_id, error))

        self._at(self.now_us + MS, recorded)

    def _actuate(self, effect: Actuate) -> None:
        name = effect.command.name
        self.sent.append((self.now_us, effect.command))
        carriers = [output for output, carried in self.outputs.items() if name in carried]
        silent = name in self.ignored or any(output in self.failing for output in carriers)
        refused = name in self.refusing or name in self.ignored

        def outcome(output: str) -> OutputAnswer:
            if output in self.failing:
                return OutputAnswer(output, Result.FAILED, "no acknowledgement")
            return (
                OutputAnswer(output, Result.FAILED, "refused", ignored=True)
                if refused
                else OutputAnswer(output, Result.ACKNOWLEDGED)
            )

        def answer() -> None:
            answers = tuple(outcome(output) for output in carriers)
            result = worst([each.result for each in answers])
            self.answered.append(Answered(self.now_us, effect.command, result))
            if name in self.ignored:
                for output in carriers:
                    self.lose(output, "no acknowledgement")
                    self._at(self.now_us + 50 * MS, partial(self.connect, output))
            answered_us = self.now_us
            if self.late_us:
                heard_us = answered_us + self.late_us
                self._at(
                    heard_us, lambda: self.tell(CommandFinished(heard_us, effect.command_id, answers, answered_us))
                )
            else:
                self.tell(CommandFinished(answered_us, effect.command_id, answers))

        self._at(self.now_us + (self.fail_us if silent else self.answer_us), answer)


def live(
    *rules: Rule,
    presets: bool = True,
    amplifier: bool = True,
    drive_w: int | None = None,
    outputs: dict[str, frozenset[CommandName]] | None = None,
    poll_us: int = 50 * MS,
    minute: int = 0,
    **times: int,
) -> Bench:
    """A station on the air, barefoot: beam on 20m/1, everything answered, one second old and between two polls."""
    of = station(*rules, amplifier=amplifier, drive_w=drive_w, **times)
    wiring = {"switch": SWITCH, "amp": AMPLIFIER_BOX} if outputs is None else outputs
    bench = Bench(of, every_preset(of) if presets else {}, outputs=wiring, poll_us=poll_us, minute=minute)
    bench.run(1 * S + 10 * MS)
    return bench


def operating(*rules: Rule, **settings: Any) -> Bench:
    """The same station with the amplifier in operate."""
    bench = live(*rules, **settings)
    bench.operate()
    bench.run(10 * MS)
    assert bench.is_in_operate()
    assert bench.is_released()
    return bench


def when(
    *,
    bands: set[str] | None = None,
    frequencies_hz: tuple[tuple[int, int], ...] | None = None,
    modes: set[Mode] | None = None,
    amplifier: set[AmplifierState] | None = None,
    keyed: bool | None = None,
    between: tuple[tuple[int, int], ...] | None = None,
    events: set[str] | None = None,
) -> When:
    """The conditions of a rule, from plain sets."""
    return When(
        bands=None if bands is None else frozenset(bands),
        frequencies_hz=frequencies_hz,
        modes=None if modes is None else frozenset(modes),
        amplifier=None if amplifier is None else frozenset(amplifier),
        keyed=keyed,
        between=between,
        events=None if events is None else frozenset(events),
    )
