"""Tells what happens to everybody who listens: outputs of notices, the log, those who follow, the journal.

What follows upon bytes that have just left is told one thing at a turn of the loop: their answer is not to wait for it.
The order is that of what happened, always; the API has the rest told before it answers.
"""

import asyncio
import datetime
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from qsyd_daemon.links.guard import Guard
from qsyd_daemon.outputs.output import Event, NoticeOutput
from qsyd_daemon.outputs.template import Template, TemplateError
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.store.store import Store
from qsyd_rules.effect import Report, SendText
from qsyd_rules.notice import Notice, Warned, event_fields


class Telling:
    """On the event loop; nothing here waits."""

    def __init__(
        self,
        notices: Mapping[str, NoticeOutput],
        listeners: tuple[Callable[[Event], None], ...],
        store: Store,
        guard: Guard,
    ) -> None:
        """`listeners` hear every event; `notices` are outputs by name; what goes wrong in a later turn goes to `guard`."""
        self._notices = notices
        self._listeners = listeners
        self._store = store
        self._guard = guard
        self._loop = asyncio.get_running_loop()
        self._templates: dict[str, Template] = {}
        self._untold: deque[tuple[Report | SendText, int]] = deque()
        self._turn: asyncio.Handle | None = None

    def take_over(self, notices: Mapping[str, NoticeOutput]) -> None:
        """Go on with the outputs of another station."""
        self.rest()
        self._notices = notices
        self._templates.clear()

    @property
    def outputs(self) -> tuple[str, ...]:
        """The outputs that only tell."""
        return tuple(self._notices)

    def report(self, notice: Notice, at_us: int) -> None:
        """Tell this now, and before it what is not told yet."""
        self.rest()
        self._tell(Report(notice), at_us)

    def in_order(self, effect: Report | SendText, at_us: int) -> None:
        """Tell this now, unless something that happened before it is still to be told."""
        if self._untold:
            self._untold.append((effect, at_us))
        else:
            self._tell(effect, at_us)

    def later(self, effect: Report | SendText, at_us: int) -> None:
        """Tell this in one of the next turns of the loop."""
        self._untold.append((effect, at_us))
        if self._turn is None:
            self._turn = self._loop.call_soon(self._next)

    def rest(self) -> None:
        """Tell at once what is not told yet."""
        while self._untold:
            self._tell_one()

    def send(self, output: str, text: str, operator: str) -> bool:
        """Hand a text to an output of notices, as a rule would; whether there is such an output."""
        found = self._notices.get(output)
        if found is None:
            return False
        self.rest()
        line = {**_stamp(monotonic_us()), "event": "notice", "rule": f"tried by {operator}", "text": text}
        found.tell(line)
        self._store.journal(line)
        return True

    def _next(self) -> None:
        self._turn = None
        if self._untold:
            self._tell_one()
        if self._untold:
            self._turn = self._loop.call_soon(self._next)

    def _tell_one(self) -> None:
        """A mistake of ours over what has been waiting is nothing for whoever comes by now."""
        with self._guard:
            self._tell(*self._untold.popleft())

    def _tell(self, effect: Report | SendText, at_us: int) -> None:
        match effect:
            case Report(notice=notice):
                self._tell_all({**_stamp(at_us), "event": notice.event, **event_fields(notice)})
            case SendText():
                self._send_text(effect, at_us)

    def _send_text(self, effect: SendText, at_us: int) -> None:
        fields = {name: "-" if value is None else value for name, value in effect.fields.items()}
        try:
            template = self._templates.get(effect.text)
            if template is None:
                template = self._templates[effect.text] = Template.parse(effect.text)
            text = template.render({field: fields.get(field, "-") for field in template.fields})
        except TemplateError as error:
            self._tell(Report(Warned("send", f"rule “{effect.rule}”: {error}")), at_us)
            return
        line = {**_stamp(at_us), "event": "notice", "rule": effect.rule, "text": text}
        output = self._notices.get(effect.output)
        if output is not None:
            output.tell(line)
        self._store.journal(line)

    def _tell_all(self, line: dict[str, Any]) -> None:
        for output in self._notices.values():
            output.tell(line)
        for listener in self._listeners:
            listener(line)
        self._store.journal(line)


def _stamp(at_us: int) -> dict[str, Any]:
    now = datetime.datetime.now(datetime.UTC)
    return {"at": at_us / 1_000_000, "time": now.isoformat(timespec="milliseconds").replace("+00:00", "Z")}
