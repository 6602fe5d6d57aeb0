"""The stream of events: a snapshot, everything after it, what was missed, and an end when the daemon ends."""

import json
import socket
import time
from pathlib import Path
from statistics import median

import pytest
from api_station import ApiStation, running_station
from followers import followers
from live_station import ELSEWHERE_HZ, HOME_HZ, LiveStation, live_station, until
from raw_http import EventReader, Peer
from running_daemon import RunningDaemon

from qsyd_daemon.client import call
from qsyd_daemon.event_source import follow


def hold(station: ApiStation, minutes: int) -> None:
    assert station.local("POST", "/v1/hold", {"antenna": "hill-beam", "for": f"{minutes} min"})[0] == 200


def test_a_stream_begins_with_a_snapshot_and_tells_every_event_in_order(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        reader = EventReader(station.peer)
        assert "content-type: text/event-stream" in reader.head
        snapshot = reader.next()
        assert snapshot is not None
        assert snapshot.event == "snapshot"
        assert snapshot.data["station"] == "Heron Quay"
        assert reader.comments == ["retry 2000"]
        for minutes in range(1, 6):
            hold(station, minutes)
        told = [reader.next() for _ in range(9)]
        events = [each for each in told if each is not None]
        assert [each.event for each in events] == ["hold-started", *["hold-ended", "hold-started"] * 4]
        assert all(each.data["event"] == each.event for each in events)
        numbers = [int((each.number or "").rpartition("-")[2]) for each in (snapshot, *events)]
        assert numbers == list(range(numbers[0], numbers[0] + 10))
        station.daemon.wait_until(lambda event: event["at"] == events[-1].data["at"], "last event in the file")
        file = [event for event in station.daemon.events if event["event"].startswith("hold-")]
        assert [{**each.data, "arrived_s": 0} for each in events] == [{**each, "arrived_s": 0} for each in file]
        reader.close()


def test_who_comes_back_gets_what_was_missed_and_then_the_snapshot(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        reader = EventReader(station.peer)
        snapshot = reader.next()
        assert snapshot is not None
        reader.close()
        hold(station, 1)
        hold(station, 2)
        again = EventReader(station.peer, headers={"Last-Event-ID": snapshot.number})
        events = again.until("snapshot")
        assert [each.event for each in events] == ["hold-started", "hold-ended", "hold-started", "snapshot"]
        assert events[-1].number == events[-2].number
        again.close()
        now = EventReader(station.peer, headers={"Last-Event-ID": events[-1].number})
        assert [each.event for each in now.until("snapshot")] == ["snapshot"]
        now.close()


def test_what_cannot_be_told_any_more_is_a_gap(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        reader = EventReader(station.peer)
        snapshot = reader.next()
        assert snapshot is not None
        assert snapshot.number is not None
        run = snapshot.number.rpartition("-")[0]
        for last in ("0badc0de-1", "", "x", f"{run}-99999999", f"{run}--1", f"{run}-{'9' * 500}"):
            again = EventReader(station.peer, headers={"Last-Event-ID": last})
            events = [again.next(), again.next()]
            assert [each.event for each in events if each is not None] == ["gap", "snapshot"], last
            again.close()
        for _ in range(350):  # three events a second time round: more than the ring holds
            hold(station, 1)
            assert station.local("POST", "/v1/hold", {"antenna": None})[0] == 200
            hold(station, 2)
        again = EventReader(station.peer, headers={"Last-Event-ID": snapshot.number})
        events = [again.next(), again.next()]
        assert [each.event for each in events if each is not None] == ["gap", "snapshot"]
        again.close()
        reader.close()


def test_the_control_socket_streams_too(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        stream = follow(station.state)
        assert next(stream).event == "snapshot"
        hold(station, 1)
        assert next(stream).data["event"] == "hold-started"
        stream.close()


def test_streams_end_when_the_daemon_ends_and_hold_nothing_up(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        readers = [EventReader(station.peer) for _ in range(8)]
        silent = _silent(station.peer)
        assert all(reader.next() for reader in readers)
        began_s = time.monotonic()
        assert station.daemon.stop(within_s=10) == 0
        assert time.monotonic() - began_s < 5
        for reader in readers:
            told = []
            while (each := reader.next()) is not None:
                told.append(each.event)
            assert "transmit-inhibited" in told
            reader.close()
        silent.close()


def test_a_token_that_is_taken_back_ends_its_stream(tmp_path: Path) -> None:
    with running_station(tmp_path) as station:
        mine = EventReader(station.peer, token=station.tokens["watch"])
        other = EventReader(station.peer, token=station.tokens["operate"])
        assert mine.next()
        assert other.next()
        assert station.daemon.qsyd("token", "remove", "watch-one").returncode == 0
        assert mine.next() is None
        hold(station, 1)
        told = other.next()
        assert told is not None
        assert told.event == "hold-started"
        assert station.peer.ask("GET", "/v1/events", token=station.tokens["watch"]).status == 401
        mine.close()
        other.close()


def _silent(peer: Peer) -> socket.socket:
    """A follower that takes nothing."""
    connection = socket.socket()
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    connection.settimeout(20)
    connection.connect((peer.host, peer.port))
    connection.sendall(peer.head("GET", "/v1/events"))
    return connection


def _change_overs(station: LiveStation, daemon: RunningDaemon, count: int) -> list[float]:
    took_ms = []
    for number in range(count):
        since = daemon.mark()
        station.voice.panel.a_hz = ELSEWHERE_HZ if number % 2 == 0 else HOME_HZ
        took_ms.append(daemon.wait_for("change-over-finished", 20, since)["took_ms"])
    return took_ms


@pytest.mark.timeout(120)
def test_followers_that_never_read_delay_no_change_over(tmp_path: Path) -> None:
    """Sixteen of them, their queues run full, against the same station without them."""
    with live_station(tmp_path) as station:
        text = station.file.read_text(encoding="utf-8")
        station.file.write_text(text + "api: {listen: '127.0.0.1:0'}\n", encoding="utf-8")
        with station.daemon() as daemon:
            daemon.wait_settled(HOME_HZ, 20)
            alone = _change_overs(station, daemon, 6)
            peer = Peer(int(daemon.status()["api"]["address"].rpartition(":")[2]))
            silent = [_silent(peer) for _ in range(16)]
            for _ in range(600):
                call(station.state, "POST", "/v1/hold", {"antenna": "nobody", "for": "1 min"})
                call(station.state, "POST", "/v1/hold", {"antenna": "hilltop-beam", "for": "1 min"})
            call(station.state, "POST", "/v1/hold", {"antenna": None})
            beside = _change_overs(station, daemon, 6)
            for connection in silent:
                connection.close()
        station.assert_safe()
    assert median(beside) < 2 * median(alone) + 50, (alone, beside)


@pytest.mark.timeout(120)
def test_sixty_followers_lose_nothing_and_delay_no_change_over_though_six_never_read(tmp_path: Path) -> None:
    """The short form of `tests/bench/test_bench_followers.py`."""
    with live_station(tmp_path) as station:
        text = station.file.read_text(encoding="utf-8")
        station.file.write_text(text + "api: {listen: '127.0.0.1:0', streams: 60}\n", encoding="utf-8")
        with station.daemon() as daemon:
            daemon.wait_settled(HOME_HZ, 20)
            alone = _change_overs(station, daemon, 4)
            port = int(daemon.status()["api"]["address"].rpartition(":")[2])
            with followers(port, 60, 6) as many:
                until(many.ready, bool, 40)
                begun = daemon.mark()
                beside = _change_overs(station, daemon, 4)
                told = daemon.mark() - begun
                had = many.ask()
        station.assert_safe()
    assert (had.readers, had.silent) == (54, 6)
    assert (had.lost, had.ended, had.silent_cut) == (0, 0, 0)
    assert len(had.last) == 1, "all have had the same"
    assert had.events >= had.readers * told
    assert median(beside) < 2 * median(alone) + 50, (alone, beside)


def test_events_are_json_on_one_line_each(tmp_path: Path) -> None:
    with running_station(tmp_path, tokens=False) as station:
        reader = EventReader(station.peer)
        reader.next()
        station.local(
            "POST", "/v1/hold", {"antenna": "hill-beam", "for": "1 min", "reason": "a\n\ndata: b\r\n\r\nid: 1"}
        )
        told = reader.next()
        assert told is not None
        assert json.loads(json.dumps(told.data)) == told.data
        assert told.event == "hold-started"
        reader.close()
