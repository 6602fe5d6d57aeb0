"""The shell around the core: it carries events in and effects out.

Everything here runs on the event loop and returns at once. An event that arrives while another is worked through waits
its turn, so the core sees one at a time, in order.
"""

import asyncio
import datetime
import json
import sqlite3
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar, assert_never

from structlog.typing import FilteringBoundLogger

from qsyd_daemon.alarm import Alarm
from qsyd_daemon.experience import Experience
from qsyd_daemon.links.guard import Guard
from qsyd_daemon.lockout_file import read_lockout
from qsyd_daemon.outputs.output import DeviceOutput, NoticeOutput, Performed
from qsyd_daemon.outputs.output import Event as Line
from qsyd_daemon.preset_keeper import PresetKeeper
from qsyd_daemon.protocols.session import RigReading
from qsyd_daemon.requests import Requests
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.store.journal_database import JournalRow
from qsyd_daemon.store.store import Store
from qsyd_daemon.telling import Telling
from qsyd_rules.command import AmplifierStandby, CommandName, InhibitTransmit
from qsyd_rules.effect import Actuate, Answer, CloseIntent, Effect, ReadRig, RecordIntent, Report, SendNoMore, SendText
from qsyd_rules.event import (
    CommandFinished,
    DeadlineReached,
    DeviceRead,
    Event,
    IntentRecorded,
    KeySensed,
    LockoutChanged,
    LoopStalled,
    MinuteTurned,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    Reloaded,
    RigLinkClosed,
    RigRead,
    Started,
    StopRequested,
)
from qsyd_rules.guarded import GuardedState, GuardedStation
from qsyd_rules.notice import Notice, StationStopped, Warned
from qsyd_rules.readings import Readings

Value = TypeVar("Value")

