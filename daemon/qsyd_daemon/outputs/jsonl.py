"""Events as JSON lines, appended to a file or to standard output."""

import errno
import json
import os
import re
import select
import sys
import time
from pathlib import Path

import structlog
from structlog.typing import FilteringBoundLogger

from qsyd_daemon.outputs.notice_thread import EVENTS_QUEUED_MAX, NoticeThread
from qsyd_daemon.outputs.output import Event

STANDARD_OUTPUT = "-"
"""The path that stands for standard output."""

PAUSE_S = (0.1, 5.0)
"""First and longest pause between two tries to write to what cannot be written, in seconds; each is twice the last."""

EVENTS_PER_BREATH = 16
"""Events serialised in one go: about a fifth of a millisecond, then the loop gets its turn if it waits for one."""

# JSON allows these unescaped. Terminals obey the first, and readers of lines split at some of them.
_UNSAFE = re.compile("[\x7f-\x9f\u2028\u2029]")

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class JsonlOutput:
    """One JSON object a line, each handed to the system as soon as the writer thread gets to it.

    What cannot be written (disk full, directory gone) is tried again with growing pauses, and said once per change in
    the log. Once more events wait than `queued_max`, the oldest are dropped, and a line `events-dropped` with their
    `count` stands in their place. A line torn by a crash is ended before the next one begins.
    """

    def __init__(
        self,
        name: str,
        path: str | Path,
        log: FilteringBoundLogger | None = None,
        *,
        queued_max: int = EVENTS_QUEUED_MAX,
    ) -> None:
        """`path` may be `-`: standard output, and quietly nothing once nobody reads it any more."""
        self.name = name
        self._path = str(path)
        self._log: FilteringBoundLogger = log if log is not None else structlog.get_logger()
        self._is_stdout = self._path == STANDARD_OUTPUT
        self._fd: int | None = _standard_output() if self._is_stdout else None
        self._trouble: str | None = None
        self._pause_s = PAUSE_S[0]
        self._thread = NoticeThread(name, self._write, ended=self._close_file, queued_max=queued_max)
        if self._is_stdout and self._fd is None:
            self._thread.stop_listening()

    @property
    def queued(self) -> int:
        """Events that wait to be written."""
        return self._thread.queued

    def tell(self, event: Event) -> None:
        """Queue one event; never blocks. The mapping is kept, and must not be changed any more."""
        self._thread.put(event)

    async def close(self) -> None:
        """Write what is queued, within a second, and close."""
        await self._thread.close()

    def _write(self, events: list[Event], dropped: int) -> None:
        lines: list[bytes] = []
        if dropped:
            stamps = {key: events[0][key] for key in ("at", "time") if key in events[0]}
            lines.append(line({**stamps, "event": "events-dropped", "count": dropped}))
        for number, event in enumerate(events, start=1):
            lines.append(line(event))
            if number % EVENTS_PER_BREATH == 0:
                time.sleep(0)  # gives up the interpreter lock
        self._append(b"".join(lines))

    def _append(self, data: bytes) -> None:
        done = 0
        is_last_try = False
        while done < len(data):
            try:
                if self._fd is None:
                    self._fd = _opened(self._path)
                    done = data.rfind(b"\n", 0, done) + 1  # perhaps another file: no line begins in its middle
                done += os.write(self._fd, data[done:])
            except BlockingIOError:
                if not self._wait_writable() and not self._thread.pause(0):
                    return
            except OSError as error:
                if self._is_stdout and error.errno == errno.EPIPE:
                    self._thread.stop_listening()
                    return
                self._is_failing(error)
                if is_last_try:
                    return
                is_last_try = not self._thread.pause(self._pause_s)
                self._pause_s = min(2 * self._pause_s, PAUSE_S[1])
        self._is_working()

    def _wait_writable(self) -> bool:
        assert self._fd is not None
        poll = select.poll()
        poll.register(self._fd, select.POLLOUT)
        return bool(poll.poll(200))

    def _is_failing(self, error: OSError) -> None:
        if error.errno not in _FULL and not self._is_stdout:
            self._close_file()
        text = os.strerror(error.errno) if error.errno is not None else str(error)
        if text != self._trouble:
            self._trouble = text
            self._log.warning("events cannot be written, trying on", output=self.name, path=self._path, error=text)

    def _is_working(self) -> None:
        self._pause_s = PAUSE_S[0]
        if self._trouble is not None:
            self._trouble = None
            self._log.info("events are written again", output=self.name, path=self._path)

    def _close_file(self) -> None:
        if self._fd is not None:
            fd, self._fd = self._fd, None
            try:
                os.close(fd)
            except OSError as error:
                self._log.warning("closing the events failed", output=self.name, path=self._path, error=str(error))


def line(event: Event) -> bytes:
    """The event as one line of UTF-8; one that is no JSON becomes a line that says so, with what of it can be said."""
    try:
        text = _json(dict(event))
    except (TypeError, ValueError, RecursionError, RuntimeError) as error:
        known = {key: str(event[key]) for key in ("time", "event") if key in event}
        text = _json({**known, "error": f"not writable as JSON: {type(error).__name__}: {error}"})
    return _UNSAFE.sub(lambda match: f"\\u{ord(match[0]):04x}", text).encode(errors="backslashreplace") + b"\n"


def _json(event: dict[str, object]) -> str:
    return json.dumps(event, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _opened(path: str) -> int:
    """Open for appending, behind the end of the last line. Raises OSError. Does not wait for the reader of a FIFO."""
    fd = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK, 0o644)
    try:
        if _ends_in_mid_line(path):
            os.write(fd, b"\n")
    except OSError:
        os.close(fd)
        raise
    return fd


def _ends_in_mid_line(path: str) -> bool:
    try:
        if not Path(path).is_file():
            return False
        with Path(path).open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            return size > 0 and os.pread(file.fileno(), 1, size - 1) != b"\n"
    except OSError:
        return False  # may be written but not read: then nobody knows


def _standard_output() -> int | None:
    """A descriptor of our own for standard output; None when the process was started without one.

    Descriptor 1 is not taken for granted: without a standard output it belongs to the first file that was opened.
    """
    try:
        return None if sys.__stdout__ is None else os.dup(sys.__stdout__.fileno())
    except (OSError, ValueError):
        return None
