"""Callers who take their time and callers who are too many, at the bounds as they are, while the station changes bands.

`QSYD_LONG=1` stays until those that say nothing have been cut too, and whoever reads nothing.
"""

import asyncio
import os
import socket
import time
from pathlib import Path
from statistics import median

import pytest
from api_station import make_tokens, near_station
from crowd import crowd
from live_station import ELSEWHERE_HZ, HOME_HZ, LiveStation, live_station
from raw_http import Peer
from running_daemon import RunningDaemon

from qsyd_daemon.api.door import Limits
from qsyd_daemon.client import call

LONG = bool(os.environ.get("QSYD_LONG"))
AS_IT_IS = Limits()
STAY_S = AS_IT_IS.idle_s + 4 if LONG else AS_IT_IS.body_s + 2
LATER_S = 5.0
"""How much later than it should a busy machine may cut somebody."""
HEADS, BODIES, IDLE = 12, 10, 10
KNOCKS = 1_000


def change_over(station: LiveStation, daemon: RunningDaemon, *, to_home: bool) -> tuple[float, float]:
    """From one band to the other: what it took by the daemon's word, and how soon transmit was inhibited; in ms."""
    since, heard = daemon.mark(), station.amp.mark()
    turned_s = time.monotonic()
    station.voice.panel.a_hz = HOME_HZ if to_home else ELSEWHERE_HZ
    finished = daemon.wait_for("change-over-finished", 20, since)
    held = station.amp.wait_for("HOLD", 1, heard)
    return finished["took_ms"], (held.at_s - turned_s) * 1000


@pytest.mark.timeout(180)
def test_a_crowd_of_slow_callers_and_a_thousand_too_many_delay_no_change_over(tmp_path: Path) -> None:
    assert AS_IT_IS.connections_max == HEADS + BODIES + IDLE
    with live_station(tmp_path) as station:
        text = station.file.read_text(encoding="utf-8")
        station.file.write_text(text + "api: {listen: '127.0.0.1:0'}\n", encoding="utf-8")
        token = make_tokens(station.state)["operate"]
        with station.daemon() as daemon:
            daemon.wait_settled(HOME_HZ, 20)
            alone = [change_over(station, daemon, to_home=bool(number % 2)) for number in range(8)]
            port = int(daemon.status()["api"]["address"].rpartition(":")[2])
            beside: list[tuple[float, float]] = []
            with crowd(port, heads=HEADS, bodies=BODIES, idle=IDLE, knocks=KNOCKS, token=token) as standing:
                until_s = time.monotonic() + STAY_S
                while time.monotonic() < until_s or len(beside) % 2:
                    beside.append(change_over(station, daemon, to_home=bool(len(beside) % 2)))
                    assert call(station.state, "GET", "/v1/status")[0] == 200
                fared = standing.ask()
            refused = daemon.named("output-failed") + daemon.named("fault")
        station.assert_safe()
    print(f"\n{fared}")
    for which, what in enumerate(("change-over", "from the dial to the inhibit")):
        without, within = ([each[which] for each in taken] for taken in (alone, beside))
        print(
            f"{what}: {median(without):.0f} ms alone, {median(within):.0f} beside the crowd, {max(within):.0f} at most"
        )
        assert median(within) < 2 * median(without) + 50, (alone, beside)
    assert refused == []

    assert fared.knocks == KNOCKS
    assert fared.turned_away > KNOCKS / 2  # the others found a place that a slow one had just lost
    for kind, status, limit_s in (("head", "408", AS_IT_IS.head_s), ("body", "408", AS_IT_IS.body_s)):
        assert set(fared.cut[kind]) == {status}, fared
        assert limit_s * 0.99 <= fared.soonest_s[kind] <= fared.latest_s[kind] < limit_s * 1.1 + LATER_S, fared
    if LONG:
        assert set(fared.cut["idle"]) == {"none"}
        assert AS_IT_IS.idle_s * 0.99 <= fared.soonest_s["idle"] <= fared.latest_s["idle"] < AS_IT_IS.idle_s + LATER_S
    else:
        assert fared.cut["idle"] == {}, "not yet"


@pytest.mark.skipif(not LONG, reason="waits for half a minute; the same with shorter times is in test_api_limits.py")
@pytest.mark.timeout(180)
async def test_whoever_reads_no_answer_is_cut_at_the_bound_as_it_is(tmp_path: Path) -> None:
    def ask(peer: Peer) -> socket.socket:
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.settimeout(20)
        connection.connect((peer.host, peer.port))
        connection.sendall(peer.head("GET", "/openapi.json") * 90)
        return connection

    async with near_station(tmp_path, AS_IT_IS) as (daemon, peer):
        begun_s = time.monotonic()
        connection = await asyncio.to_thread(ask, peer)
        while not daemon.api.tcp.connections:  # noqa: ASYNC110 - what is waited for tells nobody
            await asyncio.sleep(0.02)
        while daemon.api.tcp.connections:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        took_s = time.monotonic() - begun_s
        connection.close()
    assert AS_IT_IS.unread_s * 0.99 <= took_s < AS_IT_IS.unread_s * 1.1 + LATER_S
