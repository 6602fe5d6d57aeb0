"""What each route answers when it is done, for the description of the API (JSON Schema 2020-12, as OpenAPI 3.1 has it).

Objects may have members that are not named here: more of them come with time.
"""

from typing import Any

from qsyd_daemon.api.role import Role
from qsyd_daemon.preset_table import COLUMNS, LARGEST
from qsyd_daemon.reload_outcome import Ending
from qsyd_rules.preset import PresetStanding
from qsyd_rules.words import Mode

Schema = dict[str, Any]


def _is(kind: str, **more: Any) -> Schema:
    return {"type": kind, **more}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _object(**members: Schema) -> Schema:
    """An object that has all of these members, and may have others."""
    return {"type": "object", "required": sorted(members), "properties": members}


def _maybe(schema: Schema, **members: Schema) -> Schema:
    """The object, with members that it may also lack."""
    return schema | {"properties": schema["properties"] | members}


def _list(of: Schema) -> Schema:
    return {"type": "array", "items": of}


TEXT, WHETHER, COUNT = _is("string"), _is("boolean"), _is("integer", minimum=0)
HZ, SECONDS = _is("integer", minimum=0), _is("number", minimum=0)
TEXTS, ANYTHING = _list(TEXT), _is("object")
MODE = _or_null(_is("string", enum=[str(mode) for mode in Mode]))
EVENT = _object(at=_is("number"), time=_is("string", format="date-time"), event=TEXT)
PRESET = _object(
    **{name: _or_null(_is("integer")) if name in LARGEST else _or_null(TEXT) for name in COLUMNS},
    matching=_list(_is("integer")),
) | {"description": "names end in their unit; null where nothing is known"}
ASSUMED = _object(value={}, known=TEXT, because=_or_null(TEXT))

STATUS = _object(
    version=TEXT,
    station=TEXT,
    simulated=WHETHER,
    dry_run=WHETHER,
    api=_object(address=_or_null(TEXT), leases=TEXTS),
    state_directory=_object(path=TEXT, healthy=WHETHER),
    guard=_is("string", enum=["guarded", "unguarded on crash", "unguarded"]),
    rigs=_is(
        "object",
        additionalProperties=_maybe(
            _object(link=_is("string", enum=["up", "lost"])),
            because=_or_null(TEXT),
            frequency_hz=_or_null(HZ),
            transmit_hz=_or_null(HZ),
            split=_or_null(WHETHER),
            mode=MODE,
            keyed=_or_null(WHETHER),
        ),
    ),
    placed=_or_null(
        _object(
            rig=TEXT,
            band=_or_null(TEXT),
            segment=_or_null(TEXT),
            antenna=_or_null(TEXT),
            port=_or_null(_is("integer")),
            preset=_or_null(_object(tune=COUNT, load=COUNT)),
            rules=TEXTS,
            because=_or_null(TEXT),
            drive_w=_or_null(_is("integer")),
        )
    ),
    antennas=TEXTS,
    hold=_or_null(ANYTHING),
    lockout=_or_null(ANYTHING),
    meters=_or_null(ANYTHING),
    transmit=_object(released=WHETHER, reasons=TEXTS),
    change_over=_or_null(ANYTHING),
    amplifier=_or_null(
        _object(
            state=TEXT,
            fault=_or_null(ANYTHING),
            wish=TEXT,
            armed=WHETHER,
            ready_in_s=_or_null(SECONDS),
            relay=ASSUMED,
            follows=TEXT,
            warm_up_s=SECONDS,
            cool_down_s=SECONDS,
            output_w=COUNT,
            limits=ANYTHING,
        )
    ),
    outputs=_object(permit=ASSUMED, antenna=ASSUMED, tank=ASSUMED, drive_w=ASSUMED),
    devices=_is("object", additionalProperties=_object(answers=WHETHER, trouble=_or_null(TEXT))),
    warnings=TEXTS,
)
TUBE = _object(
    heater_s=SECONDS, operate_s=SECONDS, key_down_s=SECONDS, overs=COUNT, days=_list(ANYTHING)
)  # null in the status of a station without an amplifier
TUNE_UP = _or_null(
    _object(
        step=TEXT,
        text=TEXT,
        antenna=_or_null(TEXT),
        segment=_or_null(TEXT),
        centre_hz=_or_null(HZ),
        drive_w=_or_null(_is("integer")),
        numbers=TEXTS,
        done=COUNT,
        saved=COUNT,
        of=COUNT,
        left_s=SECONDS,
        operator=TEXT,
        cautions=TEXTS,
    )
)
SEGMENT = _object(name=TEXT, low_hz=HZ, high_hz=HZ, centre_hz=HZ)
EXPLAINED = _object(
    frequency_hz=HZ,
    band=_or_null(TEXT),
    segment=_or_null(SEGMENT),
    antenna=_or_null(_object(name=TEXT, port=_is("integer"))),
    preset=_or_null(ANYTHING),
    drive_w=_or_null(_is("integer")),
    amplifier=_or_null(_object(state=TEXT, because=_or_null(TEXT))),
    inhibit=TEXTS,
    warnings=TEXTS,
    rules=_list(_object(name=TEXT, matched=WHETHER, decided=TEXTS, because=_or_null(TEXT))),
    antennas=_list(_object(name=TEXT, serves=WHETHER, because=TEXT)),
    just_now=_or_null(_object(what=EVENT, led_to_it=_list(EVENT), then=_list(EVENT))),
)
EXPLAINED_PAST = _object(
    asked=TEXT,
    as_of=_or_null(ANYTHING),
    file=_object(then=_or_null(TEXT), now=TEXT, same=_or_null(WHETHER), kept=_or_null(TEXT)),
    placed=_or_null(ANYTHING),
    judged=_or_null(ANYTHING),
)
PLAN_ROW = _maybe(
    _object(
        antenna=TEXT,
        band=TEXT,
        segment=TEXT,
        low_hz=HZ,
        high_hz=HZ,
        centre_hz=HZ,
        preset=_is("string", enum=[str(standing) for standing in PresetStanding]),
    ),
    because=TEXT,
    estimate=ANYTHING,
)
OUTCOME = _object(
    ending=_is("string", enum=[str(ending) for ending in Ending]),
    text=TEXT,
    changed=TEXTS,
    restarted=TEXTS,
    untouched=TEXTS,
    problems=TEXTS,
)

