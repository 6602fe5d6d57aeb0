"""Reads the station file again while the station runs, and takes it into force whole or not at all.

Everything is judged beforehand, in threads: the file as `check` does it, its own tests, what can only be set up at the
start. Then the station has to be at rest; a change-over, a key, a tune-up or an unanswered command is waited for. Where
links are exchanged, the station is told to be safe first. What was judged is what comes into force, in one turn of the
loop: the file is not read a second time.
"""

import asyncio
import contextlib
import datetime
from collections.abc import Callable, Sequence
from typing import Any

from structlog.typing import FilteringBoundLogger

from qsyd_daemon.api.files import api_problems
from qsyd_daemon.apparatus import Apparatus, Part
from qsyd_daemon.file_tests import failures
from qsyd_daemon.kept_files import keep_soon
from qsyd_daemon.outputs.permit_line import PermitLine
from qsyd_daemon.reload_outcome import Ending, Outcome, wrong_file
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.service import Service
from qsyd_daemon.station_file.difference import Exchange, differences, exchange, stale_now, untakeable
from qsyd_daemon.station_file.errors import StationFileError
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.station_file.settings import Simulated, StationFile
from qsyd_daemon.tune_up_desk import TuneUpDesk
from qsyd_daemon.ways import Ways
from qsyd_rules.amplifier import Off
from qsyd_rules.event import ExchangeChanged, Reloaded
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.rest import is_told_to_be_safe, waits_for

LOOK_EVERY_S = 0.5
"""How often it is looked at rest, if nothing happens."""
SHOWN_CHANGES = 200
"""So many changes are told at most."""


class ReloadRefusedError(Exception):
    """It cannot be done now, or not without a restart; nothing has changed. `problems` are lines of the file."""

    def __init__(self, text: str, problems: Sequence[str] = ()) -> None:
        super().__init__(text)
        self.problems = tuple(problems)


