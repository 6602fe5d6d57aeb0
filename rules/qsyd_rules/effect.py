"""What the core wants done: the shell carries it out and reports back with events."""

from collections.abc import Mapping
from dataclasses import dataclass

from qsyd_rules.command import Command, CommandName
from qsyd_rules.notice import Notice


@dataclass(frozen=True, slots=True)
class Actuate:
    """Send a command to every output that carries it; answered by `CommandFinished` with the same number."""

    command_id: int
    command: Command


@dataclass(frozen=True, slots=True)
class SendNoMore:
    """Send none of these again, nor what waits to be sent: what they were decided upon does not hold any more.

    One that has been sent is still answered by `CommandFinished`, as it would be on its last try.
    """

    names: frozenset[CommandName]


@dataclass(frozen=True, slots=True)
class ReadRig:
    """Read this rig's frequency at once, not at the next poll."""

    rig: str


@dataclass(frozen=True, slots=True)
class RecordIntent:
    """Write down durably what is about to be done; answered by `IntentRecorded`."""

    intent_id: int
    origin: str
    target: str


@dataclass(frozen=True, slots=True)
class CloseIntent:
    """What was intended has ended this way."""

    intent_id: int
    outcome: str


@dataclass(frozen=True, slots=True)
class Report:
    """Tell whoever listens."""

    notice: Notice


@dataclass(frozen=True, slots=True)
class SendText:
    """Render a rule's text over these fields and hand it to an output of notices."""

    output: str
    text: str
    rule: str
    fields: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to an operator's request: refused ones say why and how long."""

    request_id: int
    accepted: bool
    text: str
    ready_in_s: float | None = None


Effect = Actuate | SendNoMore | ReadRig | RecordIntent | CloseIntent | Report | SendText | Answer