ANSWERS: dict[tuple[str, str], Schema] = {
    ("GET", "/v1/status"): STATUS,
    ("GET", "/v1/explain"): {"anyOf": [EXPLAINED, EXPLAINED_PAST]},
    ("GET", "/v1/plan"): _object(rows=_list(PLAN_ROW)),
    ("GET", "/v1/tube"): TUBE,
    ("GET", "/v1/tune"): _object(tune_up=TUNE_UP),
    ("GET", "/v1/presets"): _object(presets=_list(PRESET)),
    ("GET", "/v1/history"): _object(rows=_list(EVENT | {"required": ["at", "event", "sequence", "time"]})),
    ("GET", "/v1/decisions"): _object(decisions=_list(_object(time=TEXT, event=TEXT, words=TEXT))),
    ("GET", "/v1/caller"): _object(name=TEXT, role=_is("string", enum=[role.word for role in Role])),
    ("GET", "/v1/version"): _object(version=TEXT, api=COUNT, station=TEXT),
    ("GET", "/healthz"): _object(healthy={"const": True}),
    ("GET", "/openapi.json"): _object(openapi=TEXT, info=ANYTHING, paths=ANYTHING, components=ANYTHING),
    ("POST", "/v1/amplifier"): _object(accepted={"const": True}, text=TEXT, ready_in_s=_or_null(SECONDS)),
    ("POST", "/v1/acknowledge"): _object(accepted={"const": True}, text=TEXT, ready_in_s=_or_null(SECONDS)),
    ("POST", "/v1/lockout"): _object(text=TEXT),
    ("POST", "/v1/hold"): _maybe(_object(text=TEXT), antenna=TEXT, until=_is("string", format="date-time")),
    ("POST", "/v1/tune"): _object(tune_up=TUNE_UP),
    ("POST", "/v1/lease"): _maybe(_object(text=TEXT), lease=TEXT, renew_within_s=SECONDS),
    ("POST", "/v1/send"): _object(text=TEXT),
    ("POST", "/v1/presets"): _object(saved=_list(PRESET)),
    ("POST", "/v1/presets/remove"): _object(removed=_object(antenna=TEXT, segment=TEXT)),
    ("POST", "/v1/reload"): OUTCOME,
}
"""By method and path; a route that is not here answers an object, or text."""
