"""What strangers, pages and broken clients send: each is refused with the status it should have, and changes nothing."""

import contextlib
import gzip
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from api_station import ApiStation, dumps, running_station
from raw_http import Answer, EventReader, read_answer

ON = {"request": "on"}
"""What would be seen at once, if it were obeyed: a heater comes on."""


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStation]:
    with running_station(tmp_path_factory.mktemp("attacked")) as running:
        yield running
        amplifier = running.daemon.status()["amplifier"]
        assert amplifier["state"] == "off", "something was obeyed after all"


@pytest.fixture(autouse=True)
def unchanged(station: ApiStation) -> Iterator[None]:
    """State and events are the same after each attack as before."""
    before = station.trace()
    yield
    assert station.trace() == before
    assert station.peer.ask("GET", "/v1/version").status == 200


def refused(answer: Answer, status: int) -> None:
    """It has this status, and is a problem as RFC 9457 has them."""
    assert answer.status == status, answer.body
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json
    assert told["status"] == status
    assert set(told) >= {"type", "title", "detail"}
    assert "Traceback" not in told["detail"]
    assert not [name for name in answer.headers if name.startswith("access-control-")]


def test_the_request_that_the_attacks_bend_is_one_that_would_be_obeyed(tmp_path: Path) -> None:
    with running_station(tmp_path) as station:
        assert station.post("/v1/amplifier", ON).status == 200
        assert station.daemon.status()["amplifier"]["state"] == "warm-up"


# Size and shape


def deep(levels: int) -> bytes:
    return b'{"request": ' + b"[" * levels + b"]" * levels + b"}"


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (dumps({"request": "on", "x": "y" * 65_536}), 413),
        (deep(32), 400),
        (deep(5_000), 400),
        (b'{"request": "standby", "request": "on"}', 400),
        (b'{"request": NaN}', 400),
        (b'{"request": "on", "number": Infinity}', 400),
        (b'{"request": 1' + b"0" * 400 + b"}", 400),
        (b'{"request": 1' + b"0" * 5_000 + b"}", 400),
        (b'{"request": "on"' + b"\xff" + b"}", 400),
        ('{"request": "on"}'.encode("utf-16"), 400),
        (b'{"request": "\\ud800"}', 400),
        (b'\xef\xbb\xbf{"request": "on"}', 400),
        (b'["on"]', 400),
        (b'"on"', 400),
        (b"", 400),
        (b"null", 400),
        (b'{"request": ["on"]}', 400),
        (b'{"request": "on", "else": 1}', 400),
        (b'{"request": "ON"}', 400),
        (b'{"request": "on\\u0000"}', 400),
        (b'{"request": "{0.__class__}"}', 400),
        (b'{"request": "on"} {"request": "on"}', 400),
    ],
    ids=repr,
)
def test_bodies_that_are_no_request(station: ApiStation, body: bytes, status: int) -> None:
    refused(station.peer.ask("POST", "/v1/amplifier", body, token=station.tokens["operate"]), status)


def raw(station: ApiStation, headers: bytes, body: bytes = b"", first: bytes = b"POST /v1/amplifier HTTP/1.1") -> bytes:
    own = f"Host: {station.peer.authority}\r\nAuthorization: Bearer {station.tokens['operate']}\r\n".encode()
    return first + b"\r\n" + own + b"Content-Type: application/json\r\n" + headers + b"\r\n" + body


