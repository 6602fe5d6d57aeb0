"""The dead-man's lease: whoever steers from afar renews it, and when that ends the amplifier goes to standby.

Whoever loses the link cannot see what the station does, so the station stops being trusted to somebody who is not
there. 47 CFR 97.213(b) bounds a transmission to three minutes after a control link has failed.
"""

import asyncio
import secrets
from collections.abc import Callable
from dataclasses import dataclass

from qsyd_daemon.api.problem import ProblemError

LEASES_MAX = 16
LOST_MAX = 32


@dataclass(slots=True)
class Lease:
    """One that is held."""

    holder: str
    timer: asyncio.TimerHandle


class Leases:
    """Who holds one, by its number; `lost(holder)` is called when one is not renewed in time."""

    def __init__(self, renew_within_s: float, lost: Callable[[str], None]) -> None:
        self.renew_within_s = renew_within_s
        self._lost = lost
        self._held: dict[str, Lease] = {}
        self._gone: dict[str, str] = {}

    @property
    def holders(self) -> list[str]:
        """Who holds a lease now."""
        return [lease.holder for lease in self._held.values()]

    def begin(self, holder: str) -> str:
        """Begin one; its number, which is a secret between its holder and the station. Raises `ProblemError`."""
        if len(self._held) >= LEASES_MAX:
            raise ProblemError(503, f"{LEASES_MAX} leases are held already", {"Retry-After": "30"})
        number = secrets.token_urlsafe(16)
        self._held[number] = Lease(holder, self._timer(number))
        return number

    def renew(self, number: str, holder: str) -> None:
        """Hold on for as long again. Raises `ProblemError` where it was lost."""
        lease = self._of(number, holder)
        lease.timer.cancel()
        lease.timer = self._timer(number)

    def end(self, number: str, holder: str) -> None:
        """Give it back; nothing else follows. Raises `ProblemError`."""
        self._of(number, holder).timer.cancel()
        del self._held[number]

    def close(self) -> None:
        """The daemon ends, and leaves the station safe by itself."""
        for lease in self._held.values():
            lease.timer.cancel()
        self._held.clear()

    def _of(self, number: str, holder: str) -> Lease:
        lease = self._held.get(number)
        if lease is not None and lease.holder == holder:
            return lease
        if self._gone.get(number) == holder:
            raise ProblemError(409, "this lease was not renewed in time, and the amplifier went to standby; begin anew")
        raise ProblemError(404, "there is no such lease; begin one")

    def _timer(self, number: str) -> asyncio.TimerHandle:
        return asyncio.get_running_loop().call_later(self.renew_within_s, self._expired, number)

    def _expired(self, number: str) -> None:
        holder = self._held.pop(number).holder
        self._gone[number] = holder
        while len(self._gone) > LOST_MAX:
            del self._gone[next(iter(self._gone))]
        self._lost(holder)
