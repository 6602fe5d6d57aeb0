"""What the service asks of every output."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from qsyd_rules.command import Command, CommandName
from qsyd_rules.words import Result

Event = Mapping[str, Any]
"""One event as it is written: `at`, `time`, `event`, then its own fields, all JSON values."""


@dataclass(frozen=True, slots=True)
class Performed:
    """How a command ended. `error` says what was seen and what was expected; None unless it failed."""

    result: Result
    error: str | None = None
    ignored: bool = False
    """Whether the device was there for it, and has let a whole time-out pass."""
    answered_at_us: int | None = field(default=None, compare=False)
    """When the bytes of its answer arrived: what settles from then on does so while the daemon is still at work."""


class DeviceOutput(Protocol):
    """An output that moves something: commands are awaited, acknowledged, retried and bounded in time."""

    name: str
    commands: frozenset[CommandName]

    def start(self, connected: Callable[[str], None], lost: Callable[[str, str], None]) -> None:
        """Begin to keep the link; `connected(name)` and `lost(name, reason)` are called as it comes and goes."""

    async def perform(self, command: Command) -> Performed:
        """Send one command and wait for its end. Never raises for what the device does; bounded in time."""

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """Send none of these again, nor for the first time; one that was sent may still be answered."""

    async def close(self) -> None:
        """Close the link, at once."""


class NoticeOutput(Protocol):
    """An output that only tells. It never delays anything: events are queued, and dropped when it is too slow."""

    name: str

    @property
    def queued(self) -> int:
        """Events that wait to be written."""

    def tell(self, event: Event) -> None:
        """Queue one event."""

    async def close(self) -> None:
        """Write what is queued, within a second, and close."""