@pytest.mark.parametrize(
    ("headers", "body", "status"),
    [
        # RFC 9112, section 6.1 and 6.3: two lengths, or a length and a transfer coding, are how requests are smuggled.
        (b"Content-Length: 17\r\nTransfer-Encoding: chunked\r\n", b"0\r\n\r\n", 400),
        (b"Content-Length: 17\r\nContent-Length: 17\r\n", dumps(ON), 400),
        (b"Content-Length: 17\r\nContent-Length: 5\r\n", dumps(ON), 400),
        (b"Content-Length: 17, 17\r\n", dumps(ON), 400),
        (b"Content-Length: +17\r\n", dumps(ON), 400),
        (b"Content-Length: -1\r\n", dumps(ON), 400),
        (b"Transfer-Encoding: chunked, chunked\r\n", b"0\r\n\r\n", 400),
        (b"Transfer-Encoding: chunked\r\n", b"zz\r\n", 400),
        (b"Transfer-Encoding: chunked\r\n", b"2000\r\n%b\r\n" % (b" " * 0x2000) * 9 + b"0\r\n\r\n", 413),
        (b"Content-Length: 17\r\nX: a\r\n b\r\n", dumps(ON), 400),
        (b"Content-Length : 17\r\n", dumps(ON), 400),
        (b"Content-Length: 17\r\nX: a\x00b\r\n", dumps(ON), 400),
        (b"Content-Length: 17\r\nX: a\nY: b\r\n", dumps(ON), 400),
        (b"Content-Length: 17\r\nHost: other.example\r\n", dumps(ON), 400),
        (b"Content-Length: 17\r\nExpect: 100-continue\r\n", dumps(ON), 417),
        (b"Content-Length: 17\r\nX: " + b"a" * 16_384 + b"\r\n", dumps(ON), 431),
        (b"Content-Length: 17\r\n" + b"X: %b\r\n" % (b"a" * 1_000) * 17, dumps(ON), 431),
        (b"Content-Length: 17\r\nX: " + b"a" * 9_000 + b"\r\n", dumps(ON), 431),
        (b"Content-Length: 17\r\n" + b"X: a\r\n" * 100, dumps(ON), 400),
    ],
    ids=lambda value: repr(value)[:60],
)
def test_heads_that_others_would_read_differently(
    station: ApiStation, headers: bytes, body: bytes, status: int
) -> None:
    refused(station.peer.send(raw(station, headers, body)), status)


def test_a_compressed_body_is_never_unpacked(station: ApiStation) -> None:
    bomb = gzip.compress(b" " * 30_000_000 + dumps(ON))
    assert len(bomb) < 65_536
    headers = {"Content-Encoding": "gzip"}
    refused(
        station.peer.ask("POST", "/v1/amplifier", bomb, headers=headers, token=station.tokens["operate"]),
        415,
    )


@pytest.mark.parametrize(
    ("first", "status"),
    [
        (b"TRACE /v1/amplifier HTTP/1.1", 405),
        (b"CONNECT 127.0.0.1:80 HTTP/1.1", 404),
        (b"OPTIONS /v1/amplifier HTTP/1.1", 405),
        (b"PUT /v1/amplifier HTTP/1.1", 405),
        (b"GET /v1/amplifier HTTP/1.1", 405),
        (b"get /v1/status HTTP/1.1", 400),
        (b"GET /v1/status HTTP/1.2", 505),
        (b"GET /v1/status HTTP/2.0", 505),
    ],
)
def test_methods_and_versions_that_are_not_served(station: ApiStation, first: bytes, status: int) -> None:
    answer = station.peer.send(raw(station, b"", first=first))
    assert answer.status in {status, 400}
    refused(answer, answer.status)


def test_head_gets_no_body(station: ApiStation) -> None:
    with station.peer.connect() as connection:
        connection.sendall(raw(station, b"Connection: close\r\n", first=b"HEAD /v1/status HTTP/1.1"))
        data = b""
        while chunk := connection.recv(65536):
            data += chunk
    assert data.startswith(b"HTTP/1.1 405 ")
    assert data.endswith(b"\r\n\r\n")


def test_http_0_9_has_no_host_and_gets_nothing(station: ApiStation) -> None:
    answer = station.peer.send(b"GET /v1/status\r\n\r\n")
    refused(answer, answer.status)
    assert answer.status in {400, 421, 505}


def test_bare_line_feeds_are_no_line_ends(station: ApiStation) -> None:
    refused(station.peer.send(raw(station, b"Content-Length: 17\r\n", dumps(ON)).replace(b"\r\n", b"\n")), 400)


def test_a_pipeline_of_ten_thousand_ends_after_a_hundred(station: ApiStation) -> None:
    request = station.peer.head("GET", "/v1/version")
    with station.peer.connect() as connection:
        answered = 0
        with contextlib.suppress(OSError):  # it hangs up meanwhile
            connection.sendall(request * 10_000)
        with contextlib.suppress(ConnectionError, ValueError):
            while True:
                assert read_answer(connection).status == 200
                answered += 1
    assert answered <= 100


# Identity


