"""`qsyd demo`: a contest evening of some twenty seconds, on simulators behind a real pty and real TCP.

The daemon is the real one, with a real store; only rig, switch and amplifier are simulated. What the demo claims at
its end it reads off the simulated devices, which keep the truth of what was done to them.
"""

import argparse
import asyncio
import contextlib
import io
import logging
import math
import signal
import sys
import tempfile
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path

import structlog

from qsyd_daemon import demo_station as station
from qsyd_daemon.daemon import Daemon, Ways
from qsyd_daemon.demo_screen import Screen, StoryError, measured, title
from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.instance_lock import InstanceLock
from qsyd_daemon.narration import Tone
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.state_directory import StateDirectoryError
from qsyd_daemon.station_file.load import station_from_text
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.store import Store
from qsyd_rules.event import AmplifierRequest
from qsyd_simulators.amplifier_wire import AmplifierWire
from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.pty_port import PtyPort
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.shack import Shack
from qsyd_simulators.switch_wire import SwitchWire
from qsyd_simulators.tcp_port import TcpPort

ENDS_WITHIN_S = 24.0
DRIFT_HZ = 100
DRIFT_STEPS = 19
DRIFT_STEP_S = 0.05


def run(arguments: argparse.Namespace) -> int:
    """Play the evening; 0 where it went as told and every claim holds, else 1."""
    # A reader that goes away is then met by an error, not by the end of the process: the temporary directory has to go.
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    try:
        with tempfile.TemporaryDirectory(prefix="qsyd-demo-", ignore_cleanup_errors=True) as directory:
            return asyncio.run(_evening(Path(directory)))
    except asyncio.CancelledError:
        return 128 + signal.SIGTERM
    except BrokenPipeError:
        raise  # the command line knows what to do
    except (OSError, ValueError, StateDirectoryError, StoreError) as error:
        print(f"error: the demo cannot run here (TMPDIR says where its files go): {error}", file=sys.stderr)
        return ExitCode.FAILED


async def _evening(directory: Path) -> int:
    task = asyncio.current_task()
    assert task is not None
    for number in (signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, task.cancel)
    shack = Shack(station.DIAL_HZ, RigMode.FSK, station.WARM_UP_S * 1_000_000, station.TANK_STEPS_PER_S, monotonic_us)
    screen = Screen(sys.stdout, directory / "events.jsonl")
    title(screen)
    screen.block("The shack is switched on")
    went_well = False
    try:
        async with asyncio.timeout(ENDS_WITHIN_S), _running(directory, shack, screen) as daemon:
            await Evening(shack, screen, daemon).play()
            went_well = daemon.service.crash is None
    except (StoryError, TimeoutError) as error:
        screen.say("demo", f"NOT AS TOLD: {error or f'it took longer than {ENDS_WITHIN_S:g} s'}", Tone.TROUBLE)
    except asyncio.CancelledError:
        safe = shack.amplifier.transmit_held and not shack.amplifier.operate
        screen.say("demo", f"broken off; {'transmit held, amplifier out' if safe else 'NOT LEFT SAFE'}")
        raise
    measured(screen, shack.held_after_ms())
    return ExitCode.DONE if _claims_hold(screen, shack) and went_well else ExitCode.FAILED


@contextlib.asynccontextmanager
async def _running(directory: Path, shack: Shack, screen: Screen) -> AsyncIterator[Daemon]:
    """The simulated devices on their ports and the daemon on them; all of it closed again whatever happens."""
    async with contextlib.AsyncExitStack() as stack:
        stack.enter_context(InstanceLock.acquire(directory, "qsyd demo"))
        log_file = stack.enter_context((directory / "log").open("w", encoding="utf-8"))
        log = structlog.wrap_logger(
            structlog.PrintLogger(log_file),
            processors=[structlog.processors.add_log_level, structlog.processors.KeyValueRenderer()],
            wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        )
        rig_port = PtyPort(AsciiCatVoice(shack.rig), directory / "rig")
        switch_port = TcpPort(lambda: SwitchWire(shack.switch))
        amplifier_port = TcpPort(lambda: AmplifierWire(shack.amplifier))
        for port in (rig_port, switch_port, amplifier_port):
            await port.start()
            stack.push_async_callback(port.close)
        text = station.station_text(rig_port.path, switch_port.port, amplifier_port.port)
        file = station_from_text(text, Path("the demo's station"))
        store = await asyncio.to_thread(Store.open, directory)
        daemon = Daemon(file, Ways(directory, str(directory / "events.jsonl")), store, log)
        follower = asyncio.create_task(screen.follow())
        stack.callback(screen.look)
        stack.callback(follower.cancel)
        stack.push_async_callback(daemon.close)
        await daemon.start()
        yield daemon


