"""The daemon killed, or stopped for two seconds, at every step of a change-over; devices and rig live on and keep the truth.

The long form (`QSYD_LONG=1`) runs every step with every signal, key and restart delay.
"""

import asyncio
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from enum import Enum
from functools import partial
from itertools import cycle
from pathlib import Path

import pytest
import structlog
from foreign_rigs import ForeignRig, TcpWire
from foreign_voices import Panel
from live_station import ELSEWHERE_HZ, HOME_HZ, LONG, SHORT_S, LiveStation, NoticingVoice, live_station, until
from running_daemon import RunningDaemon

from qsyd_daemon.links.keeper import KeptLink
from qsyd_daemon.links.link import TcpAddress
from qsyd_daemon.protocols.ascii_cat import AsciiCatSession
from qsyd_daemon.protocols.session import RigReading
from qsyd_daemon.rig_follower import RigFollower

STOPPED_S = 2.0
BRIEFLY_S = 1.0
"""Stopped no longer than a rig's word might still be believed, were its age not known."""
RESTART_DELAYS_S = (0.0, 0.4, 3.0)
BACK_SAFE_S = 2.0
"""From the restart to the safe state: the project's own budget."""
PLACES = {
    HOME_HZ: ("hilltop-beam 20m/2", "PORT 1", "TANK 220 221"),
    ELSEWHERE_HZ: ("harbour-wire 40m/1", "PORT 2", "TANK 410 411"),
}


class Step(Enum):
    """Where in a change-over the daemon is caught: a line that has arrived and is not answered yet, unless it says more."""

    HOLD = "HOLD"
    STANDBY = "LINE 0"
    PORT = "PORT"
    SETTLING = "PORT, answered"
    ASKED = "PORT, answered, and the rig's word on its way"
    TANK = "TANK"
    OPERATE = "LINE 1"

    @property
    def is_noted(self) -> bool:
        """Whether the note of this change-over has to be durable by then: something was told to move."""
        return self not in {Step.HOLD, Step.STANDBY}


@contextmanager
def _catch(
    station: LiveStation, step: Step, daemon: RunningDaemon, number: signal.Signals
) -> Iterator[threading.Event]:
    """Send the signal once, at this step of the next change-over; the event is set when it has been."""
    caught = threading.Event()

    def catch() -> None:
        if not caught.is_set():
            daemon.process.send_signal(number)
            caught.set()

    def look(line: str) -> None:
        if not line.startswith(step.value.partition(",")[0]):
            return
        if step is Step.ASKED:
            station.voice.on_question = catch
            return
        if step is Step.SETTLING:
            time.sleep(0.03)  # of the relay's 100 ms
        catch()

    device = station.switch if step in {Step.PORT, Step.SETTLING, Step.ASKED} else station.amp
    if step in {Step.SETTLING, Step.ASKED}:
        device.on_answer = look
    else:
        device.on_line = look
    try:
        yield caught
    finally:
        device.on_line = device.on_answer = lambda line: None
        station.voice.on_question = lambda: None


def _killed_at(station: LiveStation, daemon: RunningDaemon, step: Step, target_hz: int) -> None:
    with _catch(station, step, daemon, signal.SIGKILL) as caught:
        station.rig.tune(target_hz)
        assert caught.wait(SHORT_S), f"the change-over never came to {step.value}"
        daemon.kill()


def _restarted(station: LiveStation, step: Step, origin_hz: int, target_hz: int, *, keyed: bool) -> None:
    """Start anew: safe first, nothing under power, no operate by itself, and a word on what was interrupted."""
    switched, amped = station.switch.mark(), station.amp.mark()
    if keyed:
        station.key.press()
    began_s = time.monotonic()
    with station.daemon() as daemon:
        station.wait_safe(amped, began_s, BACK_SAFE_S)
        if keyed:
            daemon.wait_for("keyed", SHORT_S)
            time.sleep(0.3)
            assert station.switch.lines(switched) == []
            assert station.amp.lines(amped) == ["HOLD", "LINE 0"]
            station.key.let_go()
        daemon.wait_settled(target_hz, SHORT_S)
        time.sleep(0.6)  # twice the warm-up: whatever would go to operate by itself has had its time

        place, port, tank = PLACES[target_hz]
        assert station.amp.lines(amped) == ["HOLD", "LINE 0", tank, "FREE"]
        assert station.switch.lines(switched) == [port]
        assert station.amp.told[amped].at_s < station.switch.told[switched].at_s
        shown = daemon.status()["amplifier"]
        assert (shown["wish"], shown["relay"]["value"]) == ("standby", "standby")
        interrupted = [told["text"] for told in daemon.named("warning") if told["code"] == "interrupted"]
        assert len(interrupted) <= 1
        assert interrupted or not step.is_noted
        for text in interrupted:
            assert PLACES[origin_hz][0] in text
            # That a note is closed is written with the next one: before that, the last one still counts as open.
            assert place in text or (not step.is_noted and "operate on" in text), text
        assert not daemon.named("fault")


def _kill(directory: Path, steps: list[Step], delays_s: tuple[float, ...], keyed: tuple[bool, ...]) -> None:
    """One station through all of these, to and fro between two bands."""
    with live_station(directory) as station:
        origin_hz, target_hz = HOME_HZ, ELSEWHERE_HZ
        for step in steps:
            for delay_s in delays_s:
                for is_keyed in keyed:
                    with station.daemon() as daemon:
                        station.operate(daemon, origin_hz)
                        _killed_at(station, daemon, step, target_hz)
                    time.sleep(delay_s)
                    _restarted(station, step, origin_hz, target_hz, keyed=is_keyed)
                    station.assert_safe()
                    origin_hz, target_hz = target_hz, origin_hz


