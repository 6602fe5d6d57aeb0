"""The routes that ask something of the station; what is asked goes through the core, like anything else."""

import datetime

from aiohttp import web
from pydantic import Field

from qsyd_daemon.api.lease import Leases
from qsyd_daemon.api.problem import ProblemError
from qsyd_daemon.api.route import Body, Call, json_answer
from qsyd_daemon.api.station_view import StationView
from qsyd_daemon.preset_table import PresetTableError, preset_from_json, preset_to_json
from qsyd_daemon.reload_outcome import Ending
from qsyd_daemon.reloader import ReloadRefusedError
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.told_numbers import numbers_of
from qsyd_rules.effect import Answer
from qsyd_rules.event import AmplifierRequest, Hold
from qsyd_rules.preset import Preset
from qsyd_rules.quantity import QuantityError, duration_us
from qsyd_rules.tune_up import TuneWord
from qsyd_rules.tune_up_key import NUMBERS
from qsyd_rules.tune_up_steps import TuneRefusedError

HOLD_MAX_S = 24 * 3600


class AmplifierBody(Body):
    request: str = Field(max_length=40, json_schema_extra={"enum": [str(each) for each in AmplifierRequest]})


class AcknowledgeBody(Body):
    number: int | None = Field(None, ge=0, le=2**62, description="the fault; default: the one that stands")
    reason: str | None = Field(None, max_length=1000)


class LockoutBody(Body):
    on: bool
    reason: str | None = Field(None, max_length=1000)
    name: str | None = Field(None, max_length=200)


class HoldBody(Body):
    antenna: str | None = Field(None, max_length=64, description="null ends the hold")
    for_: str | None = Field(None, alias="for", max_length=40, description="how long, such as `30 min`")
    reason: str | None = Field(None, max_length=1000)


class LeaseBody(Body):
    lease: str | None = Field(None, max_length=64, description="the one to renew or end; null begins one")
    end: bool = False


class TubeBody(Body):
    reason: str = Field(max_length=1000, description="why another tube is in the amplifier now")


class TuneBody(Body):
    say: str = Field(max_length=40, json_schema_extra={"enum": ["begin", "numbers", *map(str, TuneWord)]})
    antenna: str | None = Field(None, max_length=64, description="with begin: only this antenna")
    segment: str | None = Field(None, max_length=64, description="with begin: only this segment, whatever is stored")
    everything: bool = Field(False, description="with begin: also segments that have a preset")
    numbers: dict[str, float | list[float]] | None = Field(
        None, description=f"with numbers: any of {', '.join(NUMBERS)}; matching as a list"
    )


class PresetsBody(Body):
    presets: list[dict[str, object]] = Field(max_length=100_000)


class PresetNameBody(Body):
    antenna: str = Field(max_length=64)
    segment: str = Field(max_length=64)


class SendBody(Body):
    output: str = Field(max_length=64)
    text: str = Field(max_length=1000)


class ReloadBody(Body):
    check: bool = Field(False, description="only say what would change")