def test_tokens_that_are_none(station: ApiStation) -> None:
    real = station.tokens["operate"]
    wrong = [
        "wrong",
        real[:-1],
        real[:1],
        real + "a",
        real.swapcase(),
        "tokené",
        "x" * 3_000,
        f"{real} {real}",
    ]
    for number, token in enumerate(wrong, start=10):
        peer = replace(station.peer, source=f"127.0.0.{number}")
        refused(peer.post("/v1/amplifier", ON, token=token), 401)
    refused(station.peer.post("/v1/amplifier", ON), 401)
    for number, header in enumerate(["", "Bearer", "Bearer ", f"Basic {real}", real, f"Bearer\t{real}"], start=40):
        peer = replace(station.peer, source=f"127.0.0.{number}")
        refused(peer.post("/v1/amplifier", ON, headers={"Authorization": header}), 401)


def test_a_token_in_the_address_is_refused_even_if_it_is_a_right_one(station: ApiStation) -> None:
    real = station.tokens["administer"]
    for name in ("token", "access_token", "Authorization"):
        refused(station.peer.post(f"/v1/amplifier?{name}={real}", ON, token=real), 400)
        refused(station.peer.ask("GET", f"/v1/status?{name}={real}"), 400)
    assert real not in "".join(station.daemon.errors)


def test_ten_wrong_tokens_in_a_minute_shut_a_peer_out_and_nobody_else(station: ApiStation) -> None:
    guesser = replace(station.peer, source="127.0.0.99")
    for number in range(10):
        refused(guesser.post("/v1/amplifier", ON, token=f"guess-{number}"), 401)
    answer = guesser.post("/v1/amplifier", ON, token=station.tokens["operate"])
    refused(answer, 429)
    assert 1 <= int(answer.headers["retry-after"]) <= 61
    assert station.peer.ask("GET", "/v1/history", token=station.tokens["watch"]).status == 200
    assert station.local("GET", "/v1/status")[0] == 200


def test_a_role_does_what_it_may_and_no_more(station: ApiStation) -> None:
    lockout = {"on": True, "reason": "x"}
    preset = {"antenna": "hill-beam", "segment": "20m/1"}
    for path, body in (("/v1/amplifier", ON), ("/v1/hold", {"antenna": None}), ("/v1/lockout", lockout)):
        refused(station.post(path, body, role="watch"), 403)
    refused(station.post("/v1/presets/remove", preset, role="operate"), 403)
    refused(station.post("/v1/presets", {"presets": []}, role="watch"), 403)
    refused(station.post("/v1/reload", {}, role="operate"), 403)
    refused(station.post("/v1/presets/remove", preset, role="administer"), 404)
    refused(station.peer.ask("GET", "/v1/history"), 401)  # the journal is for those who have a token


def test_a_lockout_is_not_ended_from_afar(station: ApiStation) -> None:
    refused(station.post("/v1/lockout", {"on": False}, role="administer"), 403)


# Browser


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "localhost.evil:{port}",
        "127.evil.com:{port}",
        "127.0.0.1.evil.com:{port}",
        "127.0.0.1.:{port}",
        "localhost.:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "127.0.0.1:{port}0",
        "127.1:{port}",
        "2130706433:{port}",
        "0x7f.0.0.1:{port}",
        "user@127.0.0.1:{port}",
        "127.0.0.1:{port}/",
        "[::ffff:127.0.0.1]:{port}",
        "192.0.2.1:{port}",
        "127.0.0.2:{port}",
        "",
        "127.0.0.1:{port}, evil.example",
    ],
)
def test_a_host_that_is_not_this_station(station: ApiStation, host: str) -> None:
    host = host.replace("{port}", str(station.peer.port))
    answer = station.peer.ask("GET", "/v1/status", host=host)
    refused(answer, answer.status)
    assert answer.status in {421, 400}
    answer = station.peer.post("/v1/amplifier", ON, host=host, token=station.tokens["operate"])
    assert answer.status in {421, 400}


@pytest.mark.parametrize("host", ["127.0.0.1:{port}", "localhost:{port}", "LOCALHOST:{port}", "[::1]:{port}"])
def test_a_host_that_is(station: ApiStation, host: str) -> None:
    assert station.peer.ask("GET", "/v1/status", host=host.replace("{port}", str(station.peer.port))).status == 200


