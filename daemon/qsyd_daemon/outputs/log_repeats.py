"""The same trouble again and again: its first lines, and once a minute how many more there were and how it stands."""

from dataclasses import dataclass

from qsyd_daemon.outputs.output import Event

LINES_MAX = 12
"""Lines of one output in a window: a command that fails, the output with it, and its recovery are three."""
WINDOW_S = 60.0


@dataclass(slots=True)
class _Trouble:
    since_s: float
    lines: int = 0
    last: Event | None = None
    """The newest of those left out."""


class Repeats:
    """Counts the lines of each output that fails, or answers again; whatever else is told is never one too many."""

    def __init__(self) -> None:
        self._outputs: dict[str, _Trouble] = {}

    def leaves_out(self, event: Event, now_s: float) -> bool:
        """Whether there were enough of these within the window; then it is counted, and told of at its end."""
        name = event.get("event")
        if name not in {"output-failed", "output-recovered"} and (name, event.get("result")) != ("command", "failed"):
            return False
        trouble = self._outputs.setdefault(str(event.get("output")), _Trouble(now_s))
        trouble.lines += 1
        if trouble.lines <= LINES_MAX:
            return False
        trouble.last = event
        return True

    def due_in_s(self, now_s: float) -> float | None:
        """In how many seconds something is to be told; None while nothing was left out."""
        ends_s = [each.since_s + WINDOW_S for each in self._outputs.values() if each.last is not None]
        return max(0.0, min(ends_s) - now_s) if ends_s else None

    def told(self, now_s: float, *, all_of_them: bool = False) -> list[Event]:
        """A warning for each output whose window is past and of which something was left out."""
        warnings: list[Event] = []
        for output, trouble in list(self._outputs.items()):
            if now_s < trouble.since_s + WINDOW_S and not all_of_them:
                continue
            del self._outputs[output]
            if trouble.last is not None:
                count = trouble.lines - LINES_MAX
                text = f"{count} more lines within {WINDOW_S:g} s were left out; the last: {_in_words(trouble.last)}"
                warnings.append({"event": "warning", "output": output, "text": text})
        return warnings


def _in_words(event: Event) -> str:
    command = f" {event['command']}" if event.get("command") else ""
    error = f": {event['error']}" if event.get("error") else ""
    return f"{event['event']}{command}{error}"
