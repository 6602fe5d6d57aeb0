"""The words of the proof: what can happen to the small station, and the worlds in which some of it does."""

from dataclasses import dataclass
from enum import StrEnum

from proof_station import BARE, GUESS_EDGE, GUESSED, LOWER, OTHER, STORED, TUNINGS, USUAL

from qsyd_rules.event import AmplifierRequest


class Kind(StrEnum):
    """What can happen. The words are those of a printed history."""

    START = "the daemon starts"
    DIAL = "the rig reports the dial at"
    KEY = "the rig reports the key"
    POLL = "a question asked now is answered: nothing has changed"
    APPEAR = "the rig answers again, dial at"
    CLOSE = "the link to the rig breaks"
    SENSE = "the sensed line says keyed:"
    DONE = "answered, done:"
    FAILED = "ended without an answer:"
    RECORDED = "the note is durable"
    UNRECORDED = "the note could not be written"
    ASK = "an operator asks for"
    LOSE = "the link breaks to"
    CONNECT = "the link is open again to"
    FAULT = "the amplifier tells a fault of its own"
    ACKNOWLEDGE = "an operator acknowledges the fault"
    LOCK = "a maintenance lockout begins"
    UNLOCK = "the lockout ends"
    TUNE = "a tune-up is for"
    STOP = "the daemon is asked to stop"
    WAIT = "time passes to the next deadline, the rig polled"
    SILENCE = "time passes to the next deadline, the rig silent"
    AGE = "time passes until the rig's word is too old"


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that happens; `what` is a dial, a number, a name, or a request."""

    kind: Kind
    what: int | str | bool | AmplifierRequest | None = None

    def __str__(self) -> str:
        return str(self.kind) if self.what is None else f"{self.kind} {self.what}"


@dataclass(frozen=True, slots=True)
class World:
    """Which kinds of deed there are. The more, the wider the space; the fewer, the deeper it is searched to its end."""

    name: str
    kinds: frozenset[Kind]
    requests: tuple[AmplifierRequest, ...] = ()
    dials: tuple[int, ...] = USUAL
    tunings: tuple[str, ...] = ()
    roots: tuple[str, ...] | None = None
    """Where it begins; None for the usual ones."""


_QUIET = frozenset({Kind.DIAL, Kind.KEY, Kind.POLL, Kind.DONE, Kind.RECORDED, Kind.WAIT})
_ASKED = tuple(AmplifierRequest)
WORLDS = {
    world.name: world
    for world in (
        World("two bands", _QUIET - {Kind.KEY}, dials=(LOWER, OTHER)),
        World("key", _QUIET, dials=(LOWER, OTHER)),
        World(
            "warm-up",
            frozenset({Kind.POLL, Kind.DONE, Kind.RECORDED, Kind.WAIT, Kind.ASK}),
            (AmplifierRequest.ON, AmplifierRequest.OPERATE, AmplifierRequest.OFF),
            dials=(LOWER,),
        ),
        World("dial", _QUIET),
        World("rig", _QUIET | {Kind.SILENCE, Kind.AGE, Kind.CLOSE, Kind.APPEAR, Kind.SENSE}),
        World("devices", _QUIET | {Kind.FAILED, Kind.LOSE, Kind.CONNECT, Kind.UNRECORDED}),
        World(
            "operator",
            _QUIET | {Kind.ASK, Kind.FAULT, Kind.ACKNOWLEDGE, Kind.LOCK, Kind.UNLOCK, Kind.STOP},
            _ASKED,
        ),
        World("everything", frozenset(Kind) - {Kind.START, Kind.TUNE}, _ASKED),
        World(
            "tune-up",
            _QUIET | {Kind.TUNE, Kind.ASK},
            (AmplifierRequest.OPERATE, AmplifierRequest.STANDBY),
            dials=(BARE, LOWER),
            tunings=tuple(TUNINGS),
            roots=("in operate", "tuned up, in standby", "tuned up, in operate", "tuned up, keyed"),
        ),
        World(
            "estimate",
            _QUIET,
            dials=(STORED, GUESS_EDGE, GUESSED),
            roots=("beside an estimate, in operate", "estimate being recalled", "on an estimate, in operate"),
        ),
    )
}
