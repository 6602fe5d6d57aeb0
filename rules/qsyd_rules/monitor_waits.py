"""What must have left by now: conditions that stand, each with the moment from which silence is wrong."""

from collections.abc import Iterator
from dataclasses import dataclass

from qsyd_rules.monitor_account import Account
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.monitor_place import misplacement

SAFE_WITHIN_US = 250_000
"""From a hazard to the bytes of the safe direction."""
FRESH_US = 600_000
"""The oldest evidence that may decide."""
LESSER_HARM_US = 2_000_000
"""Still keyed after this, standby goes out under drive."""
KEY_DOWN_INHIBIT_US = 100_000
"""From the longest key-down to the inhibit."""
ENDS_WITHIN_US = 60_000_000
"""A command that has not ended by now never will."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Something that is wrong if it still stands at `due_us`; `cause` tells it from others."""

    cause: str
    invariant: str
    due_us: int
    text: str


def waits(account: Account, at_us: int, facts: Facts) -> Iterator[Wait]:
    """Everything that stands now and must not for long; a rig that is heard is not among it."""
    unsafe, keyed = not account.is_safe(facts), account.key.is_down(at_us)
    if unsafe and account.silent_us is not None:
        due_us = account.silent_us + SAFE_WITHIN_US
        yield Wait("silent", "I8", due_us, "the rig is not heard, and the station was not told to be safe")
    if unsafe:
        yield from _ordered(account, facts)
    if account.unwanted_us is not None and account.is_in_operate:
        due_us = account.unwanted_us + SAFE_WITHIN_US
        yield Wait("unwanted", "I24", due_us, "operate stands although an operator took it away")
    if account.misplaced_us is not None:
        yield _misplaced(account, account.misplaced_us, keyed, facts)
    if account.key.since_us is not None and keyed:
        yield from _stuck_key(account, account.key.since_us, facts)
    for each in account.underway:
        due_us = each.left_us + ENDS_WITHIN_US
        yield Wait(f"command {each.number}", "L1", due_us, f"{each.name} has not ended for {ENDS_WITHIN_US // 10**6} s")


def _ordered(account: Account, facts: Facts) -> Iterator[Wait]:
    """What was ordered to be safe: inhibit soon, standby at the latest as the lesser harm."""
    uninhibited = facts.wiring.inhibits and not account.is_inhibited
    slack_us = SAFE_WITHIN_US if uninhibited else SAFE_WITHIN_US + LESSER_HARM_US
    for cause, invariant, since_us, why in (
        ("stopped", "I15", account.stopped_us, "the daemon is to stop"),
        ("tripped", "I15", account.tripped_us, "something unsafe was found"),
        ("locked out", "I24", account.locked_out_us, "a lockout holds"),
        ("exchanging", "I20", account.exchanging_us, "links are about to be exchanged"),
    ):
        if since_us is not None:
            yield Wait(cause, invariant, since_us + slack_us, f"{why}, and the station was not told to be safe")


def _misplaced(account: Account, since_us: int, keyed: bool, facts: Facts) -> Wait:
    """Operate where something does not serve. Keyed inside the band of the tank is given the time to unkey."""
    misplaced = misplacement(account, facts)
    due_us = since_us + FRESH_US + SAFE_WITHIN_US
    if not keyed:
        due_us = max(due_us, account.key.quiet_us() + FRESH_US + SAFE_WITHIN_US)
    elif misplaced is None or not misplaced.other_band:
        due_us = since_us + LESSER_HARM_US + SAFE_WITHIN_US
    where = misplaced.text if misplaced is not None else "where it does not serve"
    return Wait("misplaced", "I10", due_us, f"operate stands {where}")


def _stuck_key(account: Account, since_us: int, facts: Facts) -> Iterator[Wait]:
    due_us = since_us + facts.key_down_us + KEY_DOWN_INHIBIT_US
    if facts.wiring.inhibits and not account.is_inhibited:
        yield Wait("stuck key", "I17", due_us, "keyed for too long, and transmit was not inhibited")
    if account.is_in_operate:
        text = "keyed for too long, and the amplifier was not told to stand by"
        yield Wait("stuck key in operate", "I17", due_us + LESSER_HARM_US, text)