@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "http://evil.example",
        "http://localhost.evil:{port}",
        "https://127.0.0.1:{port}",
        "http://127.0.0.1",
        "http://127.0.0.1:1",
        "http://127.0.0.1.:{port}",
        "file://",
        "127.0.0.1:{port}",
        "http://127.0.0.1:{port}, http://evil.example",
    ],
)
def test_a_page_from_elsewhere_may_neither_look_nor_act(station: ApiStation, origin: str) -> None:
    headers = {"Origin": origin.replace("{port}", str(station.peer.port))}
    refused(station.peer.ask("GET", "/v1/status", headers=headers), 403)
    refused(station.peer.ask("GET", "/v1/events", headers=headers), 403)
    refused(station.peer.post("/v1/amplifier", ON, headers=headers, token=station.tokens["operate"]), 403)


def test_the_stations_own_page_may_look(station: ApiStation) -> None:
    for host in ("127.0.0.1", "localhost"):
        headers = {"Origin": f"http://{host}:{station.peer.port}"}
        assert station.peer.ask("GET", "/v1/status", headers=headers).status == 200


@pytest.mark.parametrize(
    "content_type",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "", "application/jsonp"],
)
def test_a_form_of_a_page_is_no_request(station: ApiStation, content_type: str) -> None:
    headers = {"Content-Type": content_type}
    body = dumps(ON)
    refused(station.peer.ask("POST", "/v1/amplifier", body, headers=headers, token=station.tokens["operate"]), 415)


def test_a_web_socket_from_elsewhere_is_refused(station: ApiStation) -> None:
    headers = {
        "Origin": "http://evil.example",
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version": "13",
    }
    refused(station.peer.ask("GET", "/v1/events", headers=headers), 403)
    del headers["Origin"]
    assert station.peer.ask("GET", "/v1/status", headers=headers).status == 200  # and never 101


def test_no_get_has_an_effect(station: ApiStation) -> None:
    paths = station.peer.ask("GET", "/openapi.json").json["paths"]
    for path, methods in paths.items():
        if "get" in methods and path not in {"/v1/events", "/v1/tap"}:  # these do not end
            assert station.peer.ask("GET", path, token=station.tokens["administer"]).status == 200, path


def test_every_answer_keeps_browsers_from_caching_embedding_or_guessing(station: ApiStation) -> None:
    """Names and meanings: RFC 9111, section 5.2.2.5; CSP Level 3; the Fetch standard, section 3.6 (nosniff)."""
    token = station.tokens["administer"]
    asked = [
        station.peer.ask("GET", path, token=token)
        for path in ("/v1/status", "/v1/history", "/metrics", "/openapi.json", "/nothing", "/v1/status?x=1")
    ]
    asked += [station.peer.post("/v1/hold", {}), station.peer.ask("GET", "/v1/status", host="evil.example")]
    with EventReader(station.peer) as reader:
        heads = [*(answer.headers for answer in asked), parsed(reader.head)]
    for head in heads:
        assert head["cache-control"] == "no-store"
        assert head["content-security-policy"] == "default-src 'none'; frame-ancestors 'none'"
        assert head["cross-origin-resource-policy"] == "same-origin"
        assert head["referrer-policy"] == "no-referrer"
        assert head["x-content-type-options"] == "nosniff"
        assert head["server"] == "qsyd"
        assert "set-cookie" not in head
        if head["content-type"].endswith("json"):
            assert head["content-disposition"] == 'attachment; filename="api.json"'


def parsed(head: str) -> dict[str, str]:
    return dict(line.split(": ", 1) for line in head.split("\r\n")[1:])


def test_the_log_says_once_a_minute_that_requests_are_refused_and_repeats_nothing_of_them(station: ApiStation) -> None:
    for number in range(40):
        peer = replace(station.peer, source=f"127.0.1.{number + 1}")
        assert peer.ask("TRACE", f"/secret-{number}", token=station.tokens["watch"]).status in {404, 405}
        assert peer.ask("BREW", "/v1/status", token=station.tokens["watch"]).status in {400, 405}
        assert peer.ask("GET", "/v1/status", host=f"evil-{number}.example").status == 421
    time.sleep(0.3)  # the log has a thread of its own
    lines = [line for line in station.daemon.errors if "api refused a request" in line]
    assert [line for line in lines if "405" in line]
    assert [line for line in lines if "421" in line]
    assert len(lines) < 20
    assert "evil" not in "".join(station.daemon.errors)
    assert "secret" not in "".join(station.daemon.errors)


# Paths and names


