"""When a device is asked for its readings, and which line answers. No I/O.

A question is one exchange like a command, and the least of them: it goes out only while nothing else is under way,
waiting or owed. An answer counts only while a question is awaited, and only if no command has been sent since that
question: so what is told was always asked for after the newest command had gone out.
"""

from collections import deque
from dataclasses import dataclass
from enum import Enum, auto

from qsyd_daemon.outputs.reading_lines import ReadingLines
from qsyd_rules.readings import Readings

UNANSWERED_MAX = 3
"""So many questions in a row without an answer, and the device counts as lost."""


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """What to ask, and when. `lines` reads the answers."""

    ask: bytes
    every_us: int
    lines: ReadingLines
    stale_after_us: int


@dataclass(slots=True)
class MeterCounts:
    """What has come of the questions since the daemon started."""

    asked: int = 0
    told: int = 0
    damaged: int = 0
    """Answers with a number that cannot be, or cannot be read."""
    unasked: int = 0
    """Readings that came while none were awaited: too late, or by themselves."""
    overtaken: int = 0
    """Answers to questions that a command has overtaken."""
    unanswered: int = 0


class Kept(Enum):
    """What a line was, where it was nothing to tell."""

    NOT_MINE = auto()
    SPENT = auto()


class MeterQuestions:
    """The questions to one device; times are microseconds on one monotonic clock."""

    def __init__(self, settings: MeterSettings, timeout_us: int) -> None:
        """A question is dropped when nothing has answered it within `timeout_us`."""
        self._settings = settings
        self._timeout_us = timeout_us
        self.counts = MeterCounts()
        self._due_us = 0
        self._asked_us: int | None = None  # of the question awaited
        self._is_overtaken = False
        self._unanswered = 0
        self._heard_us = 0
        self._late: deque[int] = deque()  # until when the answer to a dropped question may still come

    @property
    def is_awaited(self) -> bool:
        """Whether a question is under way."""
        return self._asked_us is not None

    def opened(self, at_us: int) -> None:
        """The link is open: nothing asked before will be answered."""
        self._asked_us, self._unanswered, self._due_us, self._heard_us = None, 0, at_us, at_us
        self._late.clear()

    def is_due(self, at_us: int) -> bool:
        """Whether it is time to ask, if nothing is in the way."""
        return self._asked_us is None and at_us >= self._due_us

    def ask(self, at_us: int) -> bytes:
        """What to send, now."""
        self.counts.asked += 1
        self._asked_us, self._is_overtaken = at_us, False
        self._due_us = at_us + self._settings.every_us
        return self._settings.ask

    def wakes_us(self, is_idle: bool) -> list[int]:
        """When to look for silence, or to ask; while commands are not `is_idle`, they keep the time."""
        if self._asked_us is None:
            return [self._due_us] if is_idle else []
        times = [self._asked_us + self._timeout_us]
        if is_idle and self._unanswered:
            times.append(self._heard_us + self._settings.stale_after_us)
        return times

    def silence(self, at_us: int) -> str | None:
        """Drop a question that nothing has answered, to ask again at the next turn; why the device counts as lost."""
        if self._asked_us is not None and at_us >= self._asked_us + self._timeout_us:
            self._late.append(self._asked_us + 2 * self._timeout_us)
            self._asked_us = None
            self._due_us = max(self._due_us, at_us)
            self._unanswered += 1
            self.counts.unanswered += 1
        silent_us = at_us - self._heard_us
        is_stale = silent_us >= self._settings.stale_after_us
        if self._unanswered >= UNANSWERED_MAX or (self._unanswered and is_stale):
            return f"no readings for {silent_us // 1000} ms, questions unanswered: {self._unanswered}"
        return None

    def overtake(self) -> None:
        """A command has been sent: an answer still to come may tell how things were before it."""
        self._is_overtaken = self._asked_us is not None

    def acknowledged(self, at_us: int) -> None:
        """The device has acknowledged something: it is not silent."""
        self._heard_us = at_us

    def line(self, text: str, at_us: int, *, is_other: bool) -> Readings | Kept:
        """Take in a line. One that is awaited as something else too counts as ours only if ours is to come before."""
        while self._late and self._late[0] <= at_us:
            self._late.popleft()
        if not self._settings.lines.is_one(text) or (is_other and self._asked_us is None and not self._late):
            return Kept.NOT_MINE
        if self._asked_us is None:
            self.counts.unasked += 1
            if self._late:
                self._late.popleft()
            return Kept.SPENT
        self._asked_us = None
        readings = self._settings.lines.read(text)
        if readings is None:
            self._due_us = max(self._due_us, at_us)
            self._unanswered += 1
            self.counts.damaged += 1
            return Kept.SPENT
        self._unanswered, self._heard_us = 0, at_us
        if self._is_overtaken:
            self.counts.overtaken += 1
            self._due_us = at_us
            return Kept.SPENT
        self.counts.told += 1
        return readings