def _stop(directory: Path, steps: list[Step], keyed: tuple[bool, ...], stopped_s: float = STOPPED_S) -> None:
    """One daemon, stopped and continued at each step; while it sleeps somebody keys, or nobody does."""
    with live_station(directory, patient=stopped_s < STOPPED_S) as station, station.daemon() as daemon:
        station.operate(daemon)
        places = cycle([ELSEWHERE_HZ, HOME_HZ])
        for step in steps:
            for is_keyed in keyed:
                since = daemon.mark()
                target_hz = next(places)
                _stopped_at(station, daemon, step, target_hz, stopped_s, keyed=is_keyed)
                station.wait_operating(daemon, since)
                _, port, tank = PLACES[target_hz]
                until(lambda: station.amp.positions, tuple(tank.split()[1:]).__eq__)
                assert station.switch.lines()[-1] == port
                stalls = [told for told in daemon.named("warning", since) if told["code"] == "stalled"]
                assert len(stalls) == 1, stalls
                assert not daemon.named("fault")
                station.assert_safe()


def _stopped_at(
    station: LiveStation, daemon: RunningDaemon, step: Step, target_hz: int, stopped_s: float, *, keyed: bool
) -> None:
    with _catch(station, step, daemon, signal.SIGSTOP) as caught:
        station.rig.tune(target_hz)
        assert caught.wait(SHORT_S), f"the change-over never came to {step.value}"
    time.sleep(stopped_s / 2)
    since = daemon.mark()
    if keyed:
        station.key.press()
    time.sleep(stopped_s / 2)
    daemon.process.send_signal(signal.SIGCONT)
    daemon.wait_for("warning", SHORT_S, since, code="stalled")
    until(lambda: station.amp.held, bool)
    if keyed:
        daemon.wait_for("keyed", SHORT_S, since)
        time.sleep(0.3)
        assert station.amp.held or step in {Step.TANK, Step.OPERATE}, f"released into a key at {step.value}"
        station.assert_safe()
        station.key.let_go()


STEPS = list(Step)
CASES: dict[str, Callable[[Path], None]] = {
    "killed": partial(_kill, steps=STEPS[::2], delays_s=(0.0,), keyed=(False,)),
    "killed-and-keyed": partial(_kill, steps=STEPS[1::2], delays_s=(0.0,), keyed=(True,)),
    "stopped": partial(_stop, steps=STEPS[::2], keyed=(True,)),
    "stopped-too": partial(_stop, steps=STEPS[1::2], keyed=(True,)),
    "stopped-briefly": partial(_stop, steps=[Step.ASKED] * 3, keyed=(True,), stopped_s=BRIEFLY_S),
}
if LONG:
    for each in STEPS:
        CASES[f"killed-{each.name}"] = partial(_kill, steps=[each], delays_s=RESTART_DELAYS_S, keyed=(False, True))
        CASES[f"stopped-{each.name}"] = partial(_stop, steps=[each] * 3, keyed=(False, True))
    CASES["stopped-briefly-often"] = partial(_stop, steps=STEPS * 6, keyed=(True,), stopped_s=BRIEFLY_S)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[None]]]:
    """Some cases at a time, each with a station of its own: they mostly wait."""
    with ThreadPoolExecutor(4) as pool:
        yield {name: pool.submit(case, tmp_path_factory.mktemp(name)) for name, case in CASES.items()}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.timeout(600)
def test_interrupted_at_any_step_it_starts_safe_and_switches_nothing_under_power(
    name: str, runs: dict[str, Future[None]]
) -> None:
    runs[name].result()


async def test_what_a_rig_said_before_the_loop_stood_still_is_asked_for_anew() -> None:
    """Somebody keys just after each answer has been made up: once the loop turns again, no reading says otherwise."""
    voice = NoticingVoice(Panel())
    with ForeignRig(voice, TcpWire()) as rig:
        told: list[RigReading] = []

        async def wait(is_so: Callable[[], bool], pause_s: float = 0.0) -> None:
            async with asyncio.timeout(5):
                while not is_so():  # noqa: ASYNC110 - some of it happens in the rig's thread
                    await asyncio.sleep(pause_s)

        follower = RigFollower(
            "main",
            AsciiCatSession(11, 20_000, push=False),
            lambda reading, at_us: told.append(reading),
            lambda reason: None,
            lambda: None,
            crashed=lambda error: pytest.fail(str(error)),
        )
        address = TcpAddress("127.0.0.1", int(rig.link.rpartition(":")[2]))
        link = KeptLink(address, follower, structlog.get_logger(), "rig")
        link.start()
        for _ in range(4):
            await wait(lambda: bool(told) and told[-1].keyed is False, 0.01)
            asked = threading.Event()

            def key(asked: threading.Event = asked) -> None:
                rig.panel.keyed = True
                asked.set()

            voice.on_question = key
            await wait(asked.is_set)
            voice.on_question = lambda: None
            told.clear()
            time.sleep(0.5)  # noqa: ASYNC251 - the loop stands still: that is what is tried here
            await wait(lambda: bool(told))
            assert [reading.keyed for reading in told] == [True] * len(told)
            rig.panel.keyed = False
        await link.close()
