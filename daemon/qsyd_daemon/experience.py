"""What the station learns from being used: the tube's account, and which presets no longer fit.

Fed with every event and the state it led to; everything here returns at once. What has to last goes to the store.
"""

import asyncio
import datetime
import time
from collections.abc import Callable
from concurrent.futures import Future
from math import log10
from typing import Any

from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.store import Store
from qsyd_rules.actuator import Resting, Settling
from qsyd_rules.ageing_cause import found
from qsyd_rules.amplifier import CoolDown, Hot, Line, SwitchingOff, WarmUp
from qsyd_rules.event import DeviceRead, Event, PresetsChanged
from qsyd_rules.over import Over, OverSoFar
from qsyd_rules.preset_ageing import Watch, kept, noted
from qsyd_rules.state import StationState
from qsyd_rules.station import AmplifierLimits, Station
from qsyd_rules.tube_account import FULL_PART, IDLE, OldTube, TubeAccount, Use, joined, over_ended, passed

WRITE_EVERY_S = 35.0
"""The account is written when it is this old; looked at every 20 s, so a crash loses under a minute."""


class Experience:
    """The memory of one station's use. `warn` is told, once, of a preset that no longer fits."""

    def __init__(
        self,
        station: Station,
        store: Store,
        warn: Callable[[str, str], None],
        now_us: int,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        """`now_us` is the monotonic clock of the events, `now_s` reads the time of day: seconds since 1970, UTC."""
        self.take_over(station)
        self._store = store
        self._warn = warn
        self._now_s = now_s
        self.account = store.tube()
        self.marks = dict(store.marks())
        self._watch = Watch()
        self._use = IDLE
        self._since_us = now_us
        self._over: OverSoFar | None = None
        self._written = self.account
        self._written_s = time.monotonic()
        self._writing: tuple[Future[None], TubeAccount] | None = None
        self._retiring = False

    def take_over(self, station: Station) -> None:
        """What is learnt from here on is of this station; what was learnt before stays."""
        amplifier = station.amplifier
        self._followed = station.followed
        self._floor_w = (amplifier.limits if amplifier is not None else AmplifierLimits()).forward_floor_w
        self._full_w = FULL_PART * amplifier.output_w if amplifier is not None else 0.0

    def saw(self, event: Event, state: StationState) -> None:
        """Take in what an event has led to."""
        use = use_of(state)
        if use != self._use:
            self._pass_time(event.at_us)
            was_over, is_over = self._use.in_operate and self._use.keyed, use.in_operate and use.keyed
            self._use = use
            if was_over and not is_over:
                self._over_ended(state)
            elif is_over and not was_over:
                place = _place(state)
                self._over = OverSoFar(*place, state.rigs[self._followed].mode) if place is not None else None
        if isinstance(event, DeviceRead) and self._over is not None:
            if _place(state) != (self._over.antenna, self._over.segment):
                self._over = None  # it belongs to no one place any more
            else:
                self._over = self._over.with_sample(event.readings, self._floor_w)
        elif isinstance(event, PresetsChanged):
            gone = [key for key in self.marks if key not in event.presets]
            self.marks = kept(self.marks, [*event.saved, *gone])

    def write(self, now_us: int, *, at_once: bool = False) -> None:
        """Write the account, where it has changed and is due; one writing at a time, the store may be slow."""
        self._pass_time(now_us)
        due = at_once or time.monotonic() - self._written_s >= WRITE_EVERY_S
        if self._writing is not None:
            future, account = self._writing
            if not future.done() and not at_once:
                return
            if future.done() and future.exception() is None:  # else the store has told, and it is written again
                self._written = account
        if self.account != self._written and due and not self._retiring:
            self._written_s = time.monotonic()
            self._writing = self._store.save_tube(self.account), self.account

    def new_tube(self, operator: str, reason: str, now_us: int) -> "asyncio.Future[OldTube]":
        """Another tube is in the amplifier: the account of the old one is kept, durably, and begins anew.

        How presets fare is compared anew too: a mean over two tubes says nothing. The future ends with the old tube, or
        with `StoreError`, and then the account goes on as it was. Whoever waits for it may not cancel it: shield it.
        """
        self._pass_time(now_us)
        old = OldTube(_stamped(self._now_s()), operator, reason, self.account)
        done: asyncio.Future[OldTube] = asyncio.get_running_loop().create_future()
        if self._retiring:
            done.set_exception(StoreError("the account of a new tube is being begun already"))
            return done
        self.account, self._retiring = TubeAccount(), True

        def retired(writing: asyncio.Future[None]) -> None:
            self._retiring = False
            error = writing.exception()
            if error is not None:
                self.account = joined(old.account, self.account)
                done.set_exception(error)
                return
            self._written, self._writing, self._watch, self._over = TubeAccount(), None, Watch(), None
            done.set_result(old)

        asyncio.wrap_future(self._store.retire_tube(old)).add_done_callback(retired)
        return done

    def tube_to_json(self, now_us: int) -> dict[str, Any]:
        """The account as JSON values, up to this moment; days with an over, the oldest first."""
        self._pass_time(now_us)
        earlier = [
            {"ended_at": old.ended_at, "operator": old.operator, "reason": old.reason, **_account_to_json(old.account)}
            for old in self._store.old_tubes()
        ]
        return {**_account_to_json(self.account), "earlier": earlier}

    def marks_to_json(self) -> list[dict[str, Any]]:
        """The presets that no longer fit, and why."""
        return [
            {
                "antenna": mark.antenna,
                "segment": mark.segment,
                "cause": str(mark.cause),
                "text": mark.text,
                "since": mark.since,
            }
            for _, mark in sorted(self.marks.items())
        ]

    def _pass_time(self, now_us: int) -> None:
        self.account = passed(self.account, self._use, now_us - self._since_us)
        self._since_us = max(self._since_us, now_us)

    def _over_ended(self, state: StationState) -> None:
        now_s = self._now_s()
        over = self._over.ended(now_s) if self._over is not None else None
        self._over = None
        date = datetime.datetime.fromtimestamp(now_s, datetime.UTC).date().isoformat()
        self.account = over_ended(self.account, date, self._gain_db(over))
        if over is not None:
            self._compare(over, state)

    def _gain_db(self, over: Over | None) -> float | None:
        """Gain of an over at about full output."""
        if over is None or not over.drive_w or over.forward_w < self._full_w:
            return None
        return 10 * log10(over.forward_w / over.drive_w)

    def _compare(self, over: Over, state: StationState) -> None:
        key = (over.antenna, over.segment)
        target = state.target
        preset = target.preset if target is not None and _place(state) == key else None
        self._watch = noted(self._watch, over, preset)
        finding = found(self._watch, key, state.presets, self.marks)
        if finding is None:
            return
        self.marks[key] = finding.mark
        self._store.mark_presets([finding.mark])
        if finding.is_new:
            self._warn("preset-drift", finding.mark.text)


def use_of(state: StationState) -> Use:
    """What the tube is doing, as far as the core knows. It stays heated through the cool-down."""
    line = state.line
    return Use(
        heater_on=isinstance(state.amplifier, WarmUp | Hot | CoolDown | SwitchingOff),
        in_operate=isinstance(line, Settling | Resting) and line.value is Line.OPERATE,
        keyed=state.keyed_since_us is not None,
    )


def _place(state: StationState) -> tuple[str, str] | None:
    target = state.target
    if target is None or target.antenna is None or target.segment is None:
        return None
    return target.antenna.name, target.segment.name


def _account_to_json(account: TubeAccount) -> dict[str, Any]:
    return {
        "heater_s": account.heater_us // 1_000_000,
        "operate_s": account.operate_us // 1_000_000,
        "key_down_s": account.key_down_us // 1_000_000,
        "overs": account.overs,
        "days": [
            {
                "date": day.date,
                "overs": day.overs,
                "gain_db": None if day.gain_db is None else round(day.gain_db, 2),
                "gain_overs": day.gain_overs,
            }
            for day in account.days
        ],
    }


def _stamped(now_s: float) -> str:
    shown = datetime.datetime.fromtimestamp(now_s, datetime.UTC)
    return shown.isoformat(timespec="seconds").replace("+00:00", "Z")
