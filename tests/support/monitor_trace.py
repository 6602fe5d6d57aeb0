"""Traces written down by hand for the monitor: what happens, and what leaves upon it."""

from dataclasses import dataclass, field

from station_bench import AMPLIFIER_BOX, MS, SWITCH, S, station

from qsyd_rules.command import (
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, Answer, RecordIntent
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    Event,
    FaultAcknowledged,
    IntentRecorded,
    Lockout,
    OperatorAsked,
    OutputAnswer,
    RigRead,
    Started,
)
from qsyd_rules.monitor import Monitor, Seen
from qsyd_rules.station import Station
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import Result

WARM_UP_US = 180 * S
INHIBIT, RELEASE, STANDBY, OPERATE = (
    InhibitTransmit(("a test",)),
    ReleaseTransmit(),
    AmplifierStandby(),
    AmplifierOperate(),
)
BEAM, WIRE, LOOP = (SelectAntenna("main", name, port) for name, port in (("beam", 1), ("wire", 2), ("loop", 3)))
BEAM_20M, WIRE_40M = RecallPreset("beam", "20m/1", 108, 208), RecallPreset("wire", "40m/1", 105, 205)
WIRING = Wiring(
    {"switch": SWITCH, "amp": AMPLIFIER_BOX | {CommandName.HIGH_VOLTAGE_OFF}},
    {"amp": Meters(frozenset({"forward_w", "state"}), S)},
)
UNGUARDED = Wiring(
    {"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}}
)
BY_HAND = Wiring({"switch": SWITCH, "amp": AMPLIFIER_BOX - {CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OFF}})
LOCKOUT = Lockout("a rigger", "work on the mast", "2026-01-01T12:00:00Z")


@dataclass
class Trace:
    """A trace as it is written down: what happens, and what leaves upon it. `wrong` collects what the monitor says."""

    of: Station = field(default_factory=station)
    wiring: Wiring = WIRING
    at_us: int = 0
    wrong: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.monitor = Monitor(self.of, self.wiring)
        self.watched = self.monitor.initial(0)
        self.number = 0
        self.polled_hz: int | None = None
        self.keyed: bool | None = False

    def then(self, event: Event, *leaving: Command) -> int:
        """One event and the commands that left upon it; the number of the last of them."""
        left = []
        for command in leaving:
            self.number += 1
            left.append(Actuate(self.number, command))
        self.look(event, tuple(left))
        return self.number

    def look(self, event: Event, left: tuple[Seen, ...]) -> None:
        """The monitor looks at an event and what left upon it."""
        self.watched, wrong = self.monitor.step(self.watched, event, left)
        wake_us = self.monitor.wake_at_us(self.watched)
        assert wake_us is None or wake_us > self.at_us, "the monitor asks for a moment that has passed"
        if wrong is not None:
            self.wrong.append(wrong.invariant)

    def acknowledge(self, *leaving: Command, accepted: bool = True) -> None:
        """A person acknowledges a fault, and is answered."""
        left = [Actuate(self.number + count, command) for count, command in enumerate(leaving, 1)]
        self.number += len(left)
        event = FaultAcknowledged(self.at_us, 1, None, "operator")
        self.look(event, (*left, Answer(1, accepted, "as it may be")))

    def leave(self, *leaving: Command) -> int:
        """Commands that leave because time has come."""
        return self.then(DeadlineReached(self.at_us), *leaving)

    def answer(self, number: int, result: Result = Result.ACKNOWLEDGED, *leaving: Command) -> None:
        self.then(CommandFinished(self.at_us, number, (OutputAnswer("any", result),)), *leaving)

    def do(self, *leaving: Command) -> None:
        """Commands that leave one after the other, each answered a millisecond later."""
        for command in leaving:
            number = self.leave(command)
            self.wait(MS)
            self.answer(number)

    def read(
        self, frequency_hz: int, *leaving: Command, keyed: bool | None = False, transmit_hz: int | None = None
    ) -> None:
        """The rig tells its state, and goes on telling it."""
        self.polled_hz, self.keyed = frequency_hz if transmit_hz is None else transmit_hz, keyed
        self.then(self._reading(), *leaving)

    def _reading(self) -> RigRead:
        assert self.polled_hz is not None
        return RigRead(self.at_us, "main", self.polled_hz, self.polled_hz, False, None, self.keyed, self.at_us)

    def wait(self, duration_us: int) -> None:
        """Time passes: polls twice a second while the rig tells itself, and whenever the monitor asked to be woken."""
        end_us = self.at_us + duration_us
        while self.at_us < end_us:
            wake_us = self.monitor.wake_at_us(self.watched)
            poll_us = self.at_us + 500 * MS
            self.at_us = min(end_us, poll_us, end_us if wake_us is None else wake_us)
            if self.polled_hz is not None and self.at_us == poll_us:
                self.then(self._reading())
            elif self.at_us == wake_us:
                self.leave()

    def silence(self) -> None:
        """The rig tells nothing any more."""
        self.polled_hz = None

    def ask(self, request: AmplifierRequest, *leaving: Command) -> None:
        self.then(OperatorAsked(self.at_us, 1, request, "operator"), *leaving)

    def ask_for_note(self) -> int:
        """A note is asked for because time has come; its number."""
        self.number += 1
        self.look(DeadlineReached(self.at_us), (RecordIntent(self.number, "here", "there"),))
        return self.number

    def note(self, error: str | None = None) -> None:
        """A note is asked for, and answered at once."""
        self.then(IntentRecorded(self.at_us, self.ask_for_note(), error))


def started(wiring: Wiring = WIRING, of: Station | None = None) -> Trace:
    """The safe state has left and was answered; the rig rests on 20 m and has been unkeyed for a second."""
    trace = Trace(of or station(), wiring)
    trace.then(Started(0, None))
    trace.do(*([INHIBIT] if wiring.inhibits else []), STANDBY)
    trace.read(14_050_000)
    trace.wait(S)
    return trace


def barefoot() -> Trace:
    """Released on 20 m, on the beam."""
    trace = started()
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.wait(300 * MS)
    trace.do(RELEASE)
    trace.wait(S)
    assert trace.wrong == []
    return trace


def ready(wiring: Wiring = WIRING, of: Station | None = None) -> Trace:
    """Inhibited on 20 m, warm, beam and tank in place, noted and wished for: operate may leave."""
    trace = started(wiring, of)
    if wiring.carries(CommandName.AMPLIFIER_ON):
        trace.do(AmplifierOn())
    else:
        trace.ask(AmplifierRequest.ON)
    trace.note()
    trace.do(BEAM)
    trace.wait(30 * MS)
    trace.do(BEAM_20M)
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    assert trace.wrong == []
    return trace


def operating(wiring: Wiring = WIRING) -> Trace:
    """On the air in operate."""
    trace = ready(wiring)
    trace.do(OPERATE)
    trace.wait(30 * MS)
    if wiring.inhibits:
        trace.do(RELEASE)
    trace.wait(S)
    assert trace.wrong == []
    return trace
