"""What a rig can say, whatever the protocol: small facts that the decoders hand to the session.

The two VFOs are called A and B. Where a protocol names them by their use instead (the selected one and the other
one), the selected one is A here and the other is B.
"""

from dataclasses import dataclass
from enum import Enum, auto

from qsyd_rules.words import Mode

FREQUENCY_HZ_MIN = 30_000
FREQUENCY_HZ_MAX = 500_000_000
"""What is outside this range is taken as a damaged message. Our own bounds, wide around what HF rigs tune."""


class Vfo(Enum):
    """Where a frequency is kept; a memory channel has no partner to transmit on."""

    A = auto()
    B = auto()
    MEMORY = auto()


OTHER_VFO = {Vfo.A: Vfo.B, Vfo.B: Vfo.A}
"""The VFO that transmits when split is on, by the one in use."""


class Notice(Enum):
    """A message that states nothing about the rig, but about the conversation."""

    REFUSED = auto()  # the rig will not answer this, now or ever
    GARBLED = auto()  # the line spoilt our question: ask again
    ACCEPTED = auto()  # a setting was taken
    DAMAGED = auto()  # meant for us and unreadable
    IGNORED = auto()  # not meant for us, or of no interest


@dataclass(frozen=True, slots=True)
class VfoFrequency:
    """The frequency of one VFO, in hertz, 30 kHz to 500 MHz."""

    vfo: Vfo
    frequency_hz: int


@dataclass(frozen=True, slots=True)
class Status:
    """Many facts in one answer; None where this rig's form of it does not tell."""

    frequency_hz: int
    """Of the VFO in use; while transmitting in split it may be the transmit frequency."""
    mode: Mode | None
    transmitting: bool | None
    vfo: Vfo | None
    split: bool | None
    transmit_offset_hz: int | None = None
    """How far from the VFO it would transmit (XIT), 0 when that is off."""


@dataclass(frozen=True, slots=True)
class ModeTold:
    """The emission; None is one that we have no word for. `data` is the data flag where the rig keeps it apart."""

    mode: Mode | None
    data: bool | None = None


@dataclass(frozen=True, slots=True)
class KeyedTold:
    """Whether the rig transmits."""

    keyed: bool


@dataclass(frozen=True, slots=True)
class SplitTold:
    """Whether split is on. `offset` says that it transmits at an offset from the dial that the rig does not tell."""

    split: bool
    offset: bool = False


@dataclass(frozen=True, slots=True)
class ReceiveVfoTold:
    """Which VFO receives: the one in use."""

    vfo: Vfo


@dataclass(frozen=True, slots=True)
class TransmitVfoTold:
    """Which VFO transmits; another than the one in use is split."""

    vfo: Vfo


Fact = VfoFrequency | Status | ModeTold | KeyedTold | SplitTold | ReceiveVfoTold | TransmitVfoTold
Report = Fact | Notice


def is_plausible(frequency_hz: int) -> bool:
    """Whether a rig can mean this frequency."""
    return FREQUENCY_HZ_MIN <= frequency_hz <= FREQUENCY_HZ_MAX
