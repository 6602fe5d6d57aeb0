"""Faults, a stuck key, power that nobody admits to, motors, the front panel and the lockout; live, with meters of our own.

The devices keep the truth (see `live_devices`): no relay or motor is told to move under a key, no tube is hurried, and
none comes back after its high voltage was taken away without a whole warm-up.
"""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest
from live_station import (
    ELSEWHERE_HZ,
    HOME_HZ,
    METERS_EVERY_S,
    SAFE_WITHIN_S,
    SHORT_S,
    SLACK,
    LiveStation,
    live_station,
    until,
)
from running_daemon import Event, RunningDaemon

KEY_DOWN_S = 2.0
"""`key_down` of the station file, where a key that sticks is what is tried."""
INHIBIT_WITHIN_S = 0.1
GRACE_S = 2.0
"""Budgets of the stuck key: inhibit within 0.1 s of `key_down`; still keyed 2 s later, standby and a latched fault."""
LONE_S = 0.5
"""More than the warm-up: long enough for what would happen by itself."""


@dataclass(frozen=True, slots=True)
class Beyond:
    """Meters beyond a limit, by their letters, and what has to come of it."""

    code: str
    severity: str
    shows: dict[str, str]
    figures: tuple[str, ...]
    """Parts of the detail: the readings and the limit."""
    stays: bool = False
    """Whether the cause can still be seen when the amplifier is out of the signal path."""
    in_standby: bool = False
    amplifies: bool = False
    """Whether meters that go on so out of the signal path would be another fault: an amplifier that amplifies there."""


OFFLINE = (
    Beyond("grid-current", "offline", {"G": "130"}, ("130 mA", "120 mA")),
    Beyond("plate-current", "offline", {"P": "1600"}, ("1600 mA",), amplifies=True),
    Beyond("reflected-power", "offline", {"F": "1200", "R": "151"}, ("151 W", "150 W")),
    Beyond("swr", "offline", {"F": "100", "R": "40"}, ("4.4", "2.5")),  # (1 + sqrt(0.4)) / (1 - sqrt(0.4)) = 4.44
    Beyond("drive", "offline", {"D": "76"}, ("76 W", "75 W")),
    Beyond("gain-low", "offline", {"F": "60", "D": "50"}, ("60 W", "50 W")),
    Beyond("gain-high", "offline", {"F": "800", "D": "10"}, ("800 W", "10 W"), amplifies=True),
)
SHUTDOWN = (
    Beyond("plate-voltage-low", "shutdown", {"V": "1000"}, ("1000 V",)),
    Beyond("plate-voltage-high", "shutdown", {"V": "4000"}, ("4000 V",)),
    Beyond("exhaust-hot", "shutdown", {"C": "95"}, ("95 °C",), stays=True),
    Beyond("heater-lost", "shutdown", {"S": "off"}, ("off",)),
    Beyond("told-by-amplifier", "shutdown", {"E": "arc"}, ("arc",), stays=True),
    Beyond("power-while-not-ready", "shutdown", {"P": "200"}, ("200 mA",), in_standby=True),
)


def _acknowledge(daemon: RunningDaemon, *arguments: str) -> tuple[int, str]:
    done = daemon.qsyd("acknowledge", *arguments)
    return done.returncode, done.stdout + done.stderr


def _assert_stays_out(station: LiveStation, daemon: RunningDaemon, since: int) -> None:
    """Left alone, and asked for operate, it stays out of the signal path."""
    time.sleep(LONE_S)
    refused = daemon.qsyd("amplifier", "operate")
    assert refused.returncode == 1
    assert refused.stderr.startswith("refused: ")
    assert "LINE 1" not in station.amp.lines(since)


