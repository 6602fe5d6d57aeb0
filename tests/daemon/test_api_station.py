"""What the API tells and does: explain, history, plan, metrics, holds, the dead-man's lease."""

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from api_station import STATION, ApiStation, running_station


@pytest.fixture
def station(tmp_path: Path) -> Iterator[ApiStation]:
    with running_station(tmp_path) as running:
        yield running


def test_explain_says_why_and_why_not_another_antenna_and_why_just_now(station: ApiStation) -> None:
    told = station.peer.ask("GET", "/v1/explain?frequency=7.05%20MHz&at=12:00").json
    assert told["antenna"] == {"name": "long-wire", "port": 2}
    because = {each["name"]: (each["serves"], each["because"]) for each in told["antennas"]}
    assert because == {
        "hill-beam": (False, "it does not cover 40m"),
        "long-wire": (True, "the first in the file that covers 40m"),
        "low-loop": (False, "rule “wire at night” would choose it, but the time is 12:00 UTC"),
    }
    told = station.peer.ask("GET", "/v1/explain?frequency=7.05%20MHz&at=23:00").json
    because = {each["name"]: (each["serves"], each["because"]) for each in told["antennas"]}
    assert because["low-loop"] == (True, "rule “wire at night”")
    assert because["long-wire"] == (False, "rule “wire at night” chooses low-loop")

    assert station.peer.ask("GET", "/v1/explain").json["just_now"] is None  # the journal is for those with a token
    station.post("/v1/hold", {"antenna": "low-loop", "for": "1 h", "reason": "trying it"})
    now = station.peer.ask("GET", "/v1/explain", token=station.tokens["watch"]).json
    assert now["antenna"]["name"] == "low-loop"
    assert now["just_now"]["what"]["event"] == "placed"
    assert "held by operate-one until" in now["just_now"]["what"]["because"]
    assert now["just_now"]["led_to_it"][-1]["event"] == "hold-started"


def test_explain_tells_of_the_past_to_those_with_a_token(station: ApiStation) -> None:
    token = station.tokens["watch"]

    def ask(query: str) -> Any:
        return station.peer.ask("GET", f"/v1/explain?{query}", token=token)

    before = station.daemon.named("placed")[-1]
    station.post("/v1/hold", {"antenna": "low-loop", "for": "1 h", "reason": "trying it"})
    rows = station.peer.ask("GET", "/v1/history?event=placed", token=token).json["rows"]
    then, now = (ask(f"event={row['sequence']}").json for row in rows[-2:])
    assert then["placed"]["antenna"] == before["antenna"] == "hill-beam"
    assert (now["placed"]["antenna"], now["hold"]["reason"]) == ("low-loop", "trying it")
    assert {"name": "hill-beam", "serves": False, "because": "an operator holds low-loop"} in now["judged"]["antennas"]
    assert now["file"] == {"then": now["file"]["now"], "now": now["file"]["now"], "same": True, "kept": None}
    assert ask(f"when={rows[-1]['time']}").json["placed"] == rows[-1]

    assert station.peer.ask("GET", "/v1/explain?when=02:14").status == 401
    assert ask("event=999999").status == 404
    for wrong in ("when=noon", "event=0", "event=1&when=02:14", "when=02:14&frequency=7.05%20MHz"):
        assert ask(wrong).status == 400, wrong


def test_explain_reads_the_journal_of_a_running_daemon_and_makes_no_file(station: ApiStation) -> None:
    """What was decided a second ago is written by then; the directory is as it was."""
    station.daemon.wait_for("placed")
    time.sleep(2.5)  # a batch of the journal
    before = sorted(path.name for path in station.state.iterdir())
    done = station.daemon.qsyd("explain", str(station.daemon.station), "--when", "0 s")
    assert (done.returncode, done.stderr) == (0, "")
    assert "placed     hill-beam on port 1, 20m/1" in done.stdout
    assert sorted(path.name for path in station.state.iterdir()) == before
    assert station.daemon.qsyd("status").returncode == 0