class Acting:
    """Handlers that act on one station."""

    def __init__(self, view: StationView) -> None:
        self._service = view.service
        self._desk = view.desk
        self._reloader = view.reloader
        self.leases = Leases(view.lease_s, self._lease_lost)

    async def amplifier(self, call: Call) -> web.StreamResponse:
        word = call.as_(AmplifierBody).request
        if word not in list(AmplifierRequest):
            raise ProblemError(400, f"the amplifier may be asked for {', '.join(AmplifierRequest)}")
        return _answered(await self._service.requests.ask(AmplifierRequest(word), call.caller.operator))

    async def acknowledge(self, call: Call) -> web.StreamResponse:
        asked = call.as_(AcknowledgeBody)
        reason = words(asked.reason) if asked.reason else None
        return _answered(await self._service.requests.acknowledge(asked.number, call.caller.operator, reason))

    async def lock_out(self, call: Call) -> web.StreamResponse:
        asked = call.as_(LockoutBody)
        if not asked.on:
            if not call.caller.is_local:
                raise ProblemError(403, "a lockout is ended where the work was done: `qsyd lockout off` at the station")
            return json_answer({"text": await self._service.requests.end_lockout()})
        given = asked.name if call.caller.is_local else None  # whoever comes with a token has its name
        reason, name = words(asked.reason or ""), words(given or call.caller.operator)
        if not reason or not name:
            raise ProblemError(400, "a lockout needs a reason and a name, not empty ones")
        return json_answer({"text": await self._service.requests.lock_out(name, reason)})

    async def hold(self, call: Call) -> web.StreamResponse:
        asked, operator = call.as_(HoldBody), call.caller.operator
        if asked.antenna is None:
            ended = self._service.requests.hold(None, operator)
            return json_answer({"text": "the hold has ended" if ended else "there was no hold"})
        known = [antenna.name for antenna in self._service.core.atlas.station.antennas]
        if asked.antenna not in known:
            raise ProblemError(404, f"there is no antenna {words(asked.antenna)}; this station has {', '.join(known)}")
        if asked.for_ is None:
            raise ProblemError(400, "say for how long, such as 30 min: a hold ends by itself")
        try:
            length_us = duration_us(asked.for_)
        except QuantityError as error:
            raise ProblemError(400, str(error)) from None
        if not 1 <= length_us <= HOLD_MAX_S * 1_000_000:
            raise ProblemError(400, f"a hold lasts up to {HOLD_MAX_S // 3600} h")
        moment = datetime.datetime.now(datetime.UTC) + datetime.timedelta(microseconds=length_us)
        until = moment.isoformat(timespec="seconds").replace("+00:00", "Z")
        reason = words(asked.reason) if asked.reason else None
        self._service.requests.hold(
            Hold(asked.antenna, monotonic_us() + length_us, until, operator, reason or None), operator
        )
        bands = next(each.bands for each in self._service.core.atlas.station.antennas if each.name == asked.antenna)
        text = f"{asked.antenna} is held on {', '.join(bands)} until {until}"
        return json_answer({"text": text, "antenna": asked.antenna, "until": until})

    async def tune(self, call: Call) -> web.StreamResponse:
        asked, desk = call.as_(TuneBody), self._desk
        try:
            if asked.say == "begin":
                names = [words(name) if name is not None else None for name in (asked.antenna, asked.segment)]
                desk.begin(*names, everything=asked.everything, operator=call.caller.operator)
            elif asked.say == "numbers":
                desk.give(*numbers_of(asked.numbers))
            elif asked.say in list(TuneWord):
                desk.say(TuneWord(asked.say))
            else:
                raise ProblemError(400, f"say begin, numbers, {', '.join(TuneWord)}")
        except TuneRefusedError as refused:
            raise ProblemError(409, str(refused), tune_up=desk.shown()) from None
        return json_answer({"tune_up": desk.shown()})

    async def lease(self, call: Call) -> web.StreamResponse:
        asked, holder = call.as_(LeaseBody), call.caller.operator
        within_s = self.leases.renew_within_s
        if asked.lease is None:
            number = self.leases.begin(holder)
            text = f"renew it within {within_s:g} s, or the amplifier goes to standby"
            return json_answer({"lease": number, "renew_within_s": within_s, "text": text})
        if asked.end:
            self.leases.end(asked.lease, holder)
            return json_answer({"text": "the lease has ended"})
        self.leases.renew(asked.lease, holder)
        return json_answer({"lease": asked.lease, "renew_within_s": within_s, "text": "renewed"})

    async def tube(self, call: Call) -> web.StreamResponse:
        reason = words(call.as_(TubeBody).reason)
        if not reason:
            raise ProblemError(400, "say why: the account of the old tube is kept under it")
        if self._service.core.atlas.station.amplifier is None:
            raise ProblemError(409, "this station has no amplifier")
        old = await self._service.requests.new_tube(call.caller.operator, reason)
        hours, overs = old.account.heater_us // 3_600_000_000, old.account.overs
        text = f"a new account is begun; the old tube's is kept: {hours} h with heater, {overs} overs"
        return json_answer({"text": text})

    async def send(self, call: Call) -> web.StreamResponse:
        asked = call.as_(SendBody)
        text = words(asked.text)
        if not text:
            raise ProblemError(400, "there is nothing to send")
        if not self._service.telling.send(asked.output, text, call.caller.operator):
            known = ", ".join(self._service.telling.outputs)
            said = f"there are: {known}" if known else "this station has none, such as one of kind jsonl"
            raise ProblemError(404, f"there is no output {words(asked.output)} that only tells; {said}")
        return json_answer({"text": f"handed to {asked.output}"})

    async def save_presets(self, call: Call) -> web.StreamResponse:
        try:
            presets = self._service.presets.with_edges(
                [preset_from_json(each) for each in call.as_(PresetsBody).presets]
            )
        except PresetTableError as error:
            raise ProblemError(400, "; ".join(error.errors)) from None
        if not call.caller.is_local:
            self._refuse_strangers(presets)
        await self._service.presets.save(presets)
        return json_answer({"saved": [preset_to_json(preset) for preset in presets]})

    async def remove_preset(self, call: Call) -> web.StreamResponse:
        asked = call.as_(PresetNameBody)
        if not await self._service.presets.remove(asked.antenna, asked.segment):
            raise ProblemError(404, f"there is no preset for {words(asked.antenna)} on {words(asked.segment)}")
        return json_answer({"removed": {"antenna": asked.antenna, "segment": asked.segment}})

    async def reload(self, call: Call) -> web.StreamResponse:
        try:
            outcome = await self._reloader.reload(call.caller.operator, only_check=call.as_(ReloadBody).check)
        except ReloadRefusedError as busy:
            raise ProblemError(409, str(busy)) from None
        if outcome.ending is Ending.WRONG_FILE:
            raise ProblemError(422, outcome.text, **outcome.to_json())
        if outcome.ending is Ending.REFUSED:
            raise ProblemError(409, outcome.text, **outcome.to_json())
        return json_answer(outcome.to_json())

    def _refuse_strangers(self, presets: list[Preset]) -> None:
        """From afar only places that this station has can be stored."""
        station = self._service.core.atlas.station
        antennas = {antenna.name for antenna in station.antennas}
        segments = {segment.name for segment in station.segments}
        for preset in presets:
            if preset.antenna not in antennas or preset.segment not in segments:
                where = f"{words(preset.antenna)} on {words(preset.segment)}"
                raise ProblemError(400, f"this station has no {where}; nothing is stored")

    def _lease_lost(self, holder: str) -> None:
        self._service.requests.lose_lease(holder, self.leases.renew_within_s)


def words(text: str) -> str:
    """Text of an operator on one line, without what a terminal would obey."""
    return "".join(character if character.isprintable() else " " for character in text).strip()[:200]


def _answered(answer: Answer) -> web.Response:
    if not answer.accepted:
        raise ProblemError(409, answer.text, accepted=False, ready_in_s=answer.ready_in_s)
    return json_answer({"accepted": True, "text": answer.text, "ready_in_s": answer.ready_in_s})