def _goes_beyond(station: LiveStation, daemon: RunningDaemon, beyond: Beyond) -> None:
    """From operate over the fault, its acknowledgement and a new wish back to operate."""
    if beyond.in_standby:
        assert daemon.qsyd("amplifier", "standby").returncode == 0
        until(lambda: station.amp.in_path, lambda seen: not seen)
        time.sleep(2 * METERS_EVERY_S)
    since, amped = daemon.mark(), station.amp.mark()
    station.amp.shows = beyond.shows
    fault = daemon.wait_for("fault", SHORT_S, since)
    _assert_told(fault, beyond)
    # A shutdown is told by the line that takes the voltage away; standby follows, unless it was there already.
    first = "HV 0" if beyond.severity == "shutdown" else "LINE 0"
    assert station.amp.wait_for(first, SHORT_S, amped).at_s <= fault["arrived_s"] + SAFE_WITHIN_S * SLACK
    if not beyond.in_standby:
        station.amp.wait_for("LINE 0", SHORT_S, amped)
    if beyond.amplifies:
        station.amp.shows = {}
    assert ("HV 0" in station.amp.lines(amped)) is (beyond.severity == "shutdown")
    shown = daemon.status()["amplifier"]
    assert (shown["state"], shown["wish"], shown["fault"]["code"]) == ("fault", "standby", beyond.code)
    number = shown["fault"]["number"]
    _assert_stays_out(station, daemon, amped)

    if beyond.stays:
        code, said = _acknowledge(daemon)
        assert (code, "its cause has not gone" in said) == (1, True), said
    code, said = _acknowledge(daemon, str(number + 1))
    assert (code, f"fault {number + 1} does not stand" in said) == (1, True), said
    station.amp.shows = {}
    time.sleep(3 * METERS_EVERY_S)
    assert daemon.status()["amplifier"]["state"] == "fault", "no fault clears by itself"
    assert "LINE 1" not in station.amp.lines(amped)
    code, said = _acknowledge(daemon, str(number))
    assert (code, f"fault {beyond.code} acknowledged" in said) == (0, True), said
    daemon.wait_for("fault-acknowledged", SHORT_S, since, code=beyond.code)
    code, said = _acknowledge(daemon)
    assert (code, "no fault stands" in said) == (1, True), said
    _back_to_operate(station, daemon, beyond.severity)


def _assert_told(fault: Event, beyond: Beyond) -> None:
    assert (fault["code"], fault["severity"]) == (beyond.code, beyond.severity)
    assert all(figure in fault["detail"] for figure in beyond.figures), fault["detail"]
    assert fault["advice"].endswith((".", "?"))


def _back_to_operate(station: LiveStation, daemon: RunningDaemon, severity: str) -> None:
    """An acknowledgement is no wish: operate waits to be asked for, and a shutdown costs a fresh warm-up."""
    since, amped = daemon.mark(), station.amp.mark()
    time.sleep(LONE_S)
    assert "LINE 1" not in station.amp.lines(amped)
    if severity == "shutdown":
        refused = daemon.qsyd("amplifier", "operate")
        assert (refused.returncode, "switch it on first" in refused.stderr) == (1, True), refused.stderr
        until(lambda: daemon.status()["amplifier"]["state"], {"off", "cool-down"}.__contains__)
        assert daemon.qsyd("amplifier", "on").returncode == 0
    assert daemon.qsyd("amplifier", "operate", "--when-ready").returncode == 0
    station.wait_operating(daemon, since)
    if severity == "shutdown":
        heated = station.amp.wait_for("HEAT 1", SHORT_S, amped)
        assert station.amp.wait_for("LINE 1", SHORT_S, amped).at_s - heated.at_s >= station.amp.warm_up_s


