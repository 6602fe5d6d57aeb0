"""A live station whose network drops every packet for a while, without a word to either end. Run in a network of its own:

    unshare --net python tests/support/dropped_packets.py DIRECTORY

The loopback of that network is throttled by a token bucket smaller than any packet (tc-tbf(8)), which drops them all;
no connection is closed or reset. Ends with 0 if the station was safe throughout and came back by itself.
"""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2] / room) for room in ("daemon", "rules", "simulators")]

from live_station import (
    ELSEWHERE_HZ,
    LOST_AFTER_S,
    METERS_EVERY_S,
    SAFE_WITHIN_S,
    SHORT_S,
    SLACK,
    STALE_AFTER_S,
    LiveStation,
    live_station,
)
from running_daemon import RunningDaemon

DARK_S = 3.0
BOLD = ("PORT", "TANK", "LINE 1", "FREE")


def main(directory: Path) -> int:
    """Both scenes, each on a station of its own."""
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    for scene in (in_operate, in_a_change_over):
        place = directory / scene.__name__
        place.mkdir()
        with live_station(place) as station, station.daemon() as daemon:
            station.operate(daemon)
            scene(station, daemon)
        print(f"{scene.__name__}: safe throughout, and back by itself", flush=True)
    return 0


@contextmanager
def darkness() -> Iterator[None]:
    """Every packet is dropped."""
    drop = "tc qdisc replace dev lo root tbf rate 8bit burst 10 latency 1ms"
    subprocess.run(drop.split(), check=True)
    try:
        yield
    finally:
        subprocess.run(["tc", "qdisc", "del", "dev", "lo", "root"], check=True)


def in_operate(station: LiveStation, daemon: RunningDaemon) -> None:
    """Rig and amplifier are missed by their silence alone; what leaves first afterwards is the safe state."""
    since, switched = daemon.mark(), station.switch.mark()
    with darkness():
        amped = station.amp.mark()
        began_s = time.monotonic()
        inhibited = daemon.wait_for("transmit-inhibited", SHORT_S, since)
        silence_s = min(LOST_AFTER_S, METERS_EVERY_S + STALE_AFTER_S)
        assert inhibited["arrived_s"] - began_s <= (silence_s + SAFE_WITHIN_S) * SLACK
        daemon.wait_for("link-lost", SHORT_S, since)
        assert daemon.status()["amplifier"]["state"] != "operate"
        time.sleep(DARK_S)
        assert not daemon.named("transmit-released", since)
    came_back(station, daemon, since, amped)
    assert station.switch.lines(switched) in ([], ["PORT 1"]), "where it was, at most told again"


def in_a_change_over(station: LiveStation, daemon: RunningDaemon) -> None:
    """Darkness falls as the change-over begins, and somebody keys in it: nothing that was sent then arrives late."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    station.rig.panel.a_hz = ELSEWHERE_HZ
    daemon.wait_for("change-over-started", SHORT_S, since)
    with darkness():
        time.sleep(0.3)
        station.key.press()
        daemon.wait_for("link-lost", SHORT_S, since)
        time.sleep(DARK_S)
    time.sleep(1.0)  # whatever was on its way has come; a move under the key would be a violation
    station.key.let_go()
    came_back(station, daemon, since, amped)
    assert station.switch.lines(switched)[-1] == "PORT 2"


def came_back(station: LiveStation, daemon: RunningDaemon, since: int, amped: int) -> None:
    """The safe state first, then operate again without anybody's help."""
    daemon.wait_for("link-up", 5 * SHORT_S, since)
    station.amp.wait_for("LINE 0", 5 * SHORT_S, amped)
    station.wait_on_the_air(5 * SHORT_S)
    lines = station.amp.lines(amped)
    first_bold = next(line for line in lines if line.startswith(BOLD))
    assert {"HOLD", "LINE 0"} <= set(lines[: lines.index(first_bold)]), lines


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