class Reloader:
    """One station's file. All of it runs on the event loop, one attempt at a time."""

    def __init__(
        self,
        file: StationFile,
        apparatus: Apparatus,
        service: Service,
        desk: TuneUpDesk,
        ways: Ways,
        in_a_line: Callable[[], str],
        log: FilteringBoundLogger,
    ) -> None:
        self.file = file
        """The one in force."""
        self.lease_changed: Callable[[float], None] = lambda lease_s: None
        self.lines_changed: Callable[[Sequence[PermitLine]], None] = lambda lines: None
        self._apparatus = apparatus
        self._service = service
        self._desk = desk
        self._ways = ways
        self._in_a_line = in_a_line
        self._log = log
        self._read_at = _now()
        self._last: tuple[str, Outcome] | None = None
        self._one = asyncio.Lock()
        self._tasks: set[asyncio.Task[Outcome]] = set()

    @property
    def is_simulated(self) -> bool:
        """Whether a rig of this station is simulated."""
        return any(isinstance(link.address, Simulated) for link in self.file.rig_links.values())

    @property
    def is_ok(self) -> bool:
        """Whether the last attempt, if there was one, has not been refused."""
        return self._last is None or self._last[1].ending not in {Ending.REFUSED, Ending.WRONG_FILE}

    @property
    def refused_in_short(self) -> str | None:
        """A few words while the last attempt was refused."""
        return None if self.is_ok or self._last is None else f"reload refused: {self._last[1].in_short}"

    def shown(self) -> dict[str, Any]:
        """Which file is in force, and what has come of the last attempt, as JSON values."""
        last = None
        if self._last is not None:
            at, outcome = self._last
            last = {"at": at, "ok": self.is_ok, "ending": str(outcome.ending), "text": outcome.text}
        return {"path": str(self.file.path), "read_at": self._read_at, "last_reload": last}

    def reload_soon(self) -> None:
        """Read it again once the attempt under way has ended; one that waits for its turn already is enough."""
        if len(self._tasks) < 2:
            self._begin("SIGHUP", only_check=False)

    async def reload(self, operator: str, *, only_check: bool) -> Outcome:
        """Read it again. Goes on to its end although whoever has asked goes away. Raises `ReloadRefusedError`."""
        if self._tasks:
            raise ReloadRefusedError("a reload is under way already")
        return await asyncio.shield(self._begin(operator, only_check=only_check))

    async def close(self) -> None:
        """The daemon ends: what is under way is left."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _begin(self, operator: str, *, only_check: bool) -> "asyncio.Task[Outcome]":
        task = asyncio.get_running_loop().create_task(self._attempt(operator, only_check=only_check))
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: "asyncio.Task[Outcome]") -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if isinstance(error, Exception):
            self._service.fail(error)

    async def _attempt(self, operator: str, *, only_check: bool) -> Outcome:
        async with self._one:
            if not only_check:
                self._ways.notifier.send("RELOADING=1", f"MONOTONIC_USEC={monotonic_us()}")
            try:
                outcome = await self._judge(only_check=only_check)
            except StationFileError as error:
                outcome = wrong_file(error.path, error.problems)
            except ReloadRefusedError as refused:
                outcome = Outcome(Ending.REFUSED, str(refused), problems=refused.problems)
            if not only_check:
                self._tell(outcome, operator)
            return outcome

    def _tell(self, outcome: Outcome, operator: str) -> None:
        self._last = (_now(), outcome)
        if not self.is_ok:
            self._service.warn("reload-refused", f"asked by {operator}: {outcome.text}")
        elif outcome.ending is Ending.UNCHANGED:
            self._log.info("station file read again: nothing has changed", asked_by=operator)
        self._ways.notifier.send("READY=1", f"STATUS={self._in_a_line()}")

    # What may come into force

    async def _judge(self, *, only_check: bool) -> Outcome:
        presets = self._service.store.presets()
        old = self.file
        file, atlas, changed = await self._read(presets)
        shown = changed[:SHOWN_CHANGES]
        if len(changed) > SHOWN_CHANGES:
            shown = (*shown, f"and {len(changed) - SHOWN_CHANGES} more")
        plan = exchange(old, file)
        links = set(self._apparatus.links) | {*self._apparatus.notices}
        untouched = tuple(sorted(name for name in links if not _belongs_to(name, plan)))
        refused = [
            "{}:{}:{}: {}; restart the daemon for that".format(file.path, *file.places.get(key, (1, 1)), why)
            for key, why in untakeable(old, file)
        ]
        if refused:
            raise ReloadRefusedError("nothing was changed, for some of it takes a restart of the daemon", refused)
        if not changed:
            if not only_check:
                self.file, self._read_at = file, _now()
            return Outcome(Ending.UNCHANGED, "nothing has changed", untouched=untouched)
        self._refuse_to_strand(file)
        warnings = tuple(warning.printed(file.path) for warning in file.warnings)
        if only_check:
            return Outcome(Ending.CHECKED, "this would change", shown, plan.names, untouched, warnings)
        await self._take(file, atlas, plan, shown)
        return Outcome(Ending.RELOADED, "the station file is in force", shown, plan.names, untouched, warnings)

    async def _read(self, presets: Presets) -> tuple[StationFile, Atlas, tuple[str, ...]]:
        """In a thread. Raises `StationFileError`; whatever else goes wrong is no reason to end a running station."""
        try:
            return await asyncio.to_thread(self._read_and_judge, presets)
        except StationFileError:
            raise
        except Exception as error:
            self._log.exception("fault in qsyd itself, at reading a station file")
            raise ReloadRefusedError(f"qsyd failed at this file: {type(error).__name__}: {error}") from error

    def _read_and_judge(self, presets: Presets) -> tuple[StationFile, Atlas, tuple[str, ...]]:
        file = load_station(self.file.path)
        problems = list(api_problems(file.api, self._ways.state)) if file.api is not None else []
        atlas = Atlas(file.station)
        problems += failures(file, atlas, presets)
        if problems:
            raise StationFileError(file.path, problems)
        return file, atlas, (*differences(self.file, file), *stale_now(self.file, file, presets))

    def _refuse_to_strand(self, file: StationFile) -> None:
        """An amplifier that is on could not be cooled down any more."""
        if file.station.amplifier is None and not isinstance(self._service.state.station.amplifier, Off):
            raise ReloadRefusedError("the amplifier is taken away while it is on: `qsyd amplifier off` first")

    # Into force

    async def _take(self, file: StationFile, atlas: Atlas, plan: Exchange, changed: tuple[str, ...]) -> None:
        service = self._service
        until_s = asyncio.get_running_loop().time() + self._ways.rest_within_s
        await self._rest(until_s, safe=False)
        if plan.has_links:
            service.tell(ExchangeChanged(monotonic_us(), f"links are exchanged: {', '.join(plan.names)}"))
        try:
            await self._rest(until_s, safe=plan.has_links)
            self._refuse_to_strand(file)
            made = self._switch(file, atlas, plan, changed)
        except BaseException:
            if plan.has_links and service.state.station.exchanging is not None:
                service.tell(ExchangeChanged(monotonic_us(), None))
            raise
        keep_soon(self._ways.state, file.path, file.sha256, self._log.warning)
        await self._apparatus.close_left(notices=False)  # first of all, for another may want the same port
        self._apparatus.start(made)
        await self._apparatus.close_left()

    def _switch(self, file: StationFile, atlas: Atlas, plan: Exchange, changed: tuple[str, ...]) -> list[Part]:
        """In one turn of the loop: other parts, another core, and its first event; the parts that are to be started."""
        apparatus, service = self._apparatus, self._service
        before, wired = self.file.station, service.core.wiring
        apparatus.take_out(plan.rigs, plan.devices | plan.notices)
        made = [
            apparatus.add_output(output) for output in file.outputs if output.name in plan.devices | plan.notices
        ]  # fmt: skip
        made += [apparatus.add_rig(name, link) for name, link in file.rig_links.items() if name in plan.rigs]
        apparatus.in_order(file)
        core = GuardedStation(atlas, apparatus.wiring(file))
        event = Reloaded(
            monotonic_us(), before, wired, plan.devices, plan.others, plan.rigs, changed, plan.names, file.sha256
        )  # fmt: skip
        self.file, self._read_at = file, _now()
        self._desk.key_down_us = file.tune_key_down_us
        self._desk.set_dial = apparatus.dial_of(core.followed)
        if file.api is not None:
            self.lease_changed(file.api.lease_us / 1e6)
        self.lines_changed(apparatus.permit_lines)
        service.take_over(core, apparatus.devices, apparatus.notices, apparatus.read_rig, event)
        service.presets.adopt_edges()
        return made

    async def _rest(self, until_s: float, *, safe: bool) -> None:
        """Wait for rest, and `safe` for the safe state too; no turn of the loop comes between that and the return.

        Raises `ReloadRefusedError`.
        """
        loop, woken = asyncio.get_running_loop(), asyncio.Event()
        self._service.watchers.append(woken.set)
        try:
            while (waits := self._waits(safe=safe)) is not None:
                left_s = until_s - loop.time()
                if left_s <= 0:
                    within_s = self._ways.rest_within_s
                    raise ReloadRefusedError(f"it has waited {within_s:g} s in vain for {waits}; nothing was changed")
                woken.clear()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(min(left_s, LOOK_EVERY_S)):
                        await woken.wait()
        finally:
            self._service.watchers.remove(woken.set)

    def _waits(self, *, safe: bool) -> str | None:
        service = self._service
        core, state = service.core, service.state.station
        if service.crash is not None or state.stopping:
            raise ReloadRefusedError("the daemon is stopping")
        if self._desk.is_under_way:
            return "the tune-up to end"
        waits = waits_for(core, state, monotonic_us())
        if waits is None and safe and not is_told_to_be_safe(core, state):
            return "the station to be safe"
        return waits


def _belongs_to(link: str, plan: Exchange) -> bool:
    """Whether a link or an output is exchanged, by its name."""
    rigs = {f"{before}{name}" for name in plan.rigs for before in ("rig ", "key sense of rig ")}
    return link in rigs | plan.devices | plan.notices


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
