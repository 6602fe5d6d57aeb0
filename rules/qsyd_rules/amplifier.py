"""The model of the amplifier: the daemon's own account, right even where the amplifier cannot be asked.

`off -> warm-up -> standby <-> operate`, and `cool-down` on the way back to `off`. Which of standby and operate it is
in hangs on the transfer relay, which the change-over moves; here is what heater and time allow. After a restart the
model is `off`: what is not known is taken as unsafe.
"""

from dataclasses import dataclass, replace
from enum import Enum
from typing import assert_never

from qsyd_rules.actuator import Actuator, Resting, Settling
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.words import AmplifierState


@dataclass(frozen=True, slots=True)
class Off:
    """Heater off, or nobody knows."""


@dataclass(frozen=True, slots=True)
class SwitchingOn:
    """Heater-on was sent; the warm-up counts from its answer."""

    command_id: int
    armed: bool = False


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Heater on, cathode not ready before `ready_us`; `armed` goes to operate then."""

    ready_us: int
    armed: bool = False


@dataclass(frozen=True, slots=True)
class Hot:
    """The warm-up has run in full: standby or operate."""


@dataclass(frozen=True, slots=True)
class CoolDown:
    """In standby with the blower on; heater-off goes out at `off_us`.

    `ready_us` is when the warm-up would be over; None where nobody can say that the heater has been on all the time.
    """

    off_us: int
    ready_us: int | None


@dataclass(frozen=True, slots=True)
class SwitchingOff:
    """Heater-off was sent (None: to be sent again at `retry_us`); off only once it is answered."""

    command_id: int | None
    retry_us: int = 0


Amplifier = Off | SwitchingOn | WarmUp | Hot | CoolDown | SwitchingOff


class Line(Enum):
    """Where the transfer relay puts the amplifier: out of the signal path, or into it."""

    STANDBY = "standby"
    OPERATE = "operate"


def label(model: Amplifier, line: Actuator[Line], *, faulted: bool = False) -> AmplifierState:
    """The state in the trade's words; a fault that stands goes before all else."""
    if faulted:
        return AmplifierState.FAULT
    match model:
        case Off() | SwitchingOn():
            return AmplifierState.OFF
        case WarmUp():
            return AmplifierState.WARM_UP
        case Hot():
            in_path = isinstance(line, Settling | Resting) and line.value is Line.OPERATE
            return AmplifierState.OPERATE if in_path else AmplifierState.STANDBY
        case CoolDown() | SwitchingOff():
            return AmplifierState.COOL_DOWN
        case _:
            assert_never(model)


def ready_in_us(model: Amplifier, at_us: int) -> int | None:
    """How long until operate may be asked for; 0 when it may be now, None when nothing is counting."""
    match model:
        case WarmUp(ready_us=ready_us):
            return max(0, ready_us - at_us)
        case Hot():
            return 0
        case _:
            return None