def _stuck_key(station: LiveStation, daemon: RunningDaemon) -> None:
    """Three times: inhibited, then standby and a fault; the antenna never moves; the third time takes a reason."""
    for repetition in (1, 2, 3):
        since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
        began_s = station.key.press()
        held_s = station.amp.wait_for("HOLD", KEY_DOWN_S + SHORT_S, amped).at_s - began_s
        assert KEY_DOWN_S <= held_s <= KEY_DOWN_S + SLACK * INHIBIT_WITHIN_S
        assert "LINE 0" not in station.amp.lines(amped)
        fault = daemon.wait_for("fault", GRACE_S + SHORT_S, since, code="keyed-too-long", severity="offline")
        out_s = station.amp.wait_for("LINE 0", SHORT_S, amped).at_s - began_s
        assert KEY_DOWN_S + GRACE_S <= out_s <= KEY_DOWN_S + GRACE_S + SLACK * SAFE_WITHIN_S
        assert fault["arrived_s"] - began_s >= KEY_DOWN_S + GRACE_S
        station.rig.tune(ELSEWHERE_HZ)  # whatever the dial does, nothing moves under the key
        daemon.wait_for("placed", SHORT_S, since, antenna="harbour-wire")
        station.rig.tune(HOME_HZ)
        daemon.wait_until(
            lambda told: told["event"] == "placed" and told["antenna"] == "hilltop-beam", "back", 5, since
        )
        assert fault["advice"].endswith(".")
        code, said = _acknowledge(daemon, "--reason", "pulled the plug of the foot switch")
        assert (code, "the key is still down" in said) == (1, True), said
        assert station.switch.lines(switched) == []
        assert daemon.status()["transmit"]["released"] is False
        station.key.let_go()
        daemon.wait_for("unkeyed", SHORT_S, since)
        if repetition == 3:
            code, said = _acknowledge(daemon)
            assert (code, "takes a reason" in said) == (1, True), said
            assert daemon.status()["amplifier"]["fault"]["locked"] is True
            code, said = _acknowledge(daemon, "--reason", "foot switch replaced")
            assert daemon.wait_for("fault-acknowledged", SHORT_S, since)["reason"] == "foot switch replaced"
        else:
            code, said = _acknowledge(daemon)
        assert code == 0, said
        _back_to_operate(station, daemon, "offline")
        assert station.switch.lines(switched) == []


def _power_unadmitted(station: LiveStation, daemon: RunningDaemon) -> None:
    """Forward power while the rig says it receives counts as keyed: nothing moves, and the disagreement is told."""
    since, switched, amped = daemon.mark(), station.switch.mark(), station.amp.mark()
    station.amp.shows = {"F": "120", "D": "0"}  # of a transmitter that heeds no inhibit
    station.key.press(told=False, seen_after_s=METERS_EVERY_S)
    daemon.wait_for("keyed", SHORT_S, since)
    station.rig.tune(ELSEWHERE_HZ)
    station.amp.wait_for("HOLD", SHORT_S, amped)
    station.amp.wait_for("LINE 0", SHORT_S, amped)  # on another band at once: the lesser harm
    warning = daemon.wait_for("warning", SHORT_S, since, code="key-evidence")
    assert "amp shows 120 W" in warning["text"]
    time.sleep(LONE_S)
    assert station.switch.lines(switched) == []
    assert not [line for line in station.amp.lines(amped) if line not in {"HOLD", "LINE 0"}]

    station.key.let_go()
    station.amp.shows = {}
    daemon.wait_for("unkeyed", SHORT_S, since)
    station.wait_operating(daemon, since)
    assert station.switch.lines(switched) == ["PORT 2"]
    station.rig.tune(HOME_HZ)
    daemon.wait_for("change-over-finished", SHORT_S, since, segment="20m/2")
    station.wait_on_the_air()


def _motors(station: LiveStation, daemon: RunningDaemon) -> None:
    """A recall ends when both positions have arrived, and has failed when they have not after `travel` (1 s)."""
    since, amped = daemon.mark(), station.amp.mark()
    station.amp.travel_s = 0.6
    station.rig.tune(HOME_HZ - 60_000)
    sent_s = station.amp.wait_for("TANK 210 211", SHORT_S, amped).at_s
    assert station.amp.wait_for("LINE 1", SHORT_S, amped).at_s - sent_s >= station.amp.travel_s
    daemon.wait_for("change-over-finished", SHORT_S, since)
    assert daemon.status()["outputs"]["tank"]["known"] == "confirmed"
    assert "\ntank       tune 210, load 211 (confirmed)\n" in daemon.qsyd("status").stdout
    station.amp.shows = {"T": "250"}  # somebody has turned it by hand
    turned = "\ntank       tune 210, load 211 (confirmed), now at tune 250, load 211\n"
    until(lambda: daemon.qsyd("status").stdout, lambda status: turned in status)
    station.amp.shows = {}

    since, amped = daemon.mark(), station.amp.mark()
    station.amp.sticks = True
    station.rig.tune(HOME_HZ)
    sent_s = station.amp.wait_for("TANK 220 221", SHORT_S, amped).at_s
    failed = daemon.wait_for("warning", SHORT_S, since, code="change-over-failed")
    assert failed["arrived_s"] - sent_s >= 1.0
    assert "has not arrived at tune 220, load 221 within 1 s; it stands at tune 210, load 211" in failed["text"]
    shown = daemon.status()
    assert shown["transmit"]["released"] is False
    assert shown["amplifier"]["state"] == "standby"
    assert not {"FREE", "LINE 1"} & set(station.amp.lines(amped))

    station.amp.sticks, station.amp.travel_s = False, 0.05
    station.wait_operating(daemon, since)
    assert station.amp.positions == ("220", "221")


