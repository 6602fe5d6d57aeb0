"""Troubles a test or an operator can ask a simulated device for, each a named field that may change at any time."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class RigFaults:
    """What goes wrong between a transceiver and its host. With all defaults nothing does.

    Fields that end in `_every` count answers (or commands, where said) of one voice; 0 is never, 1 is each.
    """

    silent: bool = False
    """Commands are still heard and obeyed, but neither answers nor reports come back."""
    garbage_bytes: int = 0
    """So many noise bytes, of any value, before each answer and report."""
    seed: int = 0
    """Starts the noise; the same seed gives the same noise. Read when a voice is made."""
    fragment_bytes: int = 0
    """What is sent arrives in pieces of so many bytes, a gap apart; 0 sends it whole."""
    refuse: set[bytes] = field(default_factory=set)
    """Commands that begin so are refused, `?;` or `FA`: `b"FB"` in ASCII CAT, `b"\\x25\\x01"` in CI-V."""
    busy_every: int = 0
    """Each n-th command finds the set busy, `?;` (ASCII CAT)."""
    answer_delay_s: float = 0.0
    """Answers, but not reports, leave so many seconds late."""
    collide_every: int = 0
    """Each n-th command of the host collides on the shared wire and is jammed (CI-V)."""
    drop_every: int = 0
    """Each n-th answer or report is lost whole."""
    half_frame_every: int = 0
    """Each n-th answer or report breaks off half-way."""


@dataclass(slots=True)
class BoxFaults:
    """What goes wrong in a device that is spoken to in lines."""

    silent: bool = False
    """Lines are still heard and obeyed, but nothing comes back."""
    slow_ack_s: float = 0.0
    """Every answer leaves so many seconds late."""
    refuse: set[str] = field(default_factory=set)
    """Lines that begin so are answered `ERR refused` and not obeyed; an empty text refuses all."""
    stuck: bool = False
    """Relays and motors acknowledge and do not move."""


def is_due(every: int, count: int) -> bool:
    """Whether the `count`-th (from 1) of something is one of each `every`-th; `every` 0 is never."""
    return every > 0 and count % every == 0