def deadline_us(model: Amplifier) -> int | None:
    """When time alone changes the model."""
    match model:
        case WarmUp(ready_us=ready_us):
            return ready_us
        case CoolDown(off_us=off_us):
            return off_us
        case SwitchingOff(command_id=None, retry_us=retry_us):
            return retry_us
        case _:
            return None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a request does: the model after it, whether the operator wishes to operate, and the words of the answer."""

    model: Amplifier
    wish: bool
    accepted: bool
    text: str
    send_on: bool = False
    send_off: bool = False
    ready_in_us: int | None = None


def asked(
    model: Amplifier, wish: bool, request: AmplifierRequest, at_us: int, warm_up_us: int, cool_down_us: int
) -> Verdict:
    """Answer an operator. `send_on` and `send_off` ask for the heater's command; the caller numbers it.

    A request that changes nothing is accepted and says so; one that is refused says why and how long.
    """
    match request:
        case AmplifierRequest.ON:
            return _on(model, wish, at_us)
        case AmplifierRequest.OFF | AmplifierRequest.OFF_NOW:
            return _off(model, request is AmplifierRequest.OFF_NOW, at_us, cool_down_us)
        case AmplifierRequest.STANDBY:
            return _standby(model)
        case AmplifierRequest.OPERATE:
            return _operate(model, wish, at_us, warm_up_us, when_ready=False)
        case AmplifierRequest.OPERATE_WHEN_READY:
            return _operate(model, wish, at_us, warm_up_us, when_ready=True)
        case _:
            assert_never(request)


def _on(model: Amplifier, wish: bool, at_us: int) -> Verdict:
    match model:
        case Off():
            return Verdict(model, False, True, "heater on; warm-up begins with its answer", send_on=True)
        case SwitchingOff():
            return Verdict(model, False, False, "heater-off has just been sent; switch on again once it is off")
        case CoolDown(ready_us=ready_us):
            if ready_us is None:
                return Verdict(model, False, True, "heater on; the whole warm-up begins with its answer", send_on=True)
            hot = at_us >= ready_us
            again: Amplifier = Hot() if hot else WarmUp(ready_us)
            return Verdict(
                again, False, True, "cool-down ended; the heater was never off", ready_in_us=ready_us - at_us
            )
        case SwitchingOn() | WarmUp() | Hot():
            return Verdict(model, wish, True, "it is on already", ready_in_us=ready_in_us(model, at_us))
        case _:
            assert_never(model)


def _off(model: Amplifier, now: bool, at_us: int, cool_down_us: int) -> Verdict:
    ready_us: int | None
    match model:
        case Off():
            return Verdict(model, False, True, "it is off already")
        case SwitchingOff():
            return Verdict(model, False, True, "heater-off is on its way")
        case SwitchingOn() | WarmUp() | Hot() | CoolDown() if now:
            return Verdict(disarmed(model), False, True, "heater off now, without cool-down", send_off=True)
        case CoolDown(off_us=off_us):
            return Verdict(model, False, True, f"cooling down; heater off in {seconds(off_us - at_us)}")
        case SwitchingOn():
            ready_us = None  # heater-on is not answered yet
        case WarmUp(ready_us=ready):
            ready_us = ready
        case Hot():
            ready_us = at_us
        case _:
            assert_never(model)
    cooling = CoolDown(at_us + cool_down_us, ready_us)
    return Verdict(cooling, False, True, f"standby, then cool-down; heater off in {seconds(cool_down_us)}")


def disarmed(model: Amplifier) -> Amplifier:
    """The model without a wish to operate after the warm-up."""
    return replace(model, armed=False) if isinstance(model, WarmUp | SwitchingOn) else model


def _standby(model: Amplifier) -> Verdict:
    if isinstance(model, WarmUp | SwitchingOn):
        return Verdict(disarmed(model), False, True, "it will stay in standby after the warm-up")
    if isinstance(model, Hot):
        return Verdict(model, False, True, "standby")
    return Verdict(model, False, True, "standby; the amplifier is not on")


def _operate(model: Amplifier, wish: bool, at_us: int, warm_up_us: int, *, when_ready: bool) -> Verdict:
    match model:
        case Hot():
            return Verdict(model, True, True, "operate is already wished for" if wish else "operate", ready_in_us=0)
        case WarmUp(ready_us=ready_us):
            left_us = ready_us - at_us
            if when_ready:
                return Verdict(
                    WarmUp(ready_us, armed=True),
                    wish,
                    True,
                    f"armed: operate follows the warm-up in {seconds(left_us)}",
                    ready_in_us=left_us,
                )
            return Verdict(
                model,
                wish,
                False,
                f"warming up: {seconds(left_us)} left; ask again then, or ask with --when-ready",
                ready_in_us=left_us,
            )
        case SwitchingOn(command_id=command_id):
            if when_ready:
                return Verdict(
                    SwitchingOn(command_id, armed=True),
                    wish,
                    True,
                    "armed: operate follows the warm-up",
                    ready_in_us=warm_up_us,
                )
            return Verdict(
                model,
                wish,
                False,
                f"the heater is just going on: {seconds(warm_up_us)} of warm-up to come",
                ready_in_us=warm_up_us,
            )
        case Off():
            return Verdict(model, wish, False, "the amplifier is off; switch it on first")
        case CoolDown() | SwitchingOff():
            return Verdict(model, wish, False, "the amplifier is cooling down; switch it on first")
        case _:
            assert_never(model)


def seconds(duration_us: int) -> str:
    """A duration as an operator reads a countdown: whole seconds, rounded up."""
    return f"{max(0, -(-duration_us // 1_000_000))} s"
