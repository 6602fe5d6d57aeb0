"""A station on a virtual clock around the real core: a rig that answers polls, devices that answer commands.

Nothing here decides anything; it carries effects out with latencies and faults that a test sets, and keeps a log.
"""

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import count

from qsyd_rules.band import Band
from qsyd_rules.command import Command, CommandName
from qsyd_rules.core import StationCore
from qsyd_rules.effect import Actuate, Answer, CloseIntent, ReadRig, RecordIntent, Report, SendText
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    Event,
    IntentRecorded,
    OperatorAsked,
    OutputAnswer,
    RigLinkClosed,
    RigRead,
    Started,
    StopRequested,
)
from qsyd_rules.notice import Notice
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.segment import Computed, Parts, Segment, segments_of
from qsyd_rules.station import Amplifier, Antenna, ChangeOverTimes, Rig, Rule, Station
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import Mode, Result

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


def station(*rules: Rule, amplifier: bool = True, **times: int) -> Station:
    """An invented station: two antennas over six bands, one of them narrow, and a low-power loop."""
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
        amplifier=Amplifier("main", ("80m", "40m", "20m", "17m", "15m"), output_w=1450) if amplifier else None,
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
    other_hz: int = 14_250_000
    split: bool = False
    mode: Mode | None = Mode.CW
    keyed: bool | None = False
    silent: bool = False


@dataclass
class Bench:
    """The virtual world of one test. `sent` are the commands as they left, `notices` what was told, each with its time."""

    station: Station
    presets: dict[tuple[str, str], Preset] = field(default_factory=dict)
    poll_us: int = 50 * MS
    answer_us: int = 1 * MS
    outputs: dict[str, frozenset[CommandName]] = field(default_factory=lambda: {"switch": SWITCH, "amp": AMPLIFIER_BOX})
    intents_fail: bool = False
    intents_hang: bool = False

    def __post_init__(self) -> None:
        self.core = StationCore(Atlas(self.station), Wiring(self.outputs))
        self.now_us = 0
        self.state = self.core.initial(self.presets, 0)
        self.rig = Rigged()
        self.sent: list[tuple[int, Command]] = []
        self.notices: list[tuple[int, Notice]] = []
        self.answers: list[Answer] = []
        self.texts: list[SendText] = []
        self.intents: list[RecordIntent | CloseIntent] = []
        self.failing: set[str] = set()
        """Outputs that answer nothing: their commands fail after `fail_us`."""
        self.fail_us = 1500 * MS
        self.watch: Callable[[Bench], None] | None = None
        self._queue: list[tuple[int, int, Callable[[], None]]] = []
        self._order = count()
        self._polls: Iterator[int] = count()
        self.tell(Started(0, 0))
        self._at(self.poll_us, self._poll)

    def tell(self, event: Event) -> None:
        """Hand one event to the core and carry out what it asks for."""
        assert event.at_us == self.now_us
        self.state, effects = self.core.step(self.state, event)
        for effect in effects:
            match effect:
                case Actuate():
                    self._actuate(effect)
                case ReadRig():
                    asked_us = self.now_us
                    self._at(self.now_us + 2 * MS, lambda: self._read(asked_us))
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
        if self.watch is not None:
            self.watch(self)

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
                self.tell(DeadlineReached(self.now_us))
                continue
            at_us, _, action = heapq.heappop(self._queue)
            self.now_us = at_us
            action()
        self.now_us = end_us

    def tune(self, frequency_hz: int, *, push: bool = False) -> None:
        """Turn the dial; with `push` the rig reports it unasked."""
        self.rig.frequency_hz = frequency_hz
        if push:
            self._read(None)

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

    def cut_rig(self, reason: str = "closed by the other end") -> None:
        """The rig's link breaks."""
        self.rig.silent = True
        self.tell(RigLinkClosed(self.now_us, "main", reason))

    def names(self, since: int = 0) -> list[str]:
        """Names of the commands sent, from number `since` on."""
        return [str(command.name) for _, command in self.sent[since:]]

    def told(self, event: str) -> list[Notice]:
        """All notices of this event."""
        return [notice for _, notice in self.notices if notice.event == event]

    def _at(self, at_us: int, action: Callable[[], None]) -> None:
        heapq.heappush(self._queue, (at_us, next(self._order), action))

    def _poll(self) -> None:
        self._read(self.now_us)
        self._at(self.now_us + self.poll_us, self._poll)

    def _read(self, asked_us: int | None) -> None:
        rig = self.rig
        if rig.silent:
            return
        transmit_hz = rig.other_hz if rig.split else rig.frequency_hz
        self.tell(RigRead(self.now_us, "main", rig.frequency_hz, transmit_hz, rig.split, rig.mode, rig.keyed, asked_us))

    def _record(self, intent: RecordIntent) -> None:
        error = "disk full" if self.intents_fail else None
        if not self.intents_hang:
            self._at(self.now_us + MS, lambda: self.tell(IntentRecorded(self.now_us, intent.intent_id, error)))

    def _actuate(self, effect: Actuate) -> None:
        self.sent.append((self.now_us, effect.command))
        carriers = [name for name, carried in self.outputs.items() if effect.command.name in carried]
        failed = any(name in self.failing for name in carriers)
        after_us = self.fail_us if failed else self.answer_us

        def answer() -> None:
            answers = tuple(
                OutputAnswer(name, Result.FAILED, "no acknowledgement")
                if name in self.failing and failed
                else OutputAnswer(name, Result.ACKNOWLEDGED)
                for name in carriers
            )
            self.tell(CommandFinished(self.now_us, effect.command_id, answers))

        self._at(self.now_us + after_us, answer)
