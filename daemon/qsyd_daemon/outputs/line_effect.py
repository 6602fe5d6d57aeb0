"""What an exchange of lines asks to be done."""

from dataclasses import dataclass

from qsyd_rules.readings import Readings
from qsyd_rules.words import Result


@dataclass(frozen=True, slots=True)
class Send:
    """Hand these bytes to the open link, now."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Finished:
    """The command handed over as `ticket` has ended; `error` is None unless it failed."""

    ticket: int
    result: Result
    error: str | None = None
    ignored: bool = False
    """Of a failed one: whether a whole time-out passed over an open link without an acknowledgement."""


@dataclass(frozen=True, slots=True)
class Reopen:
    """The link looks open and nobody acknowledges: open it anew. The exchange takes it as closed from here."""

    reason: str
    answered: bool = False
    """Whether the device has acknowledged anything over this link: then it is there, and ignores one command."""


@dataclass(frozen=True, slots=True)
class Told:
    """The device has told its readings."""

    readings: Readings


Effect = Send | Finished | Reopen | Told
