"""Bounds of time and number, with shortened times: whoever is slow or many is cut, and the station goes on."""

import asyncio
import contextlib
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from api_station import dumps, near_station
from raw_http import EventReader, Peer, read_answer

from qsyd_daemon.api.door import Limits
from qsyd_daemon.api.role import Role
from qsyd_daemon.api.token_file import new_token, write_tokens
from qsyd_daemon.client import call
from qsyd_daemon.daemon import Daemon

SHORT = Limits(head_s=0.4, body_s=0.5, idle_s=0.6, unread_s=0.5, closing_s=0.3, ping_s=0.3)
LATEST_S = 30.0
"""Far above any of these times, for a busy machine."""


def ended(connection: socket.socket) -> tuple[bytes, float]:
    """What comes until the other end hangs up, and how long that took."""
    began_s = time.monotonic()
    data = b""
    with contextlib.suppress(ConnectionError):
        while chunk := connection.recv(65536):
            data += chunk
    return data, time.monotonic() - began_s


def token_in(state: Path) -> str:
    state.mkdir(exist_ok=True)
    secret, token = new_token("tester", Role.ADMINISTER, "2026-05-01T00:00:00Z")
    write_tokens(state / "tokens.json", [token])
    return secret


async def until(is_so: Callable[[], bool]) -> None:
    """Wait until something has come true on this loop."""
    async with asyncio.timeout(LATEST_S):
        while not is_so():  # noqa: ASYNC110 - what is waited for tells nobody
            await asyncio.sleep(0.02)


async def settled(daemon: Daemon) -> None:
    """Wait until the rig has been heard and nothing more is told by itself."""
    await until(lambda: daemon.service.state.station.rigs["main"].placed is not None)
    await asyncio.sleep(0.1)


async def test_a_head_that_drips_is_cut_though_every_byte_comes_in_time(tmp_path: Path) -> None:
    def drip(peer: Peer) -> tuple[bytes, float]:
        with peer.connect() as connection:
            connection.sendall(b"GET /v1/status HTTP/1.1\r\n")
            began_s = time.monotonic()
            connection.settimeout(0.1)
            data = b""
            while time.monotonic() < began_s + LATEST_S:
                with contextlib.suppress(OSError):
                    connection.sendall(b"X: y\r\n")
                try:
                    chunk = connection.recv(65536)
                except TimeoutError:
                    continue
                except ConnectionError:
                    break
                if not chunk:
                    break
                data += chunk
            return data, time.monotonic() - began_s

    async with near_station(tmp_path, SHORT) as (_, peer):
        data, took_s = await asyncio.to_thread(drip, peer)
    assert b" 408 " in data.split(b"\r\n")[0]
    assert SHORT.head_s <= took_s < LATEST_S


async def test_a_body_that_does_not_come_is_cut(tmp_path: Path) -> None:
    secret = token_in(tmp_path / "state")

    def ask(peer: Peer) -> tuple[bytes, float]:
        with peer.connect() as connection:
            headers = {"Content-Type": "application/json", "Content-Length": "100"}
            connection.sendall(peer.head("POST", "/v1/amplifier", headers, token=secret) + b'{"request":')
            return ended(connection)

    async with near_station(tmp_path, SHORT) as (_, peer):
        data, took_s = await asyncio.to_thread(ask, peer)
    assert b" 408 " in data.split(b"\r\n")[0]
    assert SHORT.body_s <= took_s < LATEST_S


async def test_a_token_that_is_taken_back_while_a_body_comes_does_nothing(tmp_path: Path) -> None:
    state = tmp_path / "state"
    secret = token_in(state)
    body = dumps({"request": "on"})

    def ask(peer: Peer) -> int:
        with peer.connect() as connection:
            headers = {"Content-Type": "application/json", "Content-Length": str(len(body))}
            connection.sendall(peer.head("POST", "/v1/amplifier", headers, token=secret) + body[:5])
            time.sleep(0.2)
            write_tokens(state / "tokens.json", [])
            connection.sendall(body[5:])
            return read_answer(connection).status

    async with near_station(tmp_path, replace(SHORT, body_s=20.0)) as (daemon, peer):
        assert await asyncio.to_thread(ask, peer) == 401
        assert daemon.status()["amplifier"]["state"] == "off"


@pytest.mark.parametrize("asks_first", [False, True])
async def test_an_idle_connection_is_closed(tmp_path: Path, asks_first: bool) -> None:
    def idle(peer: Peer) -> tuple[bytes, float]:
        with peer.connect() as connection:
            if asks_first:
                connection.sendall(peer.head("GET", "/v1/version"))
                assert read_answer(connection).status == 200
            return ended(connection)

    async with near_station(tmp_path, SHORT) as (_, peer):
        data, took_s = await asyncio.to_thread(idle, peer)
    assert data == b""
    assert SHORT.idle_s * 0.9 <= took_s < LATEST_S


