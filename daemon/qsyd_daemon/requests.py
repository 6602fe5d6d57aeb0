"""What people ask of the station: the amplifier, acknowledgements, holds, lockouts, another tube; and what they are told."""

import asyncio
import datetime
from typing import TYPE_CHECKING

from qsyd_daemon.lockout_file import end_lockout, write_lockout
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_rules.effect import Answer
from qsyd_rules.event import (
    AmplifierRequest,
    FaultAcknowledged,
    Hold,
    HoldChanged,
    Lockout,
    LockoutChanged,
    OperatorAsked,
)
from qsyd_rules.notice import TubeReplaced
from qsyd_rules.tube_account import OldTube

if TYPE_CHECKING:
    from qsyd_daemon.service import Service


class Requests:
    """On the event loop, each as an event to the core of `service`; the core's answers come back by their number."""

    def __init__(self, service: "Service") -> None:
        self._service = service
        self._answers: dict[int, asyncio.Future[Answer]] = {}
        self._last = 0

    def answered(self, answer: Answer) -> None:
        """The core has answered one; whoever asked may be gone."""
        future = self._answers.pop(answer.request_id, None)
        if future is not None and not future.done():
            future.set_result(answer)

    def close(self) -> None:
        """The daemon ends: nobody is answered any more."""
        for future in self._answers.values():
            future.cancel()

    def _next(self) -> tuple[int, "asyncio.Future[Answer]"]:
        self._last += 1
        future = self._answers[self._last] = asyncio.get_running_loop().create_future()
        return self._last, future

    async def ask(self, request: AmplifierRequest, operator: str) -> Answer:
        """Ask something of the amplifier on an operator's behalf."""
        number, future = self._next()
        self._service.tell(OperatorAsked(monotonic_us(), number, request, operator))
        return await future

    async def acknowledge(self, number: int | None, operator: str, reason: str | None) -> Answer:
        """Acknowledge the fault that stands, or that of this number, on an operator's behalf."""
        request, future = self._next()
        self._service.tell(FaultAcknowledged(monotonic_us(), request, number, operator, reason))
        return await future

    async def lock_out(self, operator: str, reason: str) -> str:
        """Begin a maintenance lockout: in force at once, and durable before this returns. Raises `LockoutError`."""
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        lockout = Lockout(operator, reason, now)
        self._service.tell(LockoutChanged(monotonic_us(), lockout))
        await asyncio.to_thread(write_lockout, self._service.directory, lockout)
        return f"maintenance lockout by {operator}: no release and no operate until `qsyd lockout off`"

    async def end_lockout(self) -> str:
        """End the lockout, durably before it is in force; in words what that did. Raises `LockoutError`."""
        stood = self._service.state.station.lockout is not None
        await asyncio.to_thread(end_lockout, self._service.directory)
        self._service.tell(LockoutChanged(monotonic_us(), None))
        return "the lockout has ended; the wish to operate has to be renewed" if stood else "there was no lockout"

    def hold(self, hold: Hold | None, operator: str) -> bool:
        """Hold an antenna of this station, or end the hold; whether there is or was one."""
        stood = self._service.state.station.hold is not None
        if hold is not None or stood:
            self._service.tell(HoldChanged(monotonic_us(), hold, operator))
        return hold is not None or stood

    async def new_tube(self, operator: str, reason: str) -> OldTube:
        """Begin the tube's account anew; the old one is kept. Raises `StoreError`."""
        done = self._service.experience.new_tube(operator, reason, monotonic_us())

        def tell(ended: asyncio.Future[OldTube]) -> None:
            if ended.exception() is None:
                sums = ended.result().account
                heater_s, operate_s = sums.heater_us // 1_000_000, sums.operate_us // 1_000_000
                self._service.report(TubeReplaced(operator, reason, heater_s, operate_s, sums.overs))

        done.add_done_callback(tell)
        return await asyncio.shield(done)  # it goes on, and is told, though the asker may be gone

    def lose_lease(self, holder: str, after_s: float) -> None:
        """Whoever steered from afar is not heard any more: the amplifier to standby, as an operator would ask it."""
        self._service.warn(
            "lease-lost", f"{holder} has not renewed the lease for {after_s:g} s; the amplifier goes to standby"
        )
        self._last += 1
        self._service.tell(OperatorAsked(monotonic_us(), self._last, AmplifierRequest.STANDBY, f"lease of {holder}"))
