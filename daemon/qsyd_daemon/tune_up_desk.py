"""Where a tune-up meets the station: it sees what every event leads to, and its wishes go to the core like anybody's."""

import asyncio
import datetime
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any, assert_never

from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.service import Service
from qsyd_daemon.store.errors import StoreError
from qsyd_rules.event import OperatorAsked, TuningChanged
from qsyd_rules.notice import TuneUpMoved
from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.station import Station
from qsyd_rules.tune_plan import lacking, plan_tune_up, tunable
from qsyd_rules.tune_sight import Sight, sight_of
from qsyd_rules.tune_up import Ask, ChangeTuning, Save, SetDial, TuneAct, TuneStep, TuneUp, TuneWord
from qsyd_rules.tune_up_key import asked_of
from qsyd_rules.tune_up_steps import TuneRefusedError, begin, dial_refused, give, left_us, look, saved, say, wake_at_us

CAUTIONS = (
    "Plate voltage kills, and RF burns: covers stay on, hands stay out, interlocks stay as they are.",
    "Nobody near the antenna while you transmit: the licensee answers for exposure (47 CFR 97.13(c), or local code).",
    "Use a dummy load or a clear frequency, identify as your licence asks, and key no longer than you are told.",
    "qsyd supervises; it does not replace the amplifier's own protection. Its documents and local code win.",
)
"""Shown before the first step. Common practice, no source."""

Moved = tuple[TuneUp, tuple[TuneAct, ...]]