async def test_a_thousand_connections_leave_the_control_socket_and_the_station_alone(tmp_path: Path) -> None:
    def flood(peer: Peer) -> tuple[list[int], int]:
        statuses, held = [], []
        for _ in range(1_000):
            connection = socket.create_connection((peer.host, peer.port), 20)
            held.append(connection)
            if len(held) > 60:  # keep as many open as there may be descriptors to spare
                first = held.pop(40)
                first.settimeout(0.2)
                with contextlib.suppress(OSError):
                    data = first.recv(4096)
                    if data:
                        statuses.append(int(data.split()[1]))
                first.close()
        code, _ = call(tmp_path / "state", "GET", "/v1/status")
        for connection in held:
            connection.close()
        return statuses, code

    async with near_station(tmp_path, replace(SHORT, idle_s=60.0)) as (daemon, peer):
        most = 0

        async def count() -> None:
            nonlocal most
            while True:
                most = max(most, daemon.api.tcp.connections)
                await asyncio.sleep(0.005)

        counting = asyncio.create_task(count())
        statuses, code = await asyncio.to_thread(flood, peer)
        counting.cancel()
        assert most <= 32
        assert set(statuses) == {503}
        assert len(statuses) > 800
        assert code == 200
        await until(lambda: not daemon.api.tcp.connections)
        answer = await asyncio.to_thread(peer.ask, "GET", "/v1/version")
        assert answer.status == 200


async def test_streams_do_not_count_as_connections_and_have_a_cap_of_their_own(tmp_path: Path) -> None:
    limits = replace(SHORT, connections_max=2, streams_max=3, idle_s=60.0)

    def follow(peer: Peer) -> list[int]:
        readers = []
        statuses = []
        for _ in range(4):
            reader = EventReader(peer)
            statuses.append(reader.status)
            readers.append(reader)
        statuses.append(peer.ask("GET", "/v1/version").status)
        for reader in readers:
            reader.close()
        return statuses

    async with near_station(tmp_path, limits) as (_, peer):
        assert await asyncio.to_thread(follow, peer) == [200, 200, 200, 503, 200]


async def test_a_quiet_stream_is_pinged_and_is_not_idle(tmp_path: Path) -> None:
    def listen(peer: Peer) -> list[str]:
        reader = EventReader(peer)
        first = reader.next()
        assert first is not None
        assert first.event == "snapshot"
        reader.connection.settimeout(20)
        began_s = time.monotonic()
        while time.monotonic() < began_s + 1.5:
            reader._text += reader._chunk()
        reader.close()
        return reader.comments + reader._text.decode().split("\n\n")

    async with near_station(tmp_path, SHORT) as (_, peer):
        comments = await asyncio.to_thread(listen, peer)
    assert comments[0] == "retry 2000"
    assert comments.count(": ping") >= 2


async def test_whoever_leaves_an_answer_unread_is_cut(tmp_path: Path) -> None:
    """Each of these asks for more than the buffers between hold, and reads nothing."""
    secret = token_in(tmp_path / "state")

    def ask(peer: Peer) -> socket.socket:
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(20)
        connection.connect((peer.host, peer.port))
        connection.sendall(peer.head("GET", "/openapi.json", token=secret) * 90)
        return connection

    async with near_station(tmp_path, SHORT) as (daemon, peer):
        connections = [await asyncio.to_thread(ask, peer) for _ in range(3)]
        await until(lambda: not daemon.api.tcp.connections)
        for connection in connections:
            connection.close()


async def test_a_follower_that_reads_nothing_is_let_go_and_costs_a_bounded_queue(tmp_path: Path) -> None:
    limits = replace(SHORT, lag_events=50, unread_s=1.0)

    def follow(peer: Peer) -> socket.socket:
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(20)
        connection.connect((peer.host, peer.port))
        connection.sendall(peer.head("GET", "/v1/events"))
        return connection

    async with near_station(tmp_path, limits) as (daemon, peer):
        connection = await asyncio.to_thread(follow, peer)
        await until(lambda: daemon.api.tcp.streams == 1)
        async with asyncio.timeout(LATEST_S):
            while daemon.api.tcp.streams:
                for _ in range(200):
                    daemon.service.warn("test", "x" * 500)
                await asyncio.sleep(0.01)
        connection.close()


async def test_followers_have_their_turn_though_the_bytes_of_what_is_told_take_longer_than_one(tmp_path: Path) -> None:
    """Without end more is told than a turn can make ready; whoever falls behind is let go all the same."""
    limits = replace(SHORT, lag_events=50)
    async with near_station(tmp_path, limits) as (daemon, peer):
        await settled(daemon)
        reader = await asyncio.to_thread(EventReader, peer)
        told = 0
        async with asyncio.timeout(LATEST_S):
            while daemon.api.tcp.streams:
                for _ in range(200):
                    daemon.service.warn("test", "x" * 20_000)
                told += 200
                await asyncio.sleep(0.001)
        await asyncio.to_thread(reader.until, "lagged")
        reader.close()
    assert told < 2_000


