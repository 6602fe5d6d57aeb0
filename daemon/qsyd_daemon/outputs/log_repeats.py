"""The same trouble again and again: a few lines of it a minute, and how many were left out."""

from collections import Counter

from qsyd_daemon.outputs.output import Event

LINES_MAX = 6
WINDOW_S = 60.0


class Repeats:
    """Counts events that tell of the same error of the same thing; whatever tells of none is never one too many."""

    def __init__(self) -> None:
        self._since_s = 0.0
        self._seen: Counter[tuple[object, ...]] = Counter()

    def is_one_too_many(self, event: Event) -> bool:
        """Whether there were `LINES_MAX` of these within the window; then it is counted only."""
        if event.get("error") is None:
            return False
        cause = tuple(event.get(field) for field in ("event", "output", "command", "error"))
        self._seen[cause] += 1
        return self._seen[cause] > LINES_MAX

    def ended(self, now_s: float, *, over: bool = False) -> list[Event]:
        """What was left out, an event for each cause, once the window is past, or at once where all is `over`."""
        if now_s < self._since_s + WINDOW_S and not over:
            return []
        left_out: list[Event] = [
            {"event": event, "output": output, "command": command, "error": error, "repeated": count - LINES_MAX}
            for (event, output, command, error), count in self._seen.items()
            if count > LINES_MAX
        ]
        self._since_s = now_s
        self._seen.clear()
        return left_out
