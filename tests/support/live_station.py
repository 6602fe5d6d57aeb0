"""A whole station that is live: a rig, a switch and an amplifier with meters on real wires, and the daemon between them."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from foreign_rigs import ForeignRig, PtyWire, TcpWire, Wire
from foreign_voices import ElevenDigits, Panel
from live_devices import Amplifier, Key, LiveDevice
from running_daemon import AMP_COMMANDS, TWO_DEVICE_PRESETS, RunningDaemon, line_output, qsyd, write_station

LONG = bool(os.environ.get("QSYD_LONG"))
"""Whether to run the long form: every step, every signal, every delay."""
HOME_HZ = 14_205_000
ELSEWHERE_HZ = 7_050_000
POLL_S = 0.05
METERS_EVERY_S = 0.1
LOST_AFTER_S = 0.5
STALE_AFTER_S = 0.6
SAFE_WITHIN_S = 0.25
"""From a hazard that was detected to the bytes of the safe direction: the project's own budget."""
SLACK = 4
"""What a budget is multiplied by here: the machine of a test run is shared and slow."""
SHORT_S = 20.0
"""Long enough for anything that is not measured."""

LIMITS = (
    "{grid_current: 120 mA, plate_current: 1.0 A, reflected_power: 150 W, swr: 2.5, drive: 75 W, gain: 5..40, "
    "plate_voltage: 1.5 kV..3.5 kV, temperature: 90 C, key_down: KEY_DOWN}"
)
READINGS = r"""    readings:
      ask: "METERS\n"
      every: 100 ms
      match: '^F(?P<forward_w>\S+) R(?P<reflected_w>\S+) D(?P<drive_w>\S+) V(?P<plate_v>\S+) P(?P<plate_ma>\S+) \
G(?P<grid_ma>\S+) C(?P<temperature_c>\S+) T(?P<tune>\S+) L(?P<load>\S+) S(?P<state>\S+) E(?P<fault>.*)'
      stale_after: 600 ms
      travel: 1 s
""".replace("\\\n", "")

T = TypeVar("T")


def until(look: Callable[[], T], is_it: Callable[[T], bool], within_s: float = SHORT_S) -> T:
    """Look again and again; the first that `is_it`. Fails after `within_s` seconds, with what was seen last."""
    end_s = time.monotonic() + within_s
    while not is_it(seen := look()):
        assert time.monotonic() < end_s, f"after {within_s} s: {seen}"
        time.sleep(0.05)
    return seen


class NoticingVoice(ElevenDigits):
    """Says when the rig has been asked something; the answer, made up before, leaves after that."""

    def __init__(self, panel: Panel) -> None:
        super().__init__(panel)
        self.on_question: Callable[[], None] = lambda: None

    def hear(self, data: bytes) -> list[bytes]:
        answers = super().hear(data)
        self.on_question()
        return answers


@dataclass
class LiveStation:
    """The daemon can be started again and again; the devices outlive it and keep the truth."""

    directory: Path
    rig: ForeignRig
    voice: NoticingVoice
    key: Key
    switch: LiveDevice
    amp: Amplifier

    @property
    def file(self) -> Path:
        return self.directory / "station.yaml"

    @property
    def state(self) -> Path:
        return self.directory / "state"

    def daemon(self, **environ: str) -> RunningDaemon:
        return RunningDaemon(self.file, self.state, environ=environ)

    def operate(self, daemon: RunningDaemon, frequency_hz: int = HOME_HZ) -> None:
        """Bring the station to operate on this frequency, transmit released."""
        daemon.wait_settled(frequency_hz)
        assert daemon.qsyd("amplifier", "on").returncode == 0
        asked = daemon.qsyd("amplifier", "operate", "--when-ready")
        assert asked.returncode == 0, asked.stderr
        self.wait_operating(daemon)

    def wait_operating(self, daemon: RunningDaemon, since: int = 0) -> None:
        """Wait for operate with transmit released, from event number `since` on."""
        daemon.wait_for("amplifier", SHORT_S, since, state="operate")
        self.wait_on_the_air()

    def wait_on_the_air(self, within_s: float = SHORT_S) -> None:
        """Wait until the amplifier is in the signal path and released, and the daemon has heard its word on it."""
        until(lambda: (self.amp.in_path, self.amp.held), (True, False).__eq__, within_s)
        time.sleep(0.2)

    def assert_safe(self) -> None:
        """Nothing was switched under power, and no tube was hurried."""
        assert not self.switch.violations + self.amp.violations

    def wait_safe(self, since: int, from_s: float, within_s: float) -> None:
        """`HOLD` and `LINE 0` arrive within so many seconds of `from_s`, give or take the slack of a busy machine."""
        for line in ("HOLD", "LINE 0"):
            at_s = self.amp.wait_for(line, within_s * SLACK + 1, since).at_s
            assert at_s - from_s <= within_s * SLACK, f"{line} came {at_s - from_s:.3f} s later, budget {within_s} s"


@contextmanager
def live_station(
    directory: Path, *, ptys: bool = False, patient: bool = False, key_down_s: float = 2.0
) -> Iterator[LiveStation]:
    """A station at rest on 20 m, its daemon not started. On leaving, everything that the devices know was safe.

    A `patient` one takes five seconds of silence for no loss of rig or meters.
    """
    if ptys:
        wires: list[Wire] = [PtyWire(directory / name) for name in ("tty-rig", "tty-switch", "tty-amp")]
    else:
        wires = [TcpWire(), TcpWire(), TcpWire()]
    voice = NoticingVoice(Panel(a_hz=HOME_HZ))
    rig = ForeignRig(voice, wires[0])
    key = Key(rig, POLL_S)
    with rig, LiveDevice(wires[1], key) as switch, Amplifier(wires[2], key) as amp:
        station = LiveStation(directory, rig, voice, key, switch, amp)
        write_station(station.file, _station_file(station, patient=patient, key_down_s=key_down_s))
        table = directory / "presets.csv"
        table.write_text(TWO_DEVICE_PRESETS)
        done = qsyd("presets", "import", str(table), "--state", str(station.state))
        assert done.returncode == 0, done.stderr
        yield station
        station.assert_safe()


def _station_file(station: LiveStation, *, patient: bool, key_down_s: float) -> list[str]:
    lost, stale = ("5 s", "5 s") if patient else ("500 ms", "600 ms")
    commands = {**AMP_COMMANDS, "high-voltage-off": "HV 0"}
    return [
        "station: Sandbar End",
        "region: 2",
        f"rigs: {{main: {{link: '{station.rig.link}', protocol: ascii-cat, poll: 50 ms, push: true, lost_after: {lost}}}}}",
        "antennas:",
        "  hilltop-beam: {port: 1, bands: [20m, 15m]}",
        "  harbour-wire: {port: 2, bands: [80m, 40m]}",
        "amplifier:",
        "  follows: main",
        "  bands: [80m, 40m, 20m, 15m]",
        "  warm_up: 300 ms",
        "  cool_down: 5 s",
        f"  limits: {LIMITS.replace('KEY_DOWN', f'{key_down_s:g} s')}",
        "change_over: {relay_settle: 100 ms, preset_settle: 200 ms}",
        "segments: {20m: 2, 40m: [7.000 MHz, 7.125 MHz, 7.300 MHz], 80m: 1, 15m: 1}",
        "outputs:",
        line_output("switch", station.switch.link, {"select-antenna": "PORT {port}"}),
        line_output("amp", station.amp.link, commands),
        READINGS.replace("600 ms", stale),
    ]
