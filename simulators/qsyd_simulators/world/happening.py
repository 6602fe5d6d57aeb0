"""What is done to a station from outside, written down so that a run can be told, repeated and made shorter."""

from dataclasses import dataclass

from qsyd_rules.band import megahertz
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.words import Mode
from qsyd_simulators.world.faults import FaultKind


@dataclass(frozen=True, slots=True)
class Dial:
    """The dial is turned to a frequency."""

    frequency_hz: int

    def __str__(self) -> str:
        return f"dial {megahertz(self.frequency_hz)}"


@dataclass(frozen=True, slots=True)
class OtherVfo:
    """The other VFO is set to a frequency."""

    frequency_hz: int

    def __str__(self) -> str:
        return f"other VFO {megahertz(self.frequency_hz)}"


@dataclass(frozen=True, slots=True)
class Split:
    """Split goes on or off."""

    is_on: bool

    def __str__(self) -> str:
        return f"split {'on' if self.is_on else 'off'}"


@dataclass(frozen=True, slots=True)
class ChangeMode:
    """Another mode."""

    mode: Mode

    def __str__(self) -> str:
        return f"mode {self.mode}"


@dataclass(frozen=True, slots=True)
class Key:
    """The key goes down; `minds_inhibit` is an operator who looks at the lamp first."""

    minds_inhibit: bool = False

    def __str__(self) -> str:
        return "key, if transmit is free" if self.minds_inhibit else "key"


@dataclass(frozen=True, slots=True)
class Unkey:
    """The key comes up."""

    def __str__(self) -> str:
        return "unkey"


@dataclass(frozen=True, slots=True)
class Ask:
    """The operator asks something of the amplifier."""

    request: AmplifierRequest

    def __str__(self) -> str:
        return f"amplifier {self.request}"


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The operator acknowledges the fault that stands."""

    def __str__(self) -> str:
        return "acknowledge"


@dataclass(frozen=True, slots=True)
class LockOut:
    """A maintenance lockout begins or ends."""

    is_on: bool

    def __str__(self) -> str:
        return f"lockout {'on' if self.is_on else 'off'}"


@dataclass(frozen=True, slots=True)
class HoldAntenna:
    """The operator holds an antenna for a time, or lets go of it (None)."""

    antenna: str | None
    lasts_us: int = 0

    def __str__(self) -> str:
        return "hold off" if self.antenna is None else f"hold {self.antenna} for {self.lasts_us / 60e6:g} min"


@dataclass(frozen=True, slots=True)
class EditPreset:
    """A stored preset changes to these positions, or goes (None)."""

    antenna: str
    segment: str
    positions: tuple[int, int] | None

    def __str__(self) -> str:
        what = "removed" if self.positions is None else f"tune {self.positions[0]} load {self.positions[1]}"
        return f"preset {self.antenna} {self.segment} {what}"


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault begins; it ends by itself after `lasts_us`, or with its `Relief` where that is None."""

    kind: FaultKind
    lasts_us: int | None
    amount: int = 0
    """How bad: a delay in microseconds, a shift in hertz, as the kind has it; 0 for what is usual."""

    def __str__(self) -> str:
        lasts = "" if self.lasts_us is None else f" for {self.lasts_us / 1e6:g} s"
        return f"fault {self.kind}{lasts}" + (f" ({self.amount})" if self.amount else "")


@dataclass(frozen=True, slots=True)
class Relief:
    """A fault ends."""

    kind: FaultKind

    def __str__(self) -> str:
        return f"fault {self.kind} over"


Act = (
    Dial
    | OtherVfo
    | Split
    | ChangeMode
    | Key
    | Unkey
    | Ask
    | Acknowledge
    | LockOut
    | HoldAntenna
    | EditPreset
    | Trouble
    | Relief
)


@dataclass(frozen=True, slots=True)
class Happening:
    """One act, and when."""

    at_us: int
    act: Act

    def __str__(self) -> str:
        return f"{self.at_us / 1e6:10.3f} s  {self.act}"


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole run: which layout, which seed for all that is random while it runs, and what happens until the healing.

    At `until_us` every fault ends and the operator lets go; from then on the station has to find to its target.
    """

    seed: str
    layout: int
    happenings: tuple[Happening, ...]
    until_us: int
