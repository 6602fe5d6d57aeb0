"""The shell around the core: it carries events in and effects out, keeps the one timer, and stamps what is told.

Everything here runs on the event loop and returns at once. An event that arrives while another is worked through waits
its turn, so the core sees one at a time, in order.
"""

import asyncio
import datetime
import json
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, assert_never

from structlog.typing import FilteringBoundLogger

from qsyd_daemon.links.guard import Guard
from qsyd_daemon.outputs.output import DeviceOutput, NoticeOutput, Performed
from qsyd_daemon.outputs.output import Event as Line
from qsyd_daemon.outputs.template import Template, TemplateError
from qsyd_daemon.protocols.session import RigReading
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.store.store import Store
from qsyd_rules.command import AmplifierStandby, CommandName, InhibitTransmit
from qsyd_rules.core import StationCore
from qsyd_rules.effect import Actuate, Answer, CloseIntent, Effect, ReadRig, RecordIntent, Report, SendText
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    Event,
    IntentRecorded,
    MinuteTurned,
    OperatorAsked,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    PresetsChanged,
    RigLinkClosed,
    RigRead,
    Started,
    StopRequested,
)
from qsyd_rules.notice import Notice, StationStopped, Warned, event_fields
from qsyd_rules.preset import Preset, adopt
from qsyd_rules.state import StationState

STOP_WITHIN_S = 5.0
"""How long the devices have to take the safe state when the daemon stops."""
MINUTE_CHECK_S = 20.0
"""How often at least the wall clock is looked at: it may have been set."""


@dataclass(frozen=True, slots=True)
class Wires:
    """What the service speaks through. `listeners` hear every event; `notices` are outputs by name."""

    devices: Mapping[str, DeviceOutput]
    notices: Mapping[str, NoticeOutput]
    listeners: tuple[Callable[[Line], None], ...]
    read_rig: Mapping[str, Callable[[], None]]