def test_history_tells_what_matches_and_goes_on_from_a_number(station: ApiStation) -> None:
    token = station.tokens["watch"]

    def rows(query: str = "") -> list[dict[str, object]]:
        answer = station.peer.ask("GET", f"/v1/history{query}", token=token)
        assert answer.status == 200, answer.body
        found: list[dict[str, object]] = answer.json["rows"]
        return found

    everything = rows()
    assert [row["sequence"] for row in everything] == list(range(1, len(everything) + 1))
    assert everything[0]["event"] == "station-started"
    assert [row["event"] for row in rows("?event=placed,link-up")] == ["link-up", "placed"]
    assert rows("?limit=2") == everything[-2:]
    assert rows("?after=3") == everything[3:]
    assert rows("?since=1%20h") == everything
    assert rows("?until=1%20h") == []
    moment = str(everything[1]["time"])
    assert rows(f"?since={moment}&until={moment}") == [row for row in everything if row["time"] == moment]
    assert rows("?since=2999-01-01") == []


def test_what_is_known_is_told_over_both_ways_alike(station: ApiStation) -> None:
    for path in ("/v1/plan", "/v1/presets", "/v1/version"):
        assert station.peer.ask("GET", path).json == station.local("GET", path)[1]
    plan = station.peer.ask("GET", "/v1/plan").json["rows"]
    assert {"antenna", "band", "segment", "low_hz", "high_hz", "centre_hz", "preset"} == set(plan[0])
    assert station.peer.ask("GET", "/healthz").json == {"healthy": True}


def test_a_preset_for_no_place_of_this_station_is_stored_with_a_word_about_it(station: ApiStation) -> None:
    """Presets outlive station files, so that it may be meant; it may be a slip as well."""
    positions = ("--tune", "1", "--load", "2")
    for place in (("hill-bean", "20m/1"), ("hill-beam", "20m/9"), ("hill-beam", "40m/1")):
        done = station.daemon.qsyd("presets", "save", *place, *positions)
        assert (done.returncode, done.stdout) == (0, f"saved: {' on '.join(place)}\n")
        assert done.stderr.startswith(f"note: this station has no {' on '.join(place)}; stored all the same")
    done = station.daemon.qsyd("presets", "save", "hill-beam", "20m/1", *positions)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_lockout_that_does_not_stand_is_not_ended(station: ApiStation) -> None:
    assert station.daemon.qsyd("lockout", "off").stdout == "there was no lockout\n"
    assert station.daemon.qsyd("lockout", "on", "--reason", "relay").returncode == 0
    assert station.daemon.qsyd("lockout", "off").stdout.startswith("the lockout has ended; ")
    assert station.daemon.qsyd("lockout", "off").stdout == "there was no lockout\n"


def test_presets_are_stored_and_removed_by_who_may(station: ApiStation) -> None:
    preset = {"antenna": "hill-beam", "segment": "20m/1", "tune": 10, "load": 20}
    saved = station.post("/v1/presets", {"presets": [preset]}, role="administer")
    assert saved.status == 200, saved.body
    station.daemon.wait_for("preset-saved", antenna="hill-beam")
    assert station.peer.ask("GET", "/v1/presets").json["presets"][0]["tune"] == 10
    elsewhere = {"antenna": "no-such", "segment": "20m/1", "tune": 10, "load": 20}
    assert station.post("/v1/presets", {"presets": [elsewhere]}, role="administer").status == 400
    named = {"antenna": "hill-beam", "segment": "20m/1"}
    assert station.post("/v1/presets/remove", named, role="administer").status == 200
    assert station.post("/v1/presets/remove", named, role="administer").status == 404


def test_a_hold_from_afar_carries_the_name_of_its_token(station: ApiStation) -> None:
    answer = station.post("/v1/hold", {"antenna": "low-loop", "for": "30 min", "reason": "compare"})
    assert answer.status == 200
    assert answer.json["text"].startswith("low-loop is held on 40m, 20m until ")
    held = station.peer.ask("GET", "/v1/status").json["hold"]
    assert (held["antenna"], held["operator"], held["reason"]) == ("low-loop", "operate-one", "compare")
    assert 1700 < held["left_s"] <= 1800
    for body, status in (
        ({"antenna": "nothing", "for": "30 min"}, 404),
        ({"antenna": "low-loop"}, 400),
        ({"antenna": "low-loop", "for": "30"}, 400),
        ({"antenna": "low-loop", "for": "0 s"}, 400),
        ({"antenna": "low-loop", "for": "25 h"}, 400),
    ):
        assert station.post("/v1/hold", body).status == status, body
    assert station.post("/v1/hold", {"antenna": None}).json == {"text": "the hold has ended"}
    assert station.post("/v1/hold", {"antenna": None}).json == {"text": "there was no hold"}