def _panel(station: LiveStation, daemon: RunningDaemon) -> None:
    """A person at the amplifier wins over standby; operate that nobody asked for is taken back."""
    time.sleep(1.2)  # what contradicts a command sooner than a second after it counts for nothing
    since, amped = daemon.mark(), station.amp.mark()
    station.amp.in_path = False
    warning = daemon.wait_for("warning", SHORT_S, since, code="amplifier-at-its-panel")
    assert "standby at its panel" in warning["text"]
    until(lambda: daemon.status()["amplifier"], lambda shown: (shown["state"], shown["wish"]) == ("standby", "standby"))
    time.sleep(1.2)
    assert "LINE 1" not in station.amp.lines(amped)

    since, amped = daemon.mark(), station.amp.mark()
    station.amp.in_path = True
    warning = daemon.wait_for("warning", SHORT_S, since, code="amplifier-at-its-panel")
    assert "operate" in warning["text"]
    station.amp.wait_for("LINE 0", SHORT_S, amped)
    until(lambda: (station.amp.in_path, station.amp.held), lambda seen: seen == (False, False))
    assert daemon.qsyd("amplifier", "operate").returncode == 0
    station.wait_operating(daemon, since)


Scenario = Callable[[LiveStation, RunningDaemon], None]


def _operating(directory: Path, *scenarios: Scenario, key_down_s: float = KEY_DOWN_S) -> None:
    """A station in operate, which goes through these one after the other and is in operate again after each."""
    with live_station(directory, key_down_s=key_down_s) as station, station.daemon() as daemon:
        station.operate(daemon)
        for scenario in scenarios:
            scenario(station, daemon)
            station.assert_safe()
        assert not [told for told in daemon.named("fault") if told["code"] == "unsafe-command"]
        assert daemon.stop() == 0


def _lockout(directory: Path) -> None:
    """It bars release and operate through a kill and a restart, and ends when a person says so."""
    reason = "relay of the beam replaced"
    with live_station(directory) as station:
        with station.daemon() as daemon:
            station.operate(daemon)
            amped = station.amp.mark()
            assert daemon.qsyd("lockout", "on").returncode == 2
            assert daemon.qsyd("lockout", "on", "--reason", " ").returncode == 2
            assert daemon.status()["lockout"] is None
            begun = daemon.qsyd("lockout", "on", "--reason", reason, "--name", "somebody on the roof")
            daemon.kill()  # what was said to stand is durable by then
            assert (begun.returncode, "maintenance lockout by somebody on the roof" in begun.stdout) == (0, True)
            assert {"HOLD", "LINE 0"} <= set(station.amp.lines(amped))
        for code in (None, 0):
            with station.daemon() as daemon:
                _assert_locked_out(station, daemon, reason)
                if code is None:
                    daemon.kill()
                else:
                    assert daemon.stop() == code
        with station.daemon() as daemon:
            _assert_locked_out(station, daemon, reason)
            since, amped = daemon.mark(), station.amp.mark()
            assert daemon.qsyd("lockout", "off").returncode == 0
            daemon.wait_for("transmit-released", SHORT_S, since)
            station.amp.wait_for("FREE", SHORT_S, amped)
            time.sleep(LONE_S)
            assert "LINE 1" not in station.amp.lines(amped)
            assert daemon.qsyd("amplifier", "operate", "--when-ready").returncode == 0
            station.wait_operating(daemon, since)