class Service:
    """One station, live. `state` is the core's, for whoever reports on it; only the service replaces it."""

    def __init__(self, core: StationCore, wires: Wires, store: Store, log: FilteringBoundLogger) -> None:
        self.core = core
        self.store = store
        self.state: StationState = core.initial(store.presets(), monotonic_us(), store.last_intent_id + 1)
        self.crash: Exception | None = None
        self.crashed = asyncio.Event()
        self._wires = wires
        self._log = log
        self._loop = asyncio.get_running_loop()
        self._guard = Guard(self.fail)
        self._inbox: deque[Event] = deque()
        self._working = False
        self._timer: asyncio.TimerHandle | None = None
        self._timer_us = 0
        self._minute_timer: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._answers: dict[int, asyncio.Future[Answer]] = {}
        self._last_request = 0
        self._carriers = {
            name: tuple(device for device in wires.devices.values() if name in device.commands) for name in CommandName
        }
        self._templates: dict[str, Template] = {}

    # What happens, in

    def start(self) -> None:
        """Tell the core that the daemon is up: the safe state goes out first of all."""
        self.tell(Started(monotonic_us(), _minute_now()))
        self._watch_minutes()

    def rig_read(self, rig: str, reading: RigReading, at_us: int) -> None:
        """A rig told its state."""
        self.tell(
            RigRead(
                max(at_us, self.state.now_us),
                rig,
                reading.frequency_hz,
                reading.transmit_hz,
                reading.split,
                reading.mode,
                reading.keyed,
                reading.asked_at_us,
            )
        )

    def rig_link_closed(self, rig: str, reason: str) -> None:
        """The link to a rig broke."""
        self.tell(RigLinkClosed(monotonic_us(), rig, reason))

    def device_connected(self, output: str) -> None:
        """A device's link is open."""
        self.tell(OutputConnected(monotonic_us(), output))

    def device_lost(self, output: str, reason: str) -> None:
        """A device's link broke."""
        self.tell(OutputLost(monotonic_us(), output, reason))

    async def ask(self, request: AmplifierRequest, operator: str) -> Answer:
        """Ask something of the amplifier on an operator's behalf."""
        self._last_request += 1
        number = self._last_request
        future: asyncio.Future[Answer] = self._loop.create_future()
        self._answers[number] = future
        self.tell(OperatorAsked(monotonic_us(), number, request, operator))
        return await future

    def with_edges(self, presets: Iterable[Preset]) -> list[Preset]:
        """Presets without edges take those of their segment, where this station has it."""
        segments = {segment.name: segment for segment in self.core.atlas.station.segments}
        return [adopt(preset, segments[preset.segment]) if preset.segment in segments else preset for preset in presets]

    async def save_presets(self, presets: list[Preset]) -> None:
        """Store presets, all or none; they are in force once they are durable. Raises `StoreError`."""
        await asyncio.wrap_future(self.store.save_presets(presets))
        saved = tuple((preset.antenna, preset.segment) for preset in presets)
        self.tell(PresetsChanged(monotonic_us(), dict(self.store.presets()), saved))

    async def remove_preset(self, antenna: str, segment: str) -> bool:
        """Remove a preset; whether there was one. Raises `StoreError`."""
        removed = await asyncio.wrap_future(self.store.remove_preset(antenna, segment))
        self.tell(PresetsChanged(monotonic_us(), dict(self.store.presets())))
        return removed

    def warn(self, code: str, text: str) -> None:
        """Tell of something outside the core that an operator should know."""
        self._report(Warned(code, text), monotonic_us())

    def tell(self, event: Event) -> None:
        """Hand one event to the core and carry out what it decides. A failure of the core is loud and ends the daemon."""
        self._inbox.append(event)
        if self._working or self.crash is not None:
            return
        self._working = True
        with self._guard:
            while self._inbox:
                self._work(self._inbox.popleft())
        self._working = False

    def fail(self, error: Exception) -> None:
        """A fault of our own: drop to the safe state past the core, and end."""
        if self.crash is not None:
            return
        self.crash = error
        self._log.critical("fault in qsyd itself; leaving the station safe", exc_info=error)
        for command in (InhibitTransmit(("qsyd has failed",)), AmplifierStandby()):
            self._spawn(self._await_unasked([device.perform(command) for device in self._carriers[command.name]]))
        self.crashed.set()

    # What follows, out

    def _work(self, event: Event) -> None:
        self.state, effects = self.core.step(self.state, event)
        if effects:
            for effect in effects:
                if isinstance(effect, Actuate):
                    self._actuate(effect)
            for effect in effects:
                self._carry_out(effect, event.at_us)
        self._arm()

    def _carry_out(self, effect: Effect, at_us: int) -> None:
        match effect:
            case Actuate():
                pass  # those have left already
            case ReadRig(rig=rig):
                self._wires.read_rig[rig]()
            case RecordIntent():
                self._record(effect)
            case CloseIntent(intent_id=intent_id, outcome=outcome):
                self.store.close_intent(intent_id, outcome)
            case Report(notice=notice):
                self._report(notice, at_us)
            case SendText():
                self._send_text(effect, at_us)
            case Answer(request_id=request_id):
                future = self._answers.pop(request_id, None)
                if future is not None and not future.done():
                    future.set_result(effect)
            case _:
                assert_never(effect)

    def _actuate(self, effect: Actuate) -> None:
        """The bytes leave within this call wherever a device's link is free; the answers are awaited apart."""
        command = effect.command
        started = [(device.name, device.perform(command)) for device in self._carriers[command.name]]
        self._spawn(self._await_answers(effect.command_id, started))

    async def _await_answers(self, command_id: int, started: Sequence[tuple[str, Awaitable[Performed]]]) -> None:
        answers = []
        for (name, _), performed in zip(
            started, await asyncio.gather(*(awaitable for _, awaitable in started)), strict=True
        ):
            answers.append(OutputAnswer(name, performed.result, performed.error))
        self.tell(CommandFinished(monotonic_us(), command_id, tuple(answers)))

    async def _await_unasked(self, started: Iterable[Awaitable[Performed]]) -> None:
        await asyncio.gather(*started)

    def _record(self, effect: RecordIntent) -> None:
        text = json.dumps({"from": effect.origin, "to": effect.target})
        future = asyncio.wrap_future(self.store.record_intent(effect.intent_id, text))

        def recorded(done: asyncio.Future[None]) -> None:
            if done.cancelled():
                return
            error = done.exception()
            self.tell(IntentRecorded(monotonic_us(), effect.intent_id, None if error is None else str(error)))

        future.add_done_callback(recorded)

    def _report(self, notice: Notice, at_us: int) -> None:
        self._tell_all({**_stamp(at_us), "event": notice.event, **event_fields(notice)})

    def _send_text(self, effect: SendText, at_us: int) -> None:
        fields = {name: "-" if value is None else value for name, value in effect.fields.items()}
        try:
            template = self._templates.get(effect.text)
            if template is None:
                template = self._templates[effect.text] = Template.parse(effect.text)
            text = template.render({field: fields.get(field, "-") for field in template.fields})
        except TemplateError as error:
            self.warn("send", f"rule “{effect.rule}”: {error}")
            return
        line = {**_stamp(at_us), "event": "notice", "rule": effect.rule, "text": text}
        output = self._wires.notices.get(effect.output)
        if output is not None:
            output.tell(line)
        self.store.journal(line)

    def _tell_all(self, line: dict[str, Any]) -> None:
        for output in self._wires.notices.values():
            output.tell(line)
        for listener in self._wires.listeners:
            listener(line)
        self.store.journal(line)

    # Time

    def _arm(self) -> None:
        """One timer; one that is set for earlier is left to fire and find nothing due, which is cheaper than moving it."""
        wake_us = self.core.wake_at_us(self.state)
        if wake_us is None or (self._timer is not None and self._timer_us <= wake_us):
            return
        if self._timer is not None:
            self._timer.cancel()
        self._timer_us = wake_us
        self._timer = self._loop.call_at(wake_us / 1_000_000, self._timer_fired)

    def _timer_fired(self) -> None:
        self._timer = None
        now_us = monotonic_us()
        wake_us = self.core.wake_at_us(self.state)
        if wake_us is not None and now_us >= wake_us:
            self.tell(DeadlineReached(now_us))
        else:
            self._arm()  # too early: a settle time is never short

    def _watch_minutes(self) -> None:
        now = datetime.datetime.now(datetime.UTC)
        minute = now.hour * 60 + now.minute
        if minute != self.state.minute:
            self.tell(MinuteTurned(monotonic_us(), minute))
        left_s = 60 - now.second - now.microsecond / 1e6
        self._minute_timer = self._loop.call_later(min(left_s + 0.001, MINUTE_CHECK_S), self._watch_minutes)

    # The end

    async def stop(self) -> None:
        """Leave the station safe: transmit inhibited, amplifier in standby, both answered or given up on."""
        if self.crash is None:
            self.tell(StopRequested(monotonic_us()))
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=STOP_WITHIN_S)
        for timer in (self._timer, self._minute_timer):
            if timer is not None:
                timer.cancel()
        for task in self._tasks:
            task.cancel()
        for future in self._answers.values():
            future.cancel()
        self._report(StationStopped(), monotonic_us())

    def _spawn(self, work: Any) -> None:
        task = self._loop.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._task_done)

    def _task_done(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            error = task.exception()
            if isinstance(error, Exception):
                self.fail(error)


def _stamp(at_us: int) -> dict[str, Any]:
    now = datetime.datetime.now(datetime.UTC)
    return {"at": at_us / 1_000_000, "time": now.isoformat(timespec="milliseconds").replace("+00:00", "Z")}


def _minute_now() -> int:
    now = datetime.datetime.now(datetime.UTC)
    return now.hour * 60 + now.minute