class Evening:
    """The story, scene by scene; every scene waits for what the station really does. Raises `StoryError`."""

    def __init__(self, shack: Shack, screen: Screen, daemon: Daemon) -> None:
        self._shack, self._screen, self._daemon = shack, screen, daemon
        self._rig = shack.rig

    async def play(self) -> None:
        await self._switch_on()
        await self._warm_up()
        await self._jump("Band jump to 15 m", "same antenna, other tank setting", 21_092_000)
        await self._jump("Band jump to 40 m", "other antenna, other tank setting", 7_047_000)
        await self._jump("Band jump to 80 m", "same wire, other tank setting", 3_599_000)
        await self._drift()
        await self._split()
        await self._keyed_move()
        await self._silent_switch()
        await self._good_night()

    async def _switch_on(self) -> None:
        screen, service = self._screen, self._daemon.service
        await screen.until("command", command="amplifier-standby")
        await asyncio.sleep(0.1)
        screen.leave_out("preset-saved")
        screen.operator(f"loads {len(station.presets())} tank presets from an earlier tune-up")
        await service.presets.save(service.presets.with_edges(station.presets()))
        await screen.until("preset-saved")
        screen.leave_out()
        screen.operator("switches the rig on; the amplifier is cold")
        self._rig.set_power(True)
        await screen.until("change-over-finished")

    async def _warm_up(self) -> None:
        screen = self._screen
        screen.block(f"Warm-up: {station.WARM_UP_S} s, shortened from {station.WARM_UP_USUAL_S} s for this demo")
        await self._ask("switches the amplifier on", AmplifierRequest.ON)
        await screen.until("amplifier", state="warm-up")
        await self._ask("is impatient and asks for operate", AmplifierRequest.OPERATE)
        await self._ask("arms it: operate when ready", AmplifierRequest.OPERATE_WHEN_READY)
        await self._over("works a neighbour barefoot meanwhile", 0.4)
        while (left_s := math.floor(self._ready_in_s())) > 0:
            await asyncio.sleep(self._ready_in_s() - left_s)
            screen.say("qsyd", f"warm-up: {left_s} s to go")
        await screen.until("amplifier", state="operate")
        await screen.until("transmit-released")
        screen.block("On the air")
        await self._over("calls CQ with the amplifier", 0.4)

    async def _jump(self, title: str, doing: str, frequency_hz: int) -> None:
        self._screen.block(title)
        self._screen.operator(f"jumps: {doing}")
        self._shack.jump(frequency_hz)
        await self._screen.until("change-over-finished")
        await asyncio.sleep(0.3)

    async def _drift(self) -> None:
        screen, rig = self._screen, self._rig
        screen.block("A slow drift over the edge at 3.6000 MHz")
        screen.operator("turns the dial up the band, slowly, looking for new ones")
        screen.leave_out("frequency")
        began_us = monotonic_us()
        for _ in range(DRIFT_STEPS):
            rig.tune(rig.vfo_a_hz + DRIFT_HZ)
            await asyncio.sleep(DRIFT_STEP_S)
        screen.look()
        told_s = [float(event["at"]) for event in screen.since_operator("frequency")]
        took_s = (monotonic_us() - began_us) / 1e6
        screen.say("rig", f"{len(told_s)} reports in {took_s:.1f} s, still moving", Tone.RIG)
        rested_s = max((later - earlier for earlier, later in pairwise(told_s)), default=0.0)
        if not screen.since_operator("change-over-started"):
            screen.say("qsyd", f"past the edge, by less than 1 kHz: nothing moves before {station.REST_MS} ms of rest")
        elif rested_s * 1000 < station.REST_MS:  # a busy machine may have held the dial still for that long
            raise StoryError("a change-over began although the dial was still drifting within the hysteresis")
        screen.leave_out()
        rig.tune(rig.vfo_a_hz + DRIFT_HZ)
        await screen.until("change-over-finished", segment="80m/2")
        await asyncio.sleep(0.3)

    async def _split(self) -> None:
        screen, rig = self._screen, self._rig
        screen.block("Split: the frequency to transmit on counts")
        rig.tune_vfo_b(3_592_000)
        screen.operator("hears a rare one who listens 9 kHz down: split on")
        rig.set_split(True)
        await screen.until("change-over-finished", segment="80m/1")
        screen.operator("fine-tunes the receiver")
        rig.tune(rig.vfo_a_hz + 200)
        await screen.until("frequency")
        await asyncio.sleep(0.3)
        if screen.since_operator("transmit-inhibited"):
            raise StoryError("the receive dial moved something although split was on")
        screen.say("qsyd", "would still transmit on 80m/1: nothing moves")
        screen.block("Split off again")
        screen.operator("has worked him: split off")
        rig.set_split(False)
        await screen.until("change-over-finished", segment="80m/2")
        await asyncio.sleep(0.3)

    async def _keyed_move(self) -> None:
        screen, shack, rig = self._screen, self._shack, self._rig
        screen.block("A sleeve catches the dial while keyed")
        screen.operator("calls CQ")
        rig.key()
        await screen.until("keyed")
        await asyncio.sleep(0.3)
        self._read_meters()
        screen.operator("knocks the dial down by 9 kHz, still keyed")
        rig.tune(rig.vfo_a_hz - 9_000)
        await screen.until("command", command="inhibit-transmit")
        await asyncio.sleep(0.5)
        if shack.amplifier.is_travelling(monotonic_us()) or screen.since_operator("change-over-started"):
            raise StoryError("something moved while the rig was keyed")
        self._read_meters()
        screen.say("qsyd", "the hold has cut the RF; no motor and no relay moves while the rig is keyed")
        screen.block("Unkeyed: the change-over that waited")
        screen.operator("lets go of the key")
        rig.unkey()
        await screen.until("change-over-finished", segment="80m/1")
        await asyncio.sleep(0.3)

    async def _silent_switch(self) -> None:
        screen, shack = self._screen, self._shack
        screen.block("The antenna switch stops answering")
        shack.switch.faults.silent = True
        screen.operator("jumps to 20 m; a loose plug swallows the switch's answers")
        shack.jump(14_088_000)
        await screen.until("warning", code="change-over-failed")
        bursts = shack.path.bursts
        self._rig.key()
        screen.say("operator", "keys all the same", Tone.OPERATOR)
        await asyncio.sleep(0.3)
        self._read_meters()
        if shack.path.bursts != bursts:
            raise StoryError("there was RF although nobody knows where the antenna rests")
        screen.block("The switch is found again")
        screen.operator("lets go of the key, and pushes the plug in")
        shack.switch.faults.silent = False
        self._rig.unkey()
        await screen.until("output-recovered", output="switch")
        await screen.until("change-over-finished", segment="20m/1")
        await self._over("is back on the air", 0.4)

    async def _good_night(self) -> None:
        screen = self._screen
        screen.block(f"Good night: cool-down {station.COOL_DOWN_S} s, shortened from {station.COOL_DOWN_USUAL_S} s")
        await self._ask("switches the amplifier off", AmplifierRequest.OFF)
        await screen.until("amplifier", state="off")
        screen.operator("stops qsyd")

    # What the operator does

    async def _ask(self, doing: str, request: AmplifierRequest) -> None:
        self._screen.operator(doing)
        answer = await self._daemon.service.requests.ask(request, "the operator")
        text, tone = (answer.text, Tone.PLAIN) if answer.accepted else (f"refused; {answer.text}", Tone.HELD)
        self._screen.say("qsyd", text, tone)

    async def _over(self, doing: str, duration_s: float) -> None:
        self._screen.operator(doing)
        self._rig.key()
        await self._screen.until("keyed")
        await asyncio.sleep(duration_s)
        self._read_meters()
        self._rig.unkey()
        await self._screen.until("unkeyed")

    def _read_meters(self) -> None:
        meters = self._shack.amplifier.meters(monotonic_us())
        self._screen.say("meters", f"forward {meters.forward_w} W, grid {meters.grid_ma} mA")

    def _ready_in_s(self) -> float:
        return float(self._daemon.status()["amplifier"]["ready_in_s"] or 0)


def _claims_hold(screen: Screen, shack: Shack) -> bool:
    """Say what the simulated devices bear out; whether it is everything."""
    claims = shack.claims()
    for claim in claims:
        screen.say("kept" if claim.holds else "BROKEN", claim.text, Tone.FREE if claim.holds else Tone.TROUBLE)
    return all(claim.holds for claim in claims)