STOP_WITHIN_S = 5.0
"""How long the devices have to take the safe state when the daemon stops."""
LATE_US = 500_000
"""How late the core may be woken and still count as on time, in microseconds."""
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

    def __init__(
        self, core: GuardedStation, wires: Wires, store: Store, directory: Path, log: FilteringBoundLogger
    ) -> None:
        self.core = core
        self.store = store
        self.state: GuardedState = core.initial(store.presets(), monotonic_us(), store.last_intent_id + 1)
        self.directory = directory
        self.crash: Exception | None = None
        self.crashed = asyncio.Event()
        self.watchers: list[Callable[[], None]] = []
        """Called after each event has been worked through."""
        self._wires = wires
        self._log = log
        self._loop = asyncio.get_running_loop()
        self._guard = Guard(self.fail)
        self._inbox: deque[Event] = deque()
        self._working = False
        self.telling = Telling(wires.notices, wires.listeners, store, self._guard)
        self._alarm = Alarm(lambda: self.core.wake_at_us(self.state), self._rehearse, self._deadline_reached)
        self._minute_timer: asyncio.TimerHandle | None = None
        self._tasks: set[asyncio.Task[Any]] = set()
        self.requests = Requests(self)
        self.presets = PresetKeeper(self)
        self._carriers = _carriers(wires.devices)
        self.experience = Experience(core.atlas.station, store, self.warn, monotonic_us())

    def take_over(
        self,
        core: GuardedStation,
        devices: Mapping[str, DeviceOutput],
        notices: Mapping[str, NoticeOutput],
        read_rig: Mapping[str, Callable[[], None]],
        event: Reloaded,
    ) -> None:
        """Go on with another station, whose first event this is. Not from within what an event has led to."""
        assert not self._working, "one station at a time"
        self.core = core
        self._wires = replace(self._wires, devices=devices, notices=notices, read_rig=read_rig)
        self._carriers = _carriers(devices)
        self.telling.take_over(notices)
        self.experience.take_over(core.atlas.station)
        self.tell(event)

    # What happens, in

    def start(self, file_sha256: str | None = None) -> None:
        """Tell the core that the daemon is up: the safe state goes out first of all. The digest is the station file's."""
        self.tell(Started(monotonic_us(), _minute_now(), file_sha256))
        lockout = read_lockout(self.directory)
        if lockout is not None:
            self.tell(LockoutChanged(monotonic_us(), lockout))
        for intent in self.store.open_intents():
            self.warn("interrupted", f"the last run ended within {intent.text_json}; everything is set anew")
            self.store.close_intent(intent.intent_id, "unknown: the daemon ended within it")
        self._watch_minutes()

    def rig_read(self, rig: str, reading: RigReading, at_us: int) -> None:
        """A rig told its state."""
        self.tell(
            RigRead(
                max(at_us, self.state.station.now_us),
                rig,
                reading.frequency_hz,
                reading.transmit_hz,
                reading.split,
                reading.mode,
                reading.keyed,
                reading.asked_at_us,
                reading.key_asked_at_us,
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

    def device_read(self, output: str, readings: Readings) -> None:
        """A device told its readings."""
        self.tell(DeviceRead(monotonic_us(), output, readings))

    def key_sensed(self, rig: str, keyed: bool | None) -> None:
        """The sensed key line of a rig says this now; None while it cannot be read."""
        self.tell(KeySensed(monotonic_us(), rig, keyed))

    def loop_stalled(self, at_us: int, stalled_us: int) -> None:
        """The event loop has stood still, and turns again."""
        self._log.warning("the daemon stood still", stalled_ms=stalled_us // 1000)
        self.tell(LoopStalled(at_us, stalled_us))

    async def read_journal(
        self, since_sequence: int, since: str | None, until: str | None, events: list[str] | None, limit: int
    ) -> list[JournalRow]:
        """The newest `limit` rows of the journal that match, oldest first. Raises `StoreError`."""
        return await asyncio.wrap_future(self.store.read_journal(since_sequence, since, events, limit, until))

    async def look_up(self, read: Callable[[sqlite3.Connection], Value], nothing: Value) -> Value:
        """What `read` makes of the journal, on a thread of the store's. Raises `StoreError`, and nothing else."""
        return await asyncio.wrap_future(self.store.look_up(read, nothing))

    def warn(self, code: str, text: str) -> None:
        """Tell of something outside the core that an operator should know."""
        self.report(Warned(code, text))

    def report(self, notice: Notice) -> None:
        """Tell whoever listens of something that was decided outside the core."""
        self.telling.report(notice, monotonic_us())

    def warn_soon(self, code: str, text: str) -> None:
        """The same from another thread."""
        self._loop.call_soon_threadsafe(self.warn, code, text)

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
            self.spawn(self._await_unasked([device.perform(command) for device in self._carriers[command.name]]))
        self.crashed.set()

    # What follows, out

    def _work(self, event: Event) -> None:
        self.state, effects = self.core.step(self.state, event)
        if effects:
            is_acting = False
            for effect in effects:
                if isinstance(effect, SendNoMore):
                    for device in self._wires.devices.values():
                        device.send_no_more(effect.names)
                elif isinstance(effect, Actuate):
                    self._actuate(effect)
                    is_acting = True
            tell = self.telling.later if is_acting else self.telling.in_order
            for effect in effects:
                self._carry_out(effect, event.at_us, tell)
        self.experience.saw(event, self.state.station)
        self._alarm.set()
        for watcher in self.watchers:
            watcher()

    def _carry_out(self, effect: Effect, at_us: int, tell: Callable[[Report | SendText, int], None]) -> None:
        match effect:
            case Actuate() | SendNoMore():
                pass  # those have been done already
            case ReadRig(rig=rig):
                self._wires.read_rig[rig]()
            case RecordIntent():
                self._record(effect)
            case CloseIntent(intent_id=intent_id, outcome=outcome):
                self.store.close_intent(intent_id, outcome)
            case Report() | SendText():
                tell(effect, at_us)
            case Answer():
                self.requests.answered(effect)
            case _:
                assert_never(effect)

    def _actuate(self, effect: Actuate) -> None:
        """The bytes leave within this call wherever a device's link is free; the answers are awaited apart."""
        command = effect.command
        left_us = monotonic_us()
        performing = {
            device.name: self._loop.create_task(device.perform(command)) for device in self._carriers[command.name]
        }
        waiting = set(performing.values())
        ended_us: dict[asyncio.Task[Performed], int] = {}

        def ended(task: asyncio.Task[Performed]) -> None:
            self._task_done(task)
            waiting.discard(task)
            ended_us[task] = monotonic_us()
            if waiting or any(each.cancelled() or each.exception() for each in performing.values()):
                return
            told: list[OutputAnswer] = []
            answered_us = left_us
            for name, each in performing.items():
                done = each.result()
                at_us = ended_us[each] if done.answered_at_us is None else done.answered_at_us
                told.append(OutputAnswer(name, done.result, done.error, at_us - left_us, done.ignored))
                answered_us = max(answered_us, at_us)
            self.tell(CommandFinished(monotonic_us(), effect.command_id, tuple(told), answered_us))

        for task in performing.values():
            self._tasks.add(task)
            task.add_done_callback(ended)

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

    # Time

    def _rehearse(self, at_us: int) -> None:
        """Decide what time will bring, and forget it: what has just been gone through goes faster when it counts."""
        with self._guard:
            self.core.step(self.state, DeadlineReached(at_us))

    def _deadline_reached(self, at_us: int) -> None:
        self.tell(DeadlineReached(at_us))

    def _watch_minutes(self) -> None:
        now = datetime.datetime.now(datetime.UTC)
        minute = now.hour * 60 + now.minute
        if minute != self.state.station.minute:
            self.tell(MinuteTurned(monotonic_us(), minute))
        self.experience.write(monotonic_us())
        left_s = 60 - now.second - now.microsecond / 1e6
        self._minute_timer = self._loop.call_later(min(left_s + 0.001, MINUTE_CHECK_S), self._watch_minutes)

    def is_on_time(self, now_us: int) -> bool:
        """Whether the core gets its turns: nothing waits for it, and it has been woken when it wanted to be."""
        wake_us = self.core.wake_at_us(self.state)
        is_late = wake_us is not None and now_us >= wake_us + LATE_US
        return self.crash is None and not self._inbox and not is_late

    # The end

    async def stop(self) -> None:
        """Leave the station safe: transmit inhibited, amplifier in standby, both answered or given up on."""
        if self.crash is None:
            self.tell(StopRequested(monotonic_us()))
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=STOP_WITHIN_S)
        self._alarm.cancel()
        if self._minute_timer is not None:
            self._minute_timer.cancel()
        for task in self._tasks:
            task.cancel()
        self.requests.close()
        self.experience.write(monotonic_us(), at_once=True)
        self.report(StationStopped())

    def spawn(self, work: Any) -> None:
        """Let this coroutine run beside; what it raises is a fault of our own."""
        task = self._loop.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._task_done)

    def _task_done(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            error = task.exception()
            if isinstance(error, Exception):
                self.fail(error)


def _carriers(devices: Mapping[str, DeviceOutput]) -> dict[CommandName, tuple[DeviceOutput, ...]]:
    return {name: tuple(device for device in devices.values() if name in device.commands) for name in CommandName}


def _minute_now() -> int:
    now = datetime.datetime.now(datetime.UTC)
    return now.hour * 60 + now.minute
