"""What is believed of one actuator: a relay, a motor, the permit to transmit.

Belief begins with a command, ends with its failure, and rests only after the answer and the settle time. What was
told to move and did not answer is `Unknown`, never where it was.
"""

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from qsyd_rules.words import Result

V = TypeVar("V")

FIRST_PAUSE_US = 1_000_000
LONGEST_PAUSE_US = 30_000_000
"""Pauses before a failed command is tried again: one second, doubling to thirty."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """Nobody knows where it rests. `retry_at_us` is when to try again; `error` is how it came to this."""

    failures: int = 0
    retry_at_us: int = 0
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Commanded(Generic[V]):
    """Told to go to `value`; the answer to command number `command_id` is awaited.

    `error` is why nobody knew before where it rests: until this command is answered, that is how it stands.
    """

    value: V
    command_id: int
    failures: int = 0
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Settling(Generic[V]):
    """Answered, and still moving or bouncing until `until_us`."""

    value: V
    result: Result
    until_us: int


@dataclass(frozen=True, slots=True)
class Resting(Generic[V]):
    """At `value` since `since_us`; `result` says how well that is known."""

    value: V
    result: Result
    since_us: int


Actuator = Unknown | Commanded[V] | Settling[V] | Resting[V]


def commanded(actuator: Actuator[V], value: V, command_id: int) -> Commanded[V]:
    """The belief once it has been told to go to `value`."""
    if isinstance(actuator, Unknown):
        return Commanded(value, command_id, actuator.failures, actuator.error)
    return Commanded(value, command_id)


def finished(actuator: Actuator[V], result: Result, error: str | None, at_us: int, settle_us: int) -> Actuator[V]:
    """The belief after the answer to the command under way arrived."""
    if not isinstance(actuator, Commanded):
        return actuator
    if result is Result.FAILED:
        pause_us = min(LONGEST_PAUSE_US, FIRST_PAUSE_US << min(actuator.failures, 8))
        return Unknown(actuator.failures + 1, at_us + pause_us, error)
    if settle_us > 0:
        return Settling(actuator.value, result, at_us + settle_us)
    return Resting(actuator.value, result, at_us)


def settled(actuator: Actuator[V], at_us: int) -> Actuator[V]:
    """The belief once time has passed."""
    if isinstance(actuator, Settling) and at_us >= actuator.until_us:
        return Resting(actuator.value, actuator.result, actuator.until_us)
    return actuator


def retried_at_once(actuator: Actuator[V]) -> Actuator[V]:
    """The belief where a new target, or a device that came back, makes a new try worth while now."""
    if isinstance(actuator, Unknown) and actuator.retry_at_us:
        return Unknown(actuator.failures, 0, actuator.error)
    return actuator


def doubted(actuator: Actuator[V], error: str, retry_at_us: int = 0) -> Actuator[V]:
    """The belief after the device that holds it was lost: a switch that lost its supply may rest anywhere.

    `retry_at_us` is when a new try makes sense if the device does not come back before; 0 is at once.
    """
    if isinstance(actuator, Commanded):
        return actuator  # its own answer, or the lack of one, will tell
    failures = actuator.failures if isinstance(actuator, Unknown) else 0
    return Unknown(failures, retry_at_us, error)


def doubt(actuator: Actuator[Any]) -> str | None:
    """Why nobody knows where it rests; None where that is known, or where it has left a place that was."""
    return actuator.error if isinstance(actuator, Unknown | Commanded) else None


def rests_at(actuator: Actuator[V], value: V) -> bool:
    """Whether it is known to rest at this value."""
    return isinstance(actuator, Resting) and actuator.value == value


def moves(actuator: Actuator[V]) -> bool:
    """Whether it is on its way, or still bouncing."""
    return isinstance(actuator, Commanded | Settling)


def heads_for(actuator: Actuator[V], value: V) -> bool:
    """Whether it rests at, or is on its way to, this value."""
    return not isinstance(actuator, Unknown) and actuator.value == value


def deadline_us(actuator: Actuator[V]) -> int | None:
    """When time alone changes this belief, or makes a new try due."""
    match actuator:
        case Settling(until_us=until_us):
            return until_us
        case Unknown(retry_at_us=retry_at_us):
            return retry_at_us or None
        case _:
            return None
