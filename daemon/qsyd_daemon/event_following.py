"""Follows the daemon's events for ever, through every cut, and says since when there was one. Standard library only."""

import time
from collections.abc import Callable
from dataclasses import dataclass

from qsyd_daemon.client import NoDaemonError, RefusedError, Way
from qsyd_daemon.event_source import Told, follow

AGAIN_S = 2.0
"""What the stream itself asks for."""


@dataclass(frozen=True, slots=True)
class Said:
    """Something about the connection, for people."""

    text: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The daemon does not let this caller follow (any more); nothing comes after this."""

    text: str


class Following:
    """Runs on a thread of its own, and gives what it hears to `tell`."""

    def __init__(self, way: Way, tell: Callable[[Told | Said | Refused], None]) -> None:
        self._way = way
        self._tell = tell
        self._last_id: str | None = None
        self._heard_s = time.time()
        self._cut_s: float | None = None
        self._trouble: str | None = None

    def run(self) -> None:
        """Until the daemon refuses."""
        while True:
            try:
                self._once()
                self._cut("the daemon has ended the connection, or fell silent")
            except NoDaemonError as error:
                self._cut(str(error))
            except RefusedError as refused:
                self._tell(Refused(str(refused)))
                return
            time.sleep(AGAIN_S)

    def _once(self) -> None:
        for each in follow(self._way, self._last_id, heard=self._heard):
            if self._cut_s is not None:
                self._back(self._cut_s, is_whole=each.event != "gap")
            self._last_id = each.number or self._last_id
            self._tell(each)

    def _heard(self) -> None:
        self._heard_s = time.time()

    def _cut(self, why: str) -> None:
        if self._cut_s is None:
            self._cut_s = self._heard_s
            self._tell(Said(f"cut since {_clock(self._cut_s)}: {why}; trying again"))
        elif why != self._trouble:
            self._tell(Said(f"{why}; trying again"))
        self._trouble = why

    def _back(self, cut_s: float, *, is_whole: bool) -> None:
        gone_s = time.time() - cut_s
        then = "what was missed follows" if is_whole else f"what was missed: `qsyd history --since {_clock(cut_s)}`"
        self._tell(Said(f"connected again; was cut since {_clock(cut_s)}, for {gone_s:.0f} s; {then}"))
        self._cut_s = self._trouble = None


def _clock(moment_s: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(moment_s))
