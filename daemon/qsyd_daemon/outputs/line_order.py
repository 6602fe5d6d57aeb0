"""One command on its way to a line device."""

import re
from dataclasses import dataclass

from qsyd_rules.command import SAFE_COMMANDS, CommandName

UNDONE_BY: dict[CommandName, frozenset[CommandName]] = {
    CommandName.INHIBIT_TRANSMIT: frozenset({CommandName.RELEASE_TRANSMIT}),
    CommandName.AMPLIFIER_STANDBY: frozenset({CommandName.AMPLIFIER_OPERATE}),
    CommandName.HIGH_VOLTAGE_OFF: frozenset({CommandName.AMPLIFIER_ON, CommandName.AMPLIFIER_OPERATE}),
}
"""What must not go out behind a safe command that overtook it: it was decided before, and would undo it."""


@dataclass(slots=True)
class Order:
    """One command until it ends. `owed` counts its lines sent since acknowledgements were last forgotten."""

    ticket: int
    name: CommandName
    data: bytes
    end_at_us: int
    tries: int = 0
    owed: int = 0
    owed_since_us: int = 0
    sent_at_us: int = 0
    is_ignored: bool = False
    """Whether it has had a whole time-out over an open link without an acknowledgement."""
    is_last: bool = False
    """Whether it is not to be sent again, whatever is left of its tries."""

    @property
    def is_safe(self) -> bool:
        """Whether it goes out at once, whatever is under way."""
        return self.name in SAFE_COMMANDS


def why_cut_off(order: Order, address: str, closed_because: str) -> str:
    """What to tell of a command whose link closed before its tries were up."""
    sent = "sent once before" if order.tries == 1 else f"sent {order.tries} times before"
    return f"no connection to {address}: {closed_because} ({sent}, never acknowledged)"


def why_unanswered(
    order: Order,
    address: str,
    acknowledge: re.Pattern[str],
    timeout_us: int,
    heard: str | None,
    closed_because: str | None,
) -> str:
    """What to tell of a command that nothing acknowledged; `heard` is the last line, if any came."""
    tries = "1 try" if order.tries == 1 else f"{order.tries} tries"
    seen = "heard nothing" if heard is None else f"last heard {heard!r}"
    if heard is not None and acknowledge.search(heard) is not None:
        seen += ", which may have answered another command"
    if closed_because is not None:
        seen += f"; the link was closed: {closed_because}"
    return (
        f"no acknowledgement from {address} in {tries}: "
        f"expected a line that matches {acknowledge.pattern!r} within {timeout_us // 1000} ms, {seen}"
    )