class TuneUpDesk:
    """One tune-up at a time, on the event loop. It outlives the client that began it, and ends by itself when idle."""

    def __init__(self, service: Service, key_down_us: int, set_dial: Callable[[int], str | None] | None = None) -> None:
        """`set_dial` sets the followed rig's transmit frequency, or says why not; None where that is not allowed."""
        self._service = service
        self.key_down_us = key_down_us
        """Longest key-down of one step, for tune-ups that begin from now on."""
        self.set_dial = set_dial
        self._it: TuneUp | None = None
        self._operator = ""
        self._timer: asyncio.TimerHandle | None = None
        self._told: tuple[TuneStep, int, int] | None = None
        self._acting = False
        self._moves: deque[Moved] = deque()
        self._storing: set[asyncio.Task[None]] = set()
        service.watchers.append(self.look)

    @property
    def is_under_way(self) -> bool:
        """Whether a tune-up has begun and not ended."""
        return self._it is not None and not self._it.is_over

    def begin(self, antenna: str | None, segment: str | None, *, everything: bool, operator: str) -> None:
        """Begin with what is missing or stale, or with everything. Raises `TuneRefusedError`."""
        if self._it is not None and not self._it.is_over:
            raise TuneRefusedError("a tune-up is under way: `stop` it first, or go on with it")
        core = self._service.core
        presets = self._service.state.station.presets
        marked = self._service.experience.marks
        known = {key for key, _ in tunable(core.atlas)}
        chosen = list(dict(tunable(core.atlas))) if everything or segment else lacking(core.atlas, presets, marked)
        if antenna is not None and all(antenna != name for name, _ in known):
            raise TuneRefusedError(_why_none_on(core.atlas.station, antenna))
        if segment is not None and all(segment != name for _, name in known):
            served = list(dict.fromkeys(name for (_, name), _ in tunable(core.atlas)))
            raise TuneRefusedError(f"the amplifier serves no segment {segment!r}; it serves {', '.join(served)}")
        chosen = [key for key in chosen if antenna in {None, key[0]} and segment in {None, key[1]}]
        try:
            plan = plan_tune_up(
                core.atlas,
                core.wiring,
                presets,
                chosen,
                key_down_us=self.key_down_us,
                sets_dial=self.set_dial is not None,
                minute=self._service.state.station.minute,
                held=self._service.state.station.hold,
            )
        except ValueError as error:
            raise TuneRefusedError(str(error)) from None
        self._operator, self._told = operator, None
        self._carry_out(begin(plan, self._sight()))

    def say(self, word: TuneWord) -> None:
        """An operator says something. Raises `TuneRefusedError`."""
        self._carry_out(say(self._under_way(), word, self._sight()))

    def give(self, numbers: Readings, matching: tuple[int, ...] | None = None) -> None:
        """The numbers that an operator read off, or where the matching unit is to stand. Raises `TuneRefusedError`."""
        self._carry_out(give(self._under_way(), numbers, self._sight(), matching))

    def look(self) -> None:
        """Something has happened to the station."""
        if self._it is not None and not self._it.is_over and not self._acting:
            self._carry_out(look(self._it, self._sight()))

    def shown(self) -> dict[str, Any] | None:
        """The tune-up as JSON values; None where there has been none."""
        it = self._it
        if it is None:
            return None
        place = it.place
        return {
            "step": str(it.step),
            "text": it.text,
            "antenna": place.antenna if place is not None else None,
            "segment": place.segment.name if place is not None else None,
            "centre_hz": place.segment.centre_hz if place is not None else None,
            "dial_hz": place.dial_hz if place is not None else None,
            "drive_w": it.drive_w,
            "start": place.start_from if place is not None else None,
            "matching": list(it.matching) if it.matching is not None else None,
            "numbers": asked_of(it) if it.step in {TuneStep.NUMBERS, TuneStep.MATCHING} else [],
            "done": len(it.outcomes),
            "saved": it.saved,
            "left_out": list(it.plan.left_out),
            "of": len(it.plan.places),
            "left_s": 0.0 if it.is_over else round(left_us(it, monotonic_us()) / 1e6),
            "operator": self._operator,
            "cautions": list(CAUTIONS),
        }

    def close(self) -> None:
        """The daemon ends."""
        if self._timer is not None:
            self._timer.cancel()
        for task in self._storing:
            task.cancel()

    def _under_way(self) -> TuneUp:
        if self._it is None or self._it.is_over:
            raise TuneRefusedError("no tune-up is under way; `qsyd tune` begins one")
        return self._it

    def _sight(self) -> Sight:
        service = self._service
        return sight_of(service.core, service.state.station, max(monotonic_us(), service.state.station.now_us))

    def _carry_out(self, moved: Moved) -> None:
        """Do what it wants, in order, then look again: what was asked may be answered already."""
        self._moves.append(moved)
        if self._acting:
            return
        self._acting = True
        try:
            while self._moves:
                self._it, acts = self._moves.popleft()
                self._tell()
                for act in acts:
                    self._do(act)
                if acts and not self._it.is_over:
                    self._moves.append(look(self._it, self._sight()))
        finally:
            self._acting = False
        self._arm()

    def _do(self, act: TuneAct) -> None:
        match act:
            case ChangeTuning(tuning=tuning):
                self._service.tell(TuningChanged(monotonic_us(), tuning))
            case Ask(request=request):
                self._service.tell(OperatorAsked(monotonic_us(), 0, request, self._operator))
            case Save(preset=preset):
                task = asyncio.get_running_loop().create_task(self._store(preset))
                self._storing.add(task)
                task.add_done_callback(self._storing.discard)
            case SetDial(frequency_hz=frequency_hz):
                refusal = "it is not allowed" if self.set_dial is None else self.set_dial(frequency_hz)
                if refusal is not None:
                    asyncio.get_running_loop().call_soon(self._dial_refused, refusal)
            case _:
                assert_never(act)

    def _dial_refused(self, why: str) -> None:
        if self._it is not None and not self._it.is_over:
            self._carry_out(dial_refused(self._it, why, self._sight()))

    async def _store(self, preset: Preset) -> None:
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        made = replace(preset, saved_at=now)
        error = None
        try:
            await self._service.presets.save([made])
        except StoreError as failed:
            error = str(failed)
        if self._it is not None and not self._it.is_over:
            self._carry_out(saved(self._it, made, error, self._sight()))

    def _tell(self) -> None:
        it = self._it
        if it is None or (it.step, it.index, it.level) == self._told:
            return
        self._told = (it.step, it.index, it.level)
        place = it.place
        self._service.report(
            TuneUpMoved(
                step=str(it.step),
                text=it.text,
                antenna=place.antenna if place is not None else None,
                segment=place.segment.name if place is not None else None,
                drive_w=it.drive_w,
                saved=it.saved,
                done=len(it.outcomes),
                of=len(it.plan.places),
            )
        )
        self._service.store.journal_now()  # after a crash it tells where the tune-up was

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        wake_us = wake_at_us(self._it) if self._it is not None else None
        if wake_us is not None:
            wait_s = max(0.001, (wake_us - monotonic_us()) / 1e6 + 0.001)
            self._timer = asyncio.get_running_loop().call_later(wait_s, self.look)


def _why_none_on(station: Station, name: str) -> str:
    """Why there is nothing to tune on this antenna."""
    antenna, amplifier = next((each for each in station.antennas if each.name == name), None), station.amplifier
    if antenna is None:
        return f"there is no antenna {name!r}; this station has {', '.join(each.name for each in station.antennas)}"
    if amplifier is not None and antenna.max_power_w is not None and antenna.max_power_w < amplifier.output_w:
        return (
            f"{name} bears {antenna.max_power_w} W and the amplifier gives {amplifier.output_w} W: it is used barefoot, "
            "so there is nothing to tune on it"
        )
    return f"the amplifier serves no segment on an antenna {name!r}: they have no band in common"
