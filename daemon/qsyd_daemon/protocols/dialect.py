"""What one rig protocol tells the conversation about itself: its queries, and how its messages read."""

import re
from abc import ABC, abstractmethod

from qsyd_daemon.protocols.queries import Asker, LinePolicy, Query
from qsyd_daemon.protocols.reports import Report, Vfo
from qsyd_daemon.protocols.rig_state import RigState


class Dialect(ABC):
    """What one protocol's queries are and how its messages read. It holds only what its framing needs."""

    allowed: frozenset[bytes]
    """Every byte string that may be sent."""
    policy: LinePolicy
    push: tuple[Query, ...]
    """Settings that ask the rig to report by itself; each is tried when the one before it was refused."""
    first: tuple[Query, ...]
    """The first round: everything that makes a reading."""
    alternatives: tuple[Query, ...]
    """Queries of different kinds, one of which goes between two of a kind whose answers could be confused."""
    split_queries: tuple[Query, ...]
    """Any of these tells split."""
    doubted_unasked: frozenset[bytes]
    """What is asked about, not believed, when it comes unasked."""
    frequency_set: re.Pattern[bytes]
    """Matches, whole, what sets a frequency and nothing else; sent only by a session that may set the dial."""
    names_by_use: bool
    """Whether VFOs are named selected and other, not A and B."""

    @property
    @abstractmethod
    def damaged(self) -> int:
        """How many messages the framing dropped."""

    @abstractmethod
    def reset(self) -> None:
        """The link is new."""

    @abstractmethod
    def split(self, data: bytes) -> list[bytes]:
        """The messages that these bytes complete."""

    @abstractmethod
    def drop_fragment(self) -> None:
        """Nothing more of the message begun is expected."""

    @abstractmethod
    def decode(self, message: bytes) -> tuple[bytes, Report]:
        """What a message answers (a query's key; no query's where it is unasked by its form) and what it says."""

    @abstractmethod
    def sent(self, request: bytes) -> None:
        """These bytes go out now."""

    @abstractmethod
    def garbled_pause_us(self) -> int:
        """How long to wait before a spoilt query is sent again."""

    @abstractmethod
    def vfo_query(self, vfo: Vfo) -> Query | None:
        """The read of one VFO; None where there is none."""

    @abstractmethod
    def dial_query(self, vfo: Vfo) -> Query:
        """The quickest read of the dial while this VFO is in use."""

    @abstractmethod
    def set_frequency(self, vfo: Vfo, frequency_hz: int) -> bytes | None:
        """What sets this VFO, the one in use; None where it cannot be set."""

    @abstractmethod
    def round(self, turn: int, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        """The queries of one round, frequency first; `turn` counts the rounds."""

    @abstractmethod
    def fresh(self, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        """The queries that read anew what the transmit frequency depends on, frequency first."""

    @abstractmethod
    def instead_of(self, query: Query, state: RigState, asker: Asker) -> tuple[Query, ...]:
        """What to ask at once now that this query has failed."""
