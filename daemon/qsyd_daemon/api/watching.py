"""The routes that only tell: GET never acts."""

import asyncio
import datetime
import sqlite3
from pathlib import Path
from typing import Any, TypeAlias

from aiohttp import web
from pydantic import Field

from qsyd_daemon import __version__
from qsyd_daemon.api.caller import CHALLENGE
from qsyd_daemon.api.metrics import CONTENT_TYPE, Measured, exposition
from qsyd_daemon.api.problem import ProblemError
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.route import JSON, Call, Query, json_answer
from qsyd_daemon.api.station_view import StationView
from qsyd_daemon.api.tap import tap
from qsyd_daemon.api.why import antennas, just_now
from qsyd_daemon.asking_past import Asked, NotJournalledError, look_up
from qsyd_daemon.event_words import in_words
from qsyd_daemon.explanation import Question, explain
from qsyd_daemon.moment import MomentError, bounds
from qsyd_daemon.past import Book, explain_past
from qsyd_daemon.past_book import book_for
from qsyd_daemon.preset_table import preset_to_json
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.store.journal_database import JournalRow
from qsyd_daemon.store.journal_past import JournalPast
from qsyd_daemon.worksheet import rows_to_json, worksheet
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets
from qsyd_rules.quantity import QuantityError, frequency_hz, minute_of_day
from qsyd_rules.words import Mode

HISTORY_MAX = 10_000
JUST_NOW_ROWS = 200
DECISIONS = frozenset(
    {
        *("placed", "change-over-finished", "transmit-inhibited", "transmit-released", "amplifier", "preset-missing"),
        *("fault", "fault-acknowledged", "warning", "hold-started", "hold-ended"),
        *("link-up", "link-lost", "output-failed", "output-recovered", "reloaded", "station-started", "tune-up"),
    }
)
"""Events that say what was decided or what is wrong; the rest is how it was carried out."""
_Found: TypeAlias = JournalPast | MomentError | NotJournalledError


class ExplainQuery(Query):
    frequency: str | None = Field(None, max_length=40, description="such as `14.205 MHz`; default: where it is now")
    mode: Mode | None = None
    rig: str | None = Field(None, max_length=64)
    at: str | None = Field(None, max_length=5, description="HH:MM, UTC")
    when: str | None = Field(
        None, max_length=40, description="instead: what was in force then, as `02:14`; needs a token"
    )
    event: int | None = Field(None, ge=1, le=2**62, description="instead: what was in force after this row; likewise")


class HistoryQuery(Query):
    since: str | None = Field(None, max_length=40, description="`02:10`, a time (RFC 3339), or how long ago: `15 min`")
    until: str | None = Field(None, max_length=40, description="likewise")
    event: str | None = Field(None, max_length=500, description="names of events, separated by commas")
    after: int = Field(0, ge=0, le=2**62, description="only rows after this sequence number")
    limit: int = Field(1_000, ge=1, le=HISTORY_MAX, description="the newest so many")


class DecisionsQuery(Query):
    limit: int = Field(30, ge=1, le=200, description="the newest so many")


class TapQuery(Query):
    link: str = Field(max_length=100, description="as status names it, such as `rig main`, or an output")