def test_what_an_operator_writes_keeps_its_characters(station: ApiStation) -> None:
    reason = "Mast gestört – 風 ½ <b>&amp; \\u0041"
    assert station.post("/v1/hold", {"antenna": "low-loop", "for": "10 min", "reason": reason}).status == 200
    assert station.peer.ask("GET", "/v1/status").json["hold"]["reason"] == reason
    rows = station.peer.ask("GET", "/v1/history?event=hold-started", token=station.tokens["watch"]).json["rows"]
    assert rows[-1]["reason"] == reason


def test_a_notice_is_tried_and_reaches_its_output_alone(station: ApiStation) -> None:
    done = station.daemon.qsyd("send", "notes", "is", "anybody", "there?")
    assert (done.returncode, done.stdout) == (0, "handed to notes\n")
    end_s = time.monotonic() + 10
    path = station.state / "notes.jsonl"
    while '"is anybody there?"' not in (text := path.read_text()):
        assert time.monotonic() < end_s, text
        time.sleep(0.05)
    assert not station.daemon.named("notice")
    for body, status in (({"output": "switch", "text": "x"}, 404), ({"output": "notes", "text": " "}, 400)):
        assert station.post("/v1/send", body).status == status
    assert station.post("/v1/send", {"output": "notes", "text": "x"}, role="watch").status == 403
    assert station.daemon.qsyd("send", "notes", " ").returncode == 2
    refused = station.daemon.qsyd("send", "nowhere", "x")
    assert (refused.returncode, "there are: notes" in refused.stderr) == (1, True)


def test_a_refusal_of_the_core_is_a_conflict_that_says_why_and_how_long(station: ApiStation) -> None:
    assert station.post("/v1/amplifier", {"request": "on"}).status == 200
    answer = station.post("/v1/amplifier", {"request": "operate"})
    assert answer.status == 409
    assert answer.json["accepted"] is False
    assert 100 < answer.json["ready_in_s"] <= 150
    assert answer.json["detail"]
    code, same = station.local("POST", "/v1/amplifier", {"request": "operate"})
    assert (code, same["title"]) == (409, "Conflict")


def test_a_lease_that_is_not_renewed_takes_the_wish_to_operate_away(tmp_path: Path) -> None:
    """The heater of this station is switched by hand, so that only times and wishes play."""
    with running_station(tmp_path, STATION.replace("warm_up: 150 s", "warm_up: 1 s")) as station:
        assert station.post("/v1/amplifier", {"request": "on"}).status == 200
        station.daemon.wait_status(lambda status: bool(status["amplifier"]["state"] == "standby"))
        assert station.post("/v1/amplifier", {"request": "operate"}).status == 200
        begun = station.post("/v1/lease", {}).json
        assert begun["renew_within_s"] == 3
        for _ in range(20):  # longer than it lasts
            time.sleep(0.2)
            answer = station.post("/v1/lease", {"lease": begun["lease"]})
            assert answer.status == 200, answer.body
        status = station.daemon.status()
        assert (status["amplifier"]["wish"], status["api"]["leases"]) == ("operate", ["operate-one"])

        warning = station.daemon.wait_for("warning", 10, code="lease-lost")
        assert warning["text"] == "operate-one has not renewed the lease for 3 s; the amplifier goes to standby"
        status = station.daemon.status()
        assert (status["amplifier"]["wish"], status["api"]["leases"]) == ("standby", [])
        late = station.post("/v1/lease", {"lease": begun["lease"]})
        assert (late.status, "begin anew" in late.json["detail"]) == (409, True)


