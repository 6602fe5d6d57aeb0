"""One daemon, put together from a station file: wires, service, store and control socket; and taken apart again."""

import asyncio
import gc
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from structlog.typing import FilteringBoundLogger

from qsyd_daemon import __version__
from qsyd_daemon.api.counters import Counters
from qsyd_daemon.api.event_ring import EventRing
from qsyd_daemon.api.opening import Opening
from qsyd_daemon.api.server import Api
from qsyd_daemon.api.station_view import StationView
from qsyd_daemon.key_sense import KeySense
from qsyd_daemon.links.keeper import KeptLink, Opener, open_link
from qsyd_daemon.links.line_port import IoctlLines, LineOpener, ModemLines
from qsyd_daemon.links.link import Address, Speaker
from qsyd_daemon.notify import Notifier
from qsyd_daemon.output_wiring import lease_of, questions_of, wiring_of
from qsyd_daemon.outputs.device import LineDevice
from qsyd_daemon.outputs.dry import DryDevice
from qsyd_daemon.outputs.jsonl import JsonlOutput
from qsyd_daemon.outputs.log import LogOutput
from qsyd_daemon.outputs.output import DeviceOutput, NoticeOutput
from qsyd_daemon.outputs.permit_line import PermitLine
from qsyd_daemon.outputs.template import Template
from qsyd_daemon.past import Book
from qsyd_daemon.progress import Progress
from qsyd_daemon.protocols.ascii_cat import AsciiCatSession
from qsyd_daemon.protocols.ci_v import CiVSession
from qsyd_daemon.protocols.session import RigReading, RigSession
from qsyd_daemon.rig_follower import RigFollower, monotonic_us
from qsyd_daemon.service import Service, Wires
from qsyd_daemon.station_file.settings import (
    DeviceSettings,
    JsonlSettings,
    KeySenseSettings,
    LineSettings,
    LogSettings,
    Protocol,
    RigLink,
    Simulated,
    StationFile,
)
from qsyd_daemon.status import status
from qsyd_daemon.store.store import Store
from qsyd_daemon.tune_up_desk import TuneUpDesk
from qsyd_rules.command import CommandName
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas

LEASE_S = 30.0
"""Within this time a lease has to be renewed, where the station file says nothing."""


@dataclass(frozen=True, slots=True)
class Ways:
    """How this daemon is run. `events` is a path for event lines, `-` for standard output; None for none."""

    state: Path
    events: str | None = None
    dry_run: bool = False
    simulated: Mapping[str, Address] | None = None
    """Where the simulated rigs of this process are reached."""
    notifier: Notifier = field(default_factory=lambda: Notifier(None))
    """Who manages this process as a service."""
    lines: ModemLines = field(default_factory=IoctlLines)
    """How control lines of serial ports are reached."""
    opening: Opening | None = None
    """Where the API is reached over TCP, bound already; None where it is not."""