def _restarted_under_a_fault(directory: Path) -> None:
    """No restart is an acknowledgement: not a stop, not a kill, not two; nor may the wall clock be right for it."""
    with live_station(directory) as station:
        with station.daemon() as daemon:
            station.operate(daemon)
            station.amp.shows = {"V": "1000"}
            fault = daemon.wait_for("fault", SHORT_S, code="plate-voltage-low")
            station.amp.shows = {}
            assert daemon.stop() == 0
        for kills in (True, False):
            with station.daemon() as daemon:
                again = daemon.wait_for("fault", SHORT_S, code="plate-voltage-low", severity="shutdown")
                assert again["detail"] == f"stood when the last run ended: {fault['detail']}"
                daemon.wait_for("placed", SHORT_S)
                refused = daemon.qsyd("amplifier", "operate", "--when-ready")
                assert (refused.returncode, "plate-voltage-low stands" in refused.stderr) == (1, True), refused.stderr
                time.sleep(LONE_S)  # longer than the journal takes
                daemon.kill() if kills else daemon.stop()
        amped = station.amp.mark()
        with station.daemon() as daemon:
            daemon.wait_for("fault", SHORT_S, code="plate-voltage-low")
            daemon.wait_for("transmit-released", SHORT_S)
            assert "LINE 1" not in station.amp.lines(amped)
            code, said = _acknowledge(daemon)
            assert (code, "the whole warm-up runs" in said) == (0, True), said
            _back_to_operate(station, daemon, "shutdown")
            time.sleep(LONE_S)
            assert daemon.stop() == 0
        with station.daemon() as daemon:
            daemon.wait_for("placed", SHORT_S)
            assert not daemon.named("fault")


def _assert_locked_out(station: LiveStation, daemon: RunningDaemon, reason: str) -> None:
    amped = station.amp.mark()
    daemon.wait_for("placed", SHORT_S)
    assert daemon.status()["lockout"]["reason"] == reason
    daemon.qsyd("amplifier", "on")
    refused = daemon.qsyd("amplifier", "operate", "--when-ready")
    assert (refused.returncode, reason in refused.stderr) == (1, True), refused.stderr
    time.sleep(LONE_S)
    assert not {"FREE", "LINE 1"} & set(station.amp.lines(amped))
    assert any(reason in each for each in daemon.status()["transmit"]["reasons"])


def _limits(directory: Path, beyonds: tuple[Beyond, ...]) -> None:
    # Power that the meters go on to show counts as keyed; how long a person takes over a fault is not what is tried.
    _operating(directory, *(partial(_goes_beyond, beyond=beyond) for beyond in beyonds), key_down_s=600.0)


CASES: dict[str, Callable[[Path], None]] = {
    "stuck-key": lambda directory: _operating(directory, _stuck_key),
    "offline-limits": partial(_limits, beyonds=OFFLINE[::2]),
    "offline-limits-too": partial(_limits, beyonds=OFFLINE[1::2]),
    "shutdown-limits": partial(_limits, beyonds=SHUTDOWN[::2]),
    "shutdown-limits-too": partial(_limits, beyonds=SHUTDOWN[1::2]),
    "power-motors-panel": lambda directory: _operating(directory, _power_unadmitted, _motors, _panel),
    "lockout": _lockout,
    "restarted-under-a-fault": _restarted_under_a_fault,
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[None]]]:
    """Some cases at a time, each with a station of its own: they mostly wait."""
    with ThreadPoolExecutor(4) as pool:
        yield {name: pool.submit(case, tmp_path_factory.mktemp(name)) for name, case in CASES.items()}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.timeout(300)
def test_whatever_the_meters_tell_the_station_is_safe_and_a_person_leads_out(
    name: str, runs: dict[str, Future[None]]
) -> None:
    runs[name].result()