async def test_a_daemon_that_ends_tells_whoever_is_too_far_behind_and_carries_the_rest(tmp_path: Path) -> None:
    async with near_station(tmp_path, SHORT) as (daemon, peer):
        await settled(daemon)
        reader = await asyncio.to_thread(EventReader, peer)
        for number in range(2_500):  # in one turn of the loop: more than are kept
            daemon.service.warn("test", f"warning {number}")
        await daemon.api.close()
        seen = await asyncio.to_thread(reader.until, "lagged")
        assert len(seen) < 1_000
        reader.close()


@pytest.mark.parametrize("text", ["short", "x" * 5_000], ids=["a thousand events", "a mebibyte"])
async def test_a_follower_that_never_reads_is_let_go_at_the_bounds_as_they_are(tmp_path: Path, text: str) -> None:
    """What it had not been sent when it was let go is what it finds missing, reading too late."""
    limits = Limits(unread_s=600.0, closing_s=30.0)

    def rest(connection: socket.socket) -> tuple[int, list[str]]:
        data, _ = ended(connection)
        names = [line[7:].decode() for line in data.split(b"\n") if line.startswith(b"event: ")]
        return data.count(b'"code":"test"'), names

    async with near_station(tmp_path, limits) as (daemon, peer):
        await settled(daemon)
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(20)
        connection.connect((peer.host, peer.port))
        connection.sendall(peer.head("GET", "/v1/events"))
        await until(lambda: daemon.api.tcp.streams == 1)
        told = 0
        async with asyncio.timeout(40):
            while daemon.api.tcp.streams:
                daemon.service.warn("test", text)
                told += 1
                await asyncio.sleep(0.001 if told % 5 == 0 else 0)
        had, names = await asyncio.to_thread(rest, connection)
        connection.close()
    assert names[0] == "snapshot"
    assert names[-1] == "lagged"
    missing = told - had
    if text == "short":
        assert limits.lag_events < missing < limits.lag_events + 100
    else:
        size = len(text) + 150  # an event's own bytes, roughly
        assert limits.lag_bytes < missing * size < limits.lag_bytes + 100 * size


async def test_a_follower_that_falls_behind_is_told_so_and_can_come_back(tmp_path: Path) -> None:
    limits = replace(SHORT, lag_events=50, unread_s=60.0)
    async with near_station(tmp_path, limits) as (daemon, peer):
        await settled(daemon)
        reader = await asyncio.to_thread(EventReader, peer)
        first = await asyncio.to_thread(reader.next)
        assert first is not None
        for number in range(400):  # in one turn of the loop: nobody could read so fast
            daemon.service.warn("test", f"warning {number}")
        seen = await asyncio.to_thread(reader.until, "lagged")
        assert await asyncio.to_thread(reader.next) is None
        assert len(seen) < 400
        reader.close()
        again = await asyncio.to_thread(lambda: EventReader(peer, headers={"Last-Event-ID": first.number}))
        missed = await asyncio.to_thread(again.until, "snapshot")
        texts = [each.data["text"] for each in missed if each.event == "warning" and each.data["code"] == "test"]
        assert texts == [f"warning {number}" for number in range(400)]
        again.close()


async def test_bytes_bound_a_followers_queue_too(tmp_path: Path) -> None:
    limits = replace(SHORT, lag_bytes=10_000)
    async with near_station(tmp_path, limits) as (daemon, peer):
        await settled(daemon)
        reader = await asyncio.to_thread(EventReader, peer)
        await asyncio.to_thread(reader.next)
        for _ in range(3):
            daemon.service.warn("test", "x" * 5_000)
        seen = await asyncio.to_thread(reader.until, "lagged")
        assert [each.event for each in seen] == ["lagged"]
        reader.close()


async def test_an_early_end_of_a_body_is_no_fault_of_ours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    secret = token_in(tmp_path / "state")

    def ask(peer: Peer) -> None:
        for length in (5, 17):
            with peer.connect() as connection:
                headers = {"Content-Type": "application/json", "Content-Length": "17"}
                body = dumps({"request": "on"})[:length]
                connection.sendall(peer.head("POST", "/v1/amplifier", headers, token=secret) + body[:5])

    async with near_station(tmp_path, SHORT) as (_, peer):
        await asyncio.to_thread(ask, peer)
        answer = await asyncio.to_thread(peer.ask, "GET", "/v1/status")
        assert answer.json["amplifier"]["state"] == "off"
    assert "Traceback" not in capsys.readouterr().err
