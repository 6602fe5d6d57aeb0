"""The one table of routes: the server serves it, and the OpenAPI document is made of it."""

from qsyd_daemon.api import acting, watching
from qsyd_daemon.api.acting import Acting
from qsyd_daemon.api.metrics import CONTENT_TYPE
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.route import Handler, Route
from qsyd_daemon.api.watching import Watching

EVENTS = "text/event-stream"


def table(look: Watching, act: Acting, events: Handler, metrics: Handler, openapi: Handler) -> tuple[Route, ...]:
    """Every route of the API."""
    seen = Role.VISITOR
    return (
        Route("GET", "/v1/status", seen, "The station at a glance.", look.status),
        Route(
            "GET",
            "/v1/events",
            seen,
            "What happens, as it happens: a snapshot, then every event.",
            events,
            None,
            EVENTS,
        ),
        Route(
            "GET",
            "/v1/explain",
            seen,
            "Where a frequency would put the station, why, why not another antenna, why just now, and what was once.",
            look.explain,
            watching.ExplainQuery,
        ),
        Route("GET", "/v1/plan", seen, "The tune-up worksheet.", look.plan),
        Route("GET", "/v1/tube", seen, "What the tube has been through.", look.tube),
        Route("GET", "/v1/tune", seen, "The guided tune-up: its step, and what to do.", look.tune),
        Route("GET", "/v1/presets", seen, "The stored tank settings.", look.presets),
        Route(
            "GET",
            "/v1/history",
            Role.WATCH,
            "Events of the journal, oldest first.",
            look.history,
            watching.HistoryQuery,
        ),
        Route(
            "GET",
            "/v1/tap",
            Role.ADMINISTER,
            "The bytes of one link, both ways, as they pass.",
            look.tap,
            watching.TapQuery,
            EVENTS,
        ),
        Route(
            "GET",
            "/v1/decisions",
            seen,
            "The last decisions and troubles in words, newest first.",
            look.decisions,
            watching.DecisionsQuery,
        ),
        Route("GET", "/v1/caller", seen, "Who asks, by the token shown, and what that allows.", look.caller),
        Route("GET", "/v1/version", seen, "This program and its station.", look.version),
        Route("GET", "/healthz", seen, "Whether the station's core gets its turns.", look.health),
        Route("GET", "/metrics", seen, "What the station measures.", metrics, None, CONTENT_TYPE),
        Route("GET", "/openapi.json", seen, "This description.", openapi),
        Route(
            "POST",
            "/v1/amplifier",
            Role.OPERATE,
            "Ask for on, off, standby or operate; a refusal (409) says why and how long.",
            act.amplifier,
            acting.AmplifierBody,
        ),
        Route(
            "POST",
            "/v1/acknowledge",
            Role.OPERATE,
            "A fault has been seen and its cause has gone; never commands operate.",
            act.acknowledge,
            acting.AcknowledgeBody,
        ),
        Route(
            "POST",
            "/v1/lockout",
            Role.OPERATE,
            "Bar release and operate while somebody works on the station; ended only over the control socket.",
            act.lock_out,
            acting.LockoutBody,
        ),
        Route(
            "POST",
            "/v1/hold",
            Role.OPERATE,
            "Hold an antenna past the rules for a time, or end the hold.",
            act.hold,
            acting.HoldBody,
        ),
        Route(
            "POST",
            "/v1/tune",
            Role.OPERATE,
            "Begin a tune-up, or say something to the one under way; a refusal (409) says what would be right.",
            act.tune,
            acting.TuneBody,
        ),
        Route(
            "POST",
            "/v1/lease",
            Role.OPERATE,
            "Begin, renew or end a lease; one that is lost takes the amplifier to standby.",
            act.lease,
            acting.LeaseBody,
        ),
        Route(
            "POST",
            "/v1/tube",
            Role.ADMINISTER,
            "Another tube is in the amplifier: its account begins anew, the old one's is kept.",
            act.tube,
            acting.TubeBody,
        ),
        Route("POST", "/v1/send", Role.OPERATE, "Try an output of notices with a text.", act.send, acting.SendBody),
        Route(
            "POST",
            "/v1/presets",
            Role.ADMINISTER,
            "Store tank settings, all or none.",
            act.save_presets,
            acting.PresetsBody,
            large=True,
        ),
        Route(
            "POST",
            "/v1/presets/remove",
            Role.ADMINISTER,
            "Forget one tank setting.",
            act.remove_preset,
            acting.PresetNameBody,
        ),
        Route(
            "POST",
            "/v1/reload",
            Role.ADMINISTER,
            "Read the station file again; one that is wrong (422) or cannot be taken live (409) changes nothing.",
            act.reload,
            acting.ReloadBody,
        ),
    )