class Daemon:
    """A running station. `start`, then `close`; `service.crashed` is set when it has to end by itself."""

    def __init__(self, file: StationFile, ways: Ways, store: Store, log: FilteringBoundLogger) -> None:
        """`store` is that of the locked state directory; the daemon closes it."""
        self._log = log
        self._file_sha256 = file.sha256
        self._ways = ways
        self._store = store
        self._links: dict[str, KeptLink] = {}
        self._senses: dict[str, KeySense] = {}
        devices: dict[str, DeviceOutput] = {}
        notices: dict[str, NoticeOutput] = {}
        for output in file.outputs:
            match output:
                case DeviceSettings():
                    devices[output.name] = self._device(output)
                case LineSettings():
                    devices[output.name] = self._line(output)
                case JsonlSettings(name=name, path=path):
                    notices[name] = JsonlOutput(name, path if str(path) == "-" else ways.state / path, log)
                case LogSettings(name=name):
                    notices[name] = LogOutput(name, log)
        self._events = JsonlOutput("--events", ways.events, log) if ways.events is not None else None
        self._own_log = LogOutput("log", log)
        wiring = wiring_of(file.outputs, {name: device.commands for name, device in devices.items()}, ways.dry_run)
        self._followers: dict[str, RigFollower] = {}
        self._ring, self._counters = EventRing(), Counters()
        wires = Wires(
            devices,
            notices,
            (
                *((self._events.tell,) if self._events is not None else ()),
                self._to_log,
                self._ring.tell,
                self._counters.tell,
            ),
            {rig.name: self._read_now(rig.name) for rig in file.station.rigs},
        )
        self._devices, self._notices = devices, notices
        self.service = Service(GuardedStation(Atlas(file.station), wiring), wires, store, ways.state, log)
        self.simulated = any(isinstance(link.address, Simulated) for link in file.rig_links.values())
        for name, link in file.rig_links.items():
            self._followers[name] = self._follower(name, link)
        self._desk = TuneUpDesk(self.service, file.tune_key_down_us)
        self.api = Api(self._view(file), ways.opening, log)
        lines = [device for device in devices.values() if isinstance(device, PermitLine)]
        self._progress = Progress(
            lines, ways.notifier, self.service.is_on_time, self.service.loop_stalled, self._in_a_line
        )

    async def start(self) -> None:
        """Open the control socket and the links; the safe state goes out as soon as each link is there."""
        await self.api.start(self._ways.state)
        self._adopt_edges()
        self.service.start(self._file_sha256)
        for device in self._devices.values():
            device.start(self.service.device_connected, self.service.device_lost)
        for rig in self._senses:
            self.service.key_sensed(rig, None)  # until the port is open
        for name, link in self._links.items():
            if name not in self._devices:  # those have started theirs
                link.start()
        for warning in self._store.warnings:
            self.service.warn("state-directory", warning)
        gc.collect()
        gc.freeze()  # what was loaded lives as long as the daemon: a full collection would only stall the loop
        self._progress.start()

    async def close(self) -> None:
        """Leave the station safe, then close everything."""
        self._progress.close()
        await self.service.stop()
        await self.api.close()
        self._desk.close()
        for sense in self._senses.values():
            sense.stop()
        await asyncio.gather(
            *(link.close() for link in self._links.values()),
            *(device.close() for device in self._devices.values()),
        )
        listening = [*self._notices.values(), self._own_log, *([self._events] if self._events else [])]
        await asyncio.gather(*(notice.close() for notice in listening))
        await asyncio.to_thread(self._store.close)

    def store_changed(self, healthy: bool, text: str) -> None:
        """The state directory fails, or works again; called on the event loop."""
        self.service.warn("state-directory" if not healthy else "state-directory-back", text)

    def status(self) -> dict[str, Any]:
        """The station at a glance."""
        troubles = {name: link.closed_because for name, link in self._links.items() if link.closed_because}
        seen = status(self.service.core, self.service.state.station, monotonic_us(), troubles)
        for name, device in self._devices.items():
            if isinstance(device, LineDevice) and device.counts is not None:
                seen["devices"][name]["readings"] = asdict(device.counts)
        tube = self.service.experience.tube_to_json(monotonic_us())
        tube["days"] = tube["days"][-1:]  # the others are for `qsyd tube`
        del tube["earlier"]
        return {
            "version": __version__,
            "simulated": self.simulated,
            "dry_run": self._ways.dry_run,
            "api": {"address": self.api.address, "leases": self.api.leases},
            "state_directory": {"path": str(self._ways.state), "healthy": self._store.healthy},
            **seen,
            "tube": tube if self.service.core.atlas.station.amplifier is not None else None,
            "presets_to_renew": self.service.experience.marks_to_json(),
        }

    def _view(self, file: StationFile) -> StationView:
        return StationView(
            service=self.service,
            desk=self._desk,
            directory=self._ways.state,
            status=self.status,
            links=lambda: {name: link.closed_because is None for name, link in self._links.items()},
            loop_lag_s=lambda: self._progress.lag_us / 1e6,
            ring=self._ring,
            counters=self._counters,
            book=Book(self.service.core.atlas, file.sha256, file.rule_lines),
            lease_s=file.api.lease_us / 1e6 if file.api is not None else LEASE_S,
        )

    def _in_a_line(self) -> str:
        """The station at one look, for the service manager."""
        seen = status(self.service.core, self.service.state.station, monotonic_us(), {})
        placed, amplifier = seen["placed"], seen["amplifier"]
        where = f"{placed['segment']} on {placed['antenna']}" if placed else "no frequency yet"
        state = f", amplifier {amplifier['state']}" if amplifier else ""
        return f"{where}{state}, transmit {'released' if seen['transmit']['released'] else 'inhibited'}"

    def _adopt_edges(self) -> None:
        """Presets that came without edges take those of their segments, now that a station file meets them."""
        before = list(self._store.presets().values())
        adopted = [new for new, old in zip(self.service.with_edges(before), before, strict=True) if new != old]
        if adopted:
            self._store.save_presets(adopted)

    def _to_log(self, line: Mapping[str, Any]) -> None:
        if line["event"] != "frequency":  # every turn of the dial would drown the rest
            self._own_log.tell({key: value for key, value in line.items() if key not in {"at", "time"}})

    def _keep(self, name: str, opener: Opener = open_link) -> Callable[[Address, Speaker], KeptLink]:
        def keep(address: Address, speaker: Speaker) -> KeptLink:
            link = self._links[name] = KeptLink(address, speaker, self._log, name, opener=opener)
            return link

        return keep

    def _device(self, settings: DeviceSettings) -> DeviceOutput:
        templates = {name: Template.parse(text) for name, text in settings.commands.items()}
        if self._ways.dry_run:
            return DryDevice(settings.name, templates, self._say_dry)
        return LineDevice(
            settings.name,
            settings.address,
            templates,
            self._keep(settings.name),
            acknowledge=re.compile(settings.acknowledge) if settings.acknowledge is not None else None,
            timeout_us=settings.timeout_us,
            retries=settings.retries,
            meters=questions_of(settings),
            lease=lease_of(settings),
            told=lambda name, readings: self.service.device_read(name, readings),
        )

    def _line(self, settings: LineSettings) -> DeviceOutput:
        if self._ways.dry_run:
            release, inhibit = ("high", "low") if settings.active_high else ("low", "high")
            texts = {CommandName.RELEASE_TRANSMIT: release, CommandName.INHIBIT_TRANSMIT: inhibit}
            templates = {name: Template.parse(f"{settings.line} {level}") for name, level in texts.items()}
            return DryDevice(settings.name, templates, self._say_dry)
        return PermitLine(
            settings.name,
            settings.address,
            settings.line,
            settings.active_high,
            self._keep(settings.name, LineOpener(self._ways.lines)),
            lambda text: self.service.warn("permit-line", text),
        )

    def _say_dry(self, output: str, text: str) -> None:
        self._log.info("dry run, not sent", output=output, line=text)

    def _follower(self, name: str, link: RigLink) -> RigFollower:
        address = link.address
        if isinstance(address, Simulated):
            address = (self._ways.simulated or {})[name]

        def reading(told: RigReading, at_us: int) -> None:
            if told.asked_at_us is not None:
                self._counters.polled(name, at_us - told.asked_at_us)
            self.service.rig_read(name, told, at_us)

        def closed(reason: str) -> None:
            self.service.rig_link_closed(name, reason)

        follower = RigFollower(name, _session(link), reading, closed, lambda: None, crashed=self.service.fail)
        if link.key_sense is None:
            self._keep(f"rig {name}")(address, follower)
        elif link.key_sense.address is None:
            self._keep(f"rig {name}", LineOpener(self._ways.lines))(
                address, self._sense(name, link.key_sense, follower)
            )
        else:
            self._keep(f"rig {name}")(address, follower)
            sense = self._sense(name, link.key_sense, None)
            self._keep(f"key sense of rig {name}", LineOpener(self._ways.lines))(link.key_sense.address, sense)
        return follower

    def _sense(self, rig: str, settings: KeySenseSettings, onward: Speaker | None) -> KeySense:
        def told(keyed: bool | None) -> None:
            if keyed is None and sense.because is not None:
                self.service.warn("key-sense", f"key line of rig {rig}: {sense.because}")
            self.service.key_sensed(rig, keyed)

        sense = self._senses[rig] = KeySense(settings.line, settings.active_high, told, onward)
        return sense

    def _read_now(self, name: str) -> Any:
        return lambda: self._followers[name].read_now()


def _session(link: RigLink) -> RigSession:
    match link.protocol:
        case Protocol.ASCII_CAT:
            return AsciiCatSession(link.frequency_digits, link.poll_us, link.push)
        case Protocol.CI_V:
            return CiVSession(link.civ_address, link.poll_us, link.push)