def test_a_lease_that_is_given_back_changes_nothing_and_is_its_holders_alone(station: ApiStation) -> None:
    lease = station.post("/v1/lease", {}).json["lease"]
    assert station.post("/v1/lease", {"lease": lease}, role="administer").status == 404
    assert station.post("/v1/lease", {"lease": lease, "end": True}, role="administer").status == 404
    assert station.post("/v1/lease", {"lease": lease, "end": True}).status == 200
    assert station.post("/v1/lease", {"lease": lease}).status == 404
    time.sleep(3.3)
    told = [each["code"] for each in station.daemon.named("warning")]
    assert [code for code in told if code != "stalled"] == []  # a busy machine may stand still
    held = [station.post("/v1/lease", {}).status for _ in range(17)]
    assert held.count(200) == 16
    assert held[-1] == 503
    assert station.post("/v1/lease", {}, role="watch").status == 403


SAMPLE = re.compile(
    r'(?P<name>[a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{(?P<labels>[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"'
    r'(?:,[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*")*)?\})? (?P<value>[+-]?(?:[0-9.]+(?:e[+-]?[0-9]+)?|Inf|NaN))'
)
SUFFIXES = {
    "counter": {"_total", "_created"},
    "gauge": {""},
    "info": {"_info"},
    "histogram": {"_bucket", "_count", "_sum", "_created"},
}


def test_metrics_are_openmetrics(station: ApiStation) -> None:
    """OpenMetrics 1.0.0 (draft-richih-opsawg-openmetrics-00), sections 4 and 5: the grammar, and what families need."""
    answer = station.peer.ask("GET", "/metrics")
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    text = answer.body.decode()
    assert text.endswith("\n# EOF\n")
    assert "\r" not in text
    kinds: dict[str, str] = {}
    units: dict[str, str] = {}
    samples: dict[str, float] = {}
    family = ""
    for line in text.splitlines()[:-1]:
        if line.startswith("# TYPE "):
            _, _, family, kind = line.split(" ")
            assert family not in kinds, "one family in one place"
            kinds[family] = kind
        elif line.startswith("# UNIT "):
            units[line.split(" ")[2]] = line.split(" ")[3]
        elif line.startswith("# HELP "):
            assert line.split(" ")[2] == family
        else:
            match = SAMPLE.fullmatch(line)
            assert match is not None, line
            assert match["name"].removeprefix(family) in SUFFIXES[kinds[family]], line
            assert line.rpartition(" ")[0] not in samples
            samples[line.rpartition(" ")[0]] = float(match["value"])
            for label in re.findall(r'([a-z]+)="', match["labels"] or ""):
                assert label in {"version", "link", "rig", "antenna", "state", "kind", "result", "output", "code", "le"}
    for name, unit in units.items():
        assert name.endswith(f"_{unit}")
    for name, kind in kinds.items():
        assert not (kind == "counter" and name.endswith("_total"))
    buckets = [
        value for name, value in samples.items() if name.startswith('qsyd_poll_duration_seconds_bucket{rig="main"')
    ]
    assert buckets == sorted(buckets)
    assert buckets[-1] == samples['qsyd_poll_duration_seconds_count{rig="main"}'] > 0
    assert samples['qsyd_frequency_hertz{rig="main"}'] == station.daemon.status()["rigs"]["main"]["transmit_hz"]
    assert samples['qsyd_link_up{link="rig main"}'] == 1
    assert samples['qsyd_amplifier_state{state="off"}'] == 1
    assert sum(value for name, value in samples.items() if name.startswith("qsyd_amplifier_state")) == 1
    assert samples["qsyd_events_total"] == station.daemon.mark()
    wanted = {"qsyd_build", "qsyd_antenna_selected", "qsyd_sequences", "qsyd_sequence_duration_seconds"}
    assert 'qsyd_poll_errors_total{link="rig main",kind="unanswered"} 0' in text
    assert 'qsyd_output_queue{output="notes"} ' in text
    assert wanted | {
        "qsyd_output_errors",
        "qsyd_poll_errors",
        "qsyd_output_queue",
        "qsyd_events_dropped",
        "qsyd_loop_lag_seconds",
    } <= set(kinds)
