"""What the log says of one link: a line at each change, then counts.

A link that flaps for a night must neither fill the disk nor go unmentioned. Each kind of line is written at most
`LINES_MAX` times in a window of a minute; what exceeds that, and each repeated failure to open, is counted and told in
one line at the end of the window.
"""

import asyncio
from collections import Counter
from typing import Protocol

LINES_MAX = 5


class Log(Protocol):
    """A structured logger: an event and its fields."""

    def info(self, event: str, **fields: object) -> object:
        """Something changed for the better, or as asked."""

    def warning(self, event: str, **fields: object) -> object:
        """Something the operator may want to look at."""

    def error(self, event: str, **fields: object) -> object:
        """A mistake in this program."""


class LinkLog:
    """The lines of the link `name`; `window_s` is how long repeats are gathered, in seconds."""

    def __init__(self, log: Log, name: str, window_s: float) -> None:
        self._log = log
        self._name = name
        self._window_s = window_s
        self._window: asyncio.TimerHandle | None = None
        self._written: Counter[str] = Counter()
        self._untold: Counter[str] = Counter()
        self._failed_attempts = 0
        self._failing_because: str | None = None
        """Why the link could not be opened, as last written; None while it is open."""
        self._is_open = False

    def opened(self) -> None:
        """The link has opened."""
        failed, self._failed_attempts = self._failed_attempts, 0
        self._failing_because = None
        self._is_open = True
        del self._untold["cannot_open"]  # the recovery tells them
        if self._may_write("opened"):
            self._log.info("link opened", link=self._name, failed_attempts=failed)

    def lost(self, reason: str) -> None:
        """The link was open and broke."""
        self._is_open = False
        if self._may_write("lost"):
            self._log.warning("link lost", link=self._name, reason=reason)

    def cannot_open(self, reason: str) -> None:
        """An attempt to open has failed."""
        self._failed_attempts += 1
        if reason == self._failing_because:
            self._count("cannot_open")
        elif self._may_write("cannot_open"):
            self._log.warning("link cannot be opened", link=self._name, reason=reason)
            self._failing_because = reason

    def broken_speaker(self, error: Exception) -> None:
        """The code that speaks over the link raised."""
        if self._may_write("mistakes"):
            self._log.error("link handler failed", link=self._name, exc_info=error)

    def close(self) -> None:
        """Tell what is untold; no timer is left behind."""
        if self._window is not None:
            self._window.cancel()
            self._end_window()

    def _may_write(self, kind: str) -> bool:
        if self._written[kind] >= LINES_MAX:
            self._count(kind)
            return False
        self._written[kind] += 1
        self._open_window()
        return True

    def _count(self, kind: str) -> None:
        self._untold[kind] += 1
        self._open_window()

    def _open_window(self) -> None:
        if self._window is None:
            self._window = asyncio.get_running_loop().call_later(self._window_s, self._end_window)

    def _end_window(self) -> None:
        self._window = None
        self._written.clear()
        untold, self._untold = self._untold, Counter()
        if untold:
            self._log.warning(
                "link repeats",
                link=self._name,
                is_open=self._is_open,
                reason=self._failing_because,
                **untold,
            )