@pytest.mark.parametrize(
    "target",
    [
        "/../v1/status", "/v1/../v1/status", "/v1/%2e%2e/v1/status", "/v1/status%00", "/v1//status", "//v1/status",
        "/v1/status/", "/v1\\status", "/v1/stat%75s", "/%76%31/status", "/v1/status;x", "/v1/status%2f..", "/v1", "/?",
        "/page.js/", "/page.js?x", "/../page.js", "/page%2ejs", "/index.html",
        "/etc/passwd", "//etc/passwd", "/v1/presets/../../../etc/passwd", "http://evil.example/v1/status",
        "/v1/..%5c..%5cetc", "/v1/..\\status", "/%00", "/page.js%00.html",
        "/v1/status\x7f", "/" + "a" * 5_000,
    ],
)  # fmt: skip
def test_paths_that_are_none(station: ApiStation, target: str) -> None:
    answer = station.peer.ask("GET", target, token=station.tokens["administer"])
    assert answer.status in {400, 404, 431}
    refused(answer, answer.status)


@pytest.mark.parametrize(
    "target",
    [
        "/v1/status?x=1",
        "/v1/history?limit=0",
        "/v1/history?limit=10001",
        "/v1/history?limit=1&limit=2",
        "/v1/history?limit=9999999999999999999999999",
        "/v1/history?after=-1",
        "/v1/history?since=yesterday",
        "/v1/history?since=%27%20OR%201%3D1%20--",
        "/v1/history?since=0001-01-01T00:00:00%2B23:59",
        "/v1/history?until=99999999999999999999h",
        "/v1/explain?frequency=14.205",
        "/v1/explain?frequency=1e400%20MHz",
        "/v1/explain?mode=warbler",
        "/v1/explain?at=25:00",
        "/v1/explain?nothing=1",
    ],
)
def test_parameters_that_are_none(station: ApiStation, target: str) -> None:
    refused(station.peer.ask("GET", target, token=station.tokens["watch"]), 400)


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "a/b", "a\\b", "a\x00b", "a\nb", "\u202egnol", "a" * 1_000_000, "", "'; DROP TABLE"]
)
def test_presets_with_names_that_are_none(station: ApiStation, name: str) -> None:
    preset = {"antenna": name, "segment": "80m/1", "tune": 1, "load": 2}
    answer = station.post("/v1/presets", {"presets": [preset]}, role="administer")
    assert answer.status in {400, 413}
    answer = station.post("/v1/presets/remove", {"antenna": name, "segment": "80m/1"}, role="administer")
    assert answer.status in {400, 404, 413}
    refused(answer, answer.status)


def test_names_of_events_are_compared_not_executed(station: ApiStation) -> None:
    for name in ("'; DROP TABLE journal; --", "%27", "*", "{0.__class__}", "x%0d%0ay"):
        target = f"/v1/history?event={name.replace(' ', '%20')}"
        answer = station.peer.ask("GET", target, token=station.tokens["watch"])
        assert (answer.status, answer.json) == (200, {"rows": []})
    assert station.peer.ask("GET", "/v1/history", token=station.tokens["watch"]).json["rows"]


# Injection: what an operator may say is one printable line wherever it is shown


def test_what_operators_say_commands_no_terminal_and_breaks_no_line(tmp_path: Path) -> None:
    nasty = "one\r\ntwo\x1b[2J three\u202e{0.__class__} '; DROP TABLE \x00 end"
    with running_station(tmp_path) as station:
        assert station.post("/v1/hold", {"antenna": "low-loop", "for": "10 min", "reason": nasty}).status == 200
        station.daemon.wait_for("hold-started")
        assert station.post("/v1/lockout", {"on": True, "reason": nasty, "name": "a\nb"}).status == 200
        station.daemon.wait_for("warning", code="lockout")
        shown = station.daemon.qsyd("status").stdout + station.daemon.qsyd("history").stdout
        rows = station.peer.ask("GET", "/v1/history?event=hold-started", token=station.tokens["watch"]).json["rows"]
        time.sleep(0.3)  # the log has a thread of its own
        log = "".join(station.daemon.errors)
    for text in (shown, log, json.dumps(rows[0])):
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert "\x00" not in text
        assert "one" in text
    assert "\ntwo" not in shown + log
    assert "class 'str'" not in shown + log
    assert rows[0]["operator"] == "operate-one"
