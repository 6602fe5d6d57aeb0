"""Holds a lease of the daemon for as long as whoever holds it is there. Standard library only.

It is renewed on a thread of its own, but only while its user shows life: a program that hangs, a terminal that is gone
and a process that is stopped all lose it, and the amplifier goes to standby.
"""

import threading
import time
from collections.abc import Callable

from qsyd_daemon.client import NoDaemonError, RefusedError, Way, call, reason_of

LEAST_S = 0.1
AGAIN_S = 1.0


class LeaseKeeper:
    """One lease. `begin`, `alive` again and again, `end`. `told` is called with what its user must know."""

    def __init__(self, way: Way, told: Callable[[str], None]) -> None:
        self._way = way
        self._told = told
        self._number: str | None = None
        self._within_s = 30.0
        self._alive_s = self._renewed_s = time.monotonic()
        self._ended = threading.Event()
        self._trouble: str | None = None
        self._thread = threading.Thread(target=self._keep, daemon=True)

    @property
    def shown(self) -> str:
        """How it stands, on one line."""
        left_s = self._renewed_s + self._within_s - time.monotonic()
        if self._number is None:
            return f"NO LEASE: {self._trouble}"
        if left_s <= 0:
            return "LEASE LOST, as far as is known here: the amplifier is in standby"
        return f"held; unless it is renewed, standby in {left_s:.0f} s"

    def begin(self) -> None:
        """Begin it, and hold it from now on. Raises `NoDaemonError`, `RefusedError`."""
        self._begin()
        self._thread.start()

    def alive(self) -> None:
        """Its user is still there."""
        self._alive_s = time.monotonic()

    def end(self) -> str:
        """The amplifier to standby, then the lease back: ending by intent does what losing it does. In words."""
        self._ended.set()
        self._thread.join(self._within_s)
        try:
            status, answer = call(self._way, "POST", "/v1/amplifier", {"request": "standby"})
            done = "the amplifier was asked for standby" if status == 200 else f"no standby: {reason_of(answer)}"
            if self._number is not None:
                call(self._way, "POST", "/v1/lease", {"lease": self._number, "end": True})
        except NoDaemonError as error:
            return f"the lease could not be given back, and ends by itself within {self._within_s:g} s: {error}"
        return f"{done}; the lease is given back"

    def _begin(self) -> None:
        status, answer = call(self._way, "POST", "/v1/lease", {}, self._answer_s)
        if status != 200:
            raise RefusedError(reason_of(answer))
        self._number, self._within_s = str(answer["lease"]), float(answer["renew_within_s"])
        self._renewed_s = time.monotonic()

    @property
    def _answer_s(self) -> float:
        """How long to wait for one answer, so that a second try still comes in time."""
        return max(1.0, self._within_s / 3)

    def _keep(self) -> None:
        while not self._ended.wait(max(LEAST_S, self._within_s / 4 if self._trouble is None else AGAIN_S)):
            if time.monotonic() - self._alive_s > self._within_s / 2:
                continue
            try:
                self._renew()
                if self._trouble is not None:
                    self._told("the lease is held again")
                self._trouble = None
            except (NoDaemonError, RefusedError) as error:
                if str(error) != self._trouble:
                    self._told(f"the lease cannot be renewed: {error}")
                self._trouble = str(error)

    def _renew(self) -> None:
        if self._number is None:
            self._begin()
            return
        status, answer = call(self._way, "POST", "/v1/lease", {"lease": self._number}, self._answer_s)
        if status == 200:
            self._renewed_s = time.monotonic()
            return
        if status in {404, 409}:  # lost, or of an earlier run of the daemon
            self._number = None
            self._told(f"LEASE LOST: {reason_of(answer)}")
            self._begin()
            self._told("a new lease is held; operate is for you to ask for again")
            return
        raise RefusedError(reason_of(answer))
