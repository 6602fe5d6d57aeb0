"""Events as lines of the daemon's own log."""

import re
import time

import structlog
from structlog.typing import FilteringBoundLogger

from qsyd_daemon.outputs.log_repeats import Repeats
from qsyd_daemon.outputs.notice_thread import EVENTS_QUEUED_MAX, NoticeThread
from qsyd_daemon.outputs.output import Event

LINES_PER_S = 5.0
"""Lines a second in the long run: a dial that is turned all day must not fill a disk."""

LINES_AT_ONCE = 200
"""Lines that may come in one burst; a change-over makes about fifteen."""

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")


class LogOutput:
    """Logs each event under its name: a `fault` as an error, a `warning` as a warning, all else as information.

    Logging happens on a thread of its own, so a log sink that hangs delays nothing. More than `lines_per_s` are counted
    instead of logged, except warnings and faults; the log tells how many. So are, after the first dozen a minute, the failures and recoveries of one output.
    """

    def __init__(
        self,
        name: str,
        log: FilteringBoundLogger | None = None,
        *,
        lines_per_s: float = LINES_PER_S,
        lines_at_once: int = LINES_AT_ONCE,
        queued_max: int = EVENTS_QUEUED_MAX,
    ) -> None:
        self.name = name
        self._log: FilteringBoundLogger = log if log is not None else structlog.get_logger()
        self._lines_per_s = lines_per_s
        self._lines_at_once = lines_at_once
        self._allowed = float(lines_at_once)
        self._counted_at_s = time.monotonic()
        self._left_out = 0
        self._repeats = Repeats()
        self._thread = NoticeThread(
            name,
            self._write,
            ended=self._end,
            wake_in_s=lambda: self._repeats.due_in_s(time.monotonic()),
            queued_max=queued_max,
        )

    @property
    def queued(self) -> int:
        """Events that wait to be written."""
        return self._thread.queued

    def tell(self, event: Event) -> None:
        """Queue one event; never blocks. The mapping is kept, and must not be changed any more."""
        self._thread.put(event)

    async def close(self) -> None:
        """Log what is queued, within a second."""
        await self._thread.close()

    def _write(self, events: list[Event], dropped: int) -> None:
        self._left_out += dropped
        for warning in self._repeats.told(time.monotonic()):
            self._say(warning)
        for event in events:
            if self._repeats.leaves_out(event, time.monotonic()):
                continue
            if event.get("event") in ("warning", "fault"):
                self._say(event)
            elif self._is_allowed():
                self._say_left_out()
                self._say(event)
            else:
                self._left_out += 1

    def _is_allowed(self) -> bool:
        now_s = time.monotonic()
        gained = (now_s - self._counted_at_s) * self._lines_per_s
        self._allowed = min(self._allowed + gained, self._lines_at_once)
        self._counted_at_s = now_s
        if self._allowed < 1:
            return False
        self._allowed -= 1
        return True

    def _say(self, event: Event) -> None:
        fields = {key: _on_one_line(value) for key, value in event.items() if key != "event"}
        text = str(event.get("event", "notice"))
        try:
            match text:
                case "fault":
                    self._log.error(text, **fields)
                case "warning":
                    self._log.warning(text, **fields)
                case _:
                    self._log.info(text, **fields)
        except Exception:  # noqa: BLE001 whatever the log's sink does, the next event deserves its try
            self._left_out += 1

    def _end(self) -> None:
        for warning in self._repeats.told(time.monotonic(), all_of_them=True):
            self._say(warning)
        self._say_left_out()

    def _say_left_out(self) -> None:
        count, self._left_out = self._left_out, 0
        if count:
            self._say({"event": "warning", "text": f"{count} events were not logged", "output": self.name})


def _on_one_line(value: object) -> object:
    """The value with control characters escaped: no text of an event can forge a line or command a terminal."""
    if not isinstance(value, str):
        return value
    return _CONTROL.sub(lambda match: ascii(match[0])[1:-1], value)