class Watching:
    """Handlers that look at one station."""

    def __init__(self, view: StationView) -> None:
        self._view = view
        self._service = view.service

    async def status(self, call: Call) -> web.StreamResponse:
        return json_answer(self._view.status())

    async def version(self, call: Call) -> web.StreamResponse:
        return json_answer({"version": __version__, "api": 1, "station": self._service.core.atlas.station.name})

    async def caller(self, call: Call) -> web.StreamResponse:
        return json_answer({"name": call.caller.operator, "role": call.caller.role.word})

    async def decisions(self, call: Call) -> web.StreamResponse:
        newest = self._view.ring.newest(DECISIONS, call.as_(DecisionsQuery).limit)
        told = [{"time": each["time"], "event": each["event"], "words": in_words(each)} for each in newest]
        return json_answer({"decisions": told})

    async def health(self, call: Call) -> web.StreamResponse:
        """200 while the core gets its turns; absent hardware is a value, not ill health."""
        if not self._service.is_on_time(monotonic_us()):
            raise ProblemError(503, "the station's core does not get its turns")
        return json_answer({"healthy": True})

    async def metrics(self, call: Call, streams: int, connections: int) -> web.StreamResponse:
        view, station = self._view, self._service.core.atlas.station
        measured = Measured(
            version=__version__,
            status=view.status(),
            antennas=tuple(antenna.name for antenna in station.antennas),
            links=view.links(),
            poll_errors=view.poll_errors(),
            queued=view.queued(),
            dropped_events=self._service.store.dropped_events,
            loop_lag_s=view.loop_lag_s(),
            reload_ok=view.reloader.is_ok,
            streams=streams,
            connections=connections,
            counters=view.counters,
        )
        return web.Response(body=exposition(measured).encode(), headers={"Content-Type": CONTENT_TYPE})

    async def plan(self, call: Call) -> web.StreamResponse:
        rows = worksheet(self._service.core.atlas, self._service.store.presets(), self._service.experience.marks)
        return json_answer({"rows": rows_to_json(rows)})

    async def tube(self, call: Call) -> web.StreamResponse:
        return json_answer(self._service.experience.tube_to_json(monotonic_us()))

    async def tune(self, call: Call) -> web.StreamResponse:
        return json_answer({"tune_up": self._view.desk.shown()})

    async def tap(self, call: Call) -> web.StreamResponse:
        view = self._view
        return await tap(call, call.as_(TapQuery).link, view.kept_links, lambda: view.ring.closed)

    async def presets(self, call: Call) -> web.StreamResponse:
        presets = self._service.store.presets()
        return json_answer({"presets": [preset_to_json(presets[key]) for key in sorted(presets)]})

    async def explain(self, call: Call) -> web.StreamResponse:
        asked = call.as_(ExplainQuery)
        if asked.when is not None or asked.event is not None:
            return await self._explain_past(call, asked)
        core, state = self._service.core, self._service.state.station
        rig = asked.rig or core.followed
        if rig not in state.rigs:
            raise ProblemError(404, f"there is no rig {rig}; this station has {', '.join(state.rigs)}")
        known = state.rigs[rig]
        try:
            minute = state.minute if asked.at is None else minute_of_day(asked.at)
            hertz = known.transmit_hz if asked.frequency is None else frequency_hz(asked.frequency)
        except QuantityError as error:
            raise ProblemError(400, str(error)) from None
        if hertz is None:
            raise ProblemError(409, f"rig {rig} has not told where it would transmit; name a frequency")
        mode = asked.mode if asked.mode is not None or asked.frequency is not None else known.mode
        held = state.hold.antenna if state.hold is not None and rig == core.followed else None
        question = Question(hertz, mode, rig, minute, held)
        presets = self._service.store.presets()
        answer = await asyncio.to_thread(_explained, core.atlas, question, presets)  # every rule is gone through
        answer["just_now"] = None
        if asked.frequency is None and call.caller.role >= Role.WATCH:
            rows = await self._service.read_journal(1, None, None, None, JUST_NOW_ROWS)
            answer["just_now"] = just_now(rows)
        return json_answer(answer)

    async def _explain_past(self, call: Call, asked: ExplainQuery) -> web.StreamResponse:
        """The journal is for those with a token, whatever road leads to it."""
        if call.caller.role < Role.WATCH:
            raise ProblemError(401, f"what has been needs a token to {Role.WATCH.word}", CHALLENGE)
        if asked.model_fields_set not in ({"when"}, {"event"}):
            raise ProblemError(400, "`when` or `event` stand alone: the journal knows the rest")
        now, told = datetime.datetime.now(datetime.UTC), list[str]()
        question = Asked(asked.when, asked.event)

        def look(journal: sqlite3.Connection) -> _Found:
            try:
                return look_up(journal, question, now, told.append)
            except (MomentError, NotJournalledError) as error:
                return error  # the store's thread passes on no errors but its own

        nothing: _Found = NotJournalledError("there is no journal yet")
        past = await self._service.look_up(look, nothing)
        if isinstance(past, Exception):
            raise ProblemError(400 if isinstance(past, MomentError) else 404, str(past))
        presets = self._service.store.presets()
        answer = await asyncio.to_thread(_explained_past, past, self._view.book(), self._view.directory, presets)
        return json_answer({"asked": told[0], **answer})

    async def history(self, call: Call) -> web.StreamResponse:
        asked = call.as_(HistoryQuery)
        names = None if asked.event is None else [name.strip() for name in asked.event.split(",") if name.strip()]
        since, until = _bounds(asked.since, asked.until)
        rows = await self._service.read_journal(asked.after + 1, since, until, names, asked.limit)
        return web.Response(body=await asyncio.to_thread(_shown, rows), content_type=JSON)


def _explained(atlas: Atlas, question: Question, presets: Presets) -> dict[str, Any]:
    situation = question.situation()
    return explain(atlas, question, presets) | {"antennas": antennas(atlas, atlas.place(situation, presets), situation)}


def _explained_past(past: JournalPast, now: Book, directory: Path, presets: Presets) -> dict[str, Any]:
    return explain_past(past, book_for(past, now, directory), presets, now.sha256)


def _shown(rows: list[JournalRow]) -> bytes:
    """The rows as JSON: each is an object already, and only gets its number."""
    events = ",".join(f'{{"sequence":{row.sequence},{row.text_json[1:]}' for row in rows)
    return f'{{"rows":[{events}]}}'.encode()


def _bounds(since: str | None, until: str | None) -> tuple[str | None, str | None]:
    """From when to when, as the journal writes times. Raises `ProblemError`."""
    try:
        return bounds(since, until, datetime.datetime.now(datetime.UTC))
    except MomentError as error:
        raise ProblemError(400, str(error)) from None
