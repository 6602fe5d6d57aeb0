"""What hangs on the wires of one station: rigs, devices and notices, each a part that can be exchanged alone.

A part that was taken out is not heard any more, from that moment on, though its links close a little later.
"""

import asyncio
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from structlog.typing import FilteringBoundLogger

from qsyd_daemon.api.counters import Counters
from qsyd_daemon.key_sense import KeySense
from qsyd_daemon.links.keeper import KeptLink, Opener, open_link
from qsyd_daemon.links.line_port import LineOpener
from qsyd_daemon.links.link import Address, Speaker
from qsyd_daemon.output_wiring import lease_of, questions_of, wiring_of
from qsyd_daemon.outputs.device import LineDevice
from qsyd_daemon.outputs.dry import DryDevice
from qsyd_daemon.outputs.jsonl import JsonlOutput
from qsyd_daemon.outputs.log import LogOutput
from qsyd_daemon.outputs.output import DeviceOutput, NoticeOutput
from qsyd_daemon.outputs.permit_line import PermitLine
from qsyd_daemon.outputs.template import Template
from qsyd_daemon.protocols.ascii_cat import AsciiCatSession
from qsyd_daemon.protocols.ci_v import CiVSession
from qsyd_daemon.protocols.session import RigReading, RigSession
from qsyd_daemon.rig_follower import RigFollower
from qsyd_daemon.service import Service
from qsyd_daemon.station_file.settings import (
    DeviceSettings,
    JsonlSettings,
    KeySenseSettings,
    LineSettings,
    LogSettings,
    OutputSettings,
    Protocol,
    RigLink,
    Simulated,
    StationFile,
)
from qsyd_daemon.ways import Ways
from qsyd_rules.command import CommandName
from qsyd_rules.readings import Readings
from qsyd_rules.wiring import Wiring


@dataclass(eq=False, slots=True)
class Part:
    """One rig or one output, with the links it speaks over by name. `in_use` until it is taken out."""

    name: str
    links: dict[str, KeptLink] = field(default_factory=dict)
    device: DeviceOutput | None = None
    notice: NoticeOutput | None = None
    follower: RigFollower | None = None
    sense: KeySense | None = None
    sets_frequency: bool = False
    in_use: bool = True

    async def close(self) -> None:
        """Close everything, at once; closing it again does nothing."""
        if self.sense is not None:
            self.sense.stop()
        closing = [link.close() for link in self.links.values()]
        if self.device is not None:
            closing.append(self.device.close())
        if self.notice is not None:
            closing.append(self.notice.close())
        await asyncio.gather(*closing)


class Apparatus:
    """The parts of the station that is in force. `service` has to be set before anything starts."""

    service: Service

    def __init__(self, file: StationFile, ways: Ways, counters: Counters, log: FilteringBoundLogger) -> None:
        self._ways = ways
        self._counters = counters
        self._log = log
        self.rigs: dict[str, Part] = {}
        self.outputs: dict[str, Part] = {}
        """In the order of the file, like the rigs."""
        self._leaving: set[Part] = set()
        for output in file.outputs:
            self.add_output(output)
        for name, link in file.rig_links.items():
            self.add_rig(name, link)

    @property
    def links(self) -> dict[str, KeptLink]:
        """Every link by its name."""
        parts = (*self.outputs.values(), *self.rigs.values())
        return {name: link for part in parts for name, link in part.links.items()}

    @property
    def devices(self) -> dict[str, DeviceOutput]:
        """Outputs that move something."""
        return {name: part.device for name, part in self.outputs.items() if part.device is not None}

    @property
    def notices(self) -> dict[str, NoticeOutput]:
        """Outputs that only tell."""
        return {name: part.notice for name, part in self.outputs.items() if part.notice is not None}

    @property
    def permit_lines(self) -> list[PermitLine]:
        """Control lines that are to be dropped when the loop stands still."""
        return [device for device in self.devices.values() if isinstance(device, PermitLine)]

    @property
    def read_rig(self) -> Mapping[str, Callable[[], None]]:
        """How each rig is asked at once."""
        return {name: part.follower.read_now for name, part in self.rigs.items() if part.follower is not None}

    @property
    def poll_errors(self) -> dict[str, dict[str, int]]:
        """What went wrong with questions over each link, by its name and by kind."""
        found = {
            f"rig {name}": dict(part.follower.errors) for name, part in self.rigs.items() if part.follower is not None
        }
        for name, device in self.devices.items():
            if isinstance(device, LineDevice) and device.counts is not None:
                found[name] = {"damaged": device.counts.damaged, "unanswered": device.counts.unanswered}
        return found

    def dial_of(self, rig: str) -> Callable[[int], str | None] | None:
        """How a tune-up sets this rig's frequency; None where it may not."""
        part = self.rigs[rig]
        return part.follower.set_frequency if part.follower is not None and part.sets_frequency else None

    def wiring(self, file: StationFile) -> Wiring:
        """What the core needs to know of these outputs, which are those of `file`."""
        commands = {name: device.commands for name, device in self.devices.items()}
        return wiring_of(file.outputs, commands, self._ways.dry_run)

    # Coming and going

    def start(self, parts: list[Part]) -> None:
        """Open the links of these parts."""
        for part in parts:
            if part.device is not None:
                self._start_device(part, part.device)
        for part in parts:
            if part.sense is not None:
                self.service.key_sensed(part.name, None)  # until the port is open
        for part in parts:
            if part.device is None:  # those have started theirs
                for link in part.links.values():
                    link.start()

    def take_out(self, rigs: frozenset[str], outputs: frozenset[str]) -> list[Part]:
        """These are of no use any more, from now on; what is returned has to be closed by `close_left`."""
        left = [self.rigs.pop(name) for name in sorted(rigs & self.rigs.keys())]
        left += [self.outputs.pop(name) for name in sorted(outputs & self.outputs.keys())]
        for part in left:
            part.in_use = False
        self._leaving.update(left)
        return left

    async def close_left(self, *, notices: bool = True) -> None:
        """Close what was taken out; without `notices` those stay for later, for they may take a second to write."""
        left = [part for part in self._leaving if notices or part.notice is None]
        await asyncio.gather(*(part.close() for part in left))
        self._leaving.difference_update(left)

    async def close(self) -> None:
        """Close rigs and devices; notices have still something to tell."""
        parts = [*self.rigs.values(), *(part for part in self.outputs.values() if part.notice is None)]
        await asyncio.gather(self.close_left(), *(part.close() for part in parts))

    def in_order(self, file: StationFile) -> None:
        """Keep the parts in the order of the file."""
        self.outputs = {output.name: self.outputs[output.name] for output in file.outputs}
        self.rigs = {name: self.rigs[name] for name in file.rig_links}

    def add_output(self, settings: OutputSettings) -> Part:
        """Make one, not started yet."""
        part = self.outputs[settings.name] = Part(settings.name)
        match settings:
            case DeviceSettings():
                part.device = self._device(part, settings)
            case LineSettings():
                part.device = self._line(part, settings)
            case JsonlSettings(name=name, path=path):
                part.notice = JsonlOutput(name, path if str(path) == "-" else self._ways.state / path, self._log)
            case LogSettings(name=name):
                part.notice = LogOutput(name, self._log)
        return part

    def add_rig(self, name: str, link: RigLink) -> Part:
        """Make one, not started yet."""
        part = self.rigs[name] = Part(name, sets_frequency=link.sets_frequency and not self._ways.dry_run)
        address = link.address
        if isinstance(address, Simulated):
            address = (self._ways.simulated or {})[name]
        follower = part.follower = self._follower(part, link)
        if link.key_sense is None:
            self._keep(part, f"rig {name}")(address, follower)
        elif link.key_sense.address is None:
            self._keep(part, f"rig {name}", LineOpener(self._ways.lines))(
                address, self._sense(part, link.key_sense, follower)
            )
        else:
            self._keep(part, f"rig {name}")(address, follower)
            sense = self._sense(part, link.key_sense, None)
            self._keep(part, f"key sense of rig {name}", LineOpener(self._ways.lines))(link.key_sense.address, sense)
        return part

    # How they are made

    def _keep(self, part: Part, name: str, opener: Opener = open_link) -> Callable[[Address, Speaker], KeptLink]:
        def keep(address: Address, speaker: Speaker) -> KeptLink:
            link = part.links[name] = KeptLink(address, speaker, self._log, name, opener=opener)
            for gone in self._leaving:
                if name in gone.links:
                    link.take_taps(gone.links[name])
            return link

        return keep

    def _start_device(self, part: Part, device: DeviceOutput) -> None:
        def connected(name: str) -> None:
            if part.in_use:
                self.service.device_connected(name)

        def lost(name: str, reason: str) -> None:
            if part.in_use:
                self.service.device_lost(name, reason)

        device.start(connected, lost)

    def _device(self, part: Part, settings: DeviceSettings) -> DeviceOutput:
        templates = {name: Template.parse(text) for name, text in settings.commands.items()}
        if self._ways.dry_run:
            return DryDevice(settings.name, templates, self._say_dry)

        def told(name: str, readings: Readings) -> None:
            if part.in_use:
                self.service.device_read(name, readings)

        return LineDevice(
            settings.name,
            settings.address,
            templates,
            self._keep(part, settings.name),
            acknowledge=re.compile(settings.acknowledge) if settings.acknowledge is not None else None,
            timeout_us=settings.timeout_us,
            retries=settings.retries,
            meters=questions_of(settings),
            lease=lease_of(settings),
            told=told,
        )

    def _line(self, part: Part, settings: LineSettings) -> DeviceOutput:
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
            self._keep(part, settings.name, LineOpener(self._ways.lines)),
            lambda text: self.service.warn("permit-line", text),
        )

    def _say_dry(self, output: str, text: str) -> None:
        self._log.info("dry run, not sent", output=output, line=text)

    def _follower(self, part: Part, link: RigLink) -> RigFollower:
        name = part.name

        def reading(told: RigReading, at_us: int) -> None:
            if not part.in_use:
                return
            if told.asked_at_us is not None:
                self._counters.polled(name, at_us - told.asked_at_us)
            self.service.rig_read(name, told, at_us)

        def closed(reason: str) -> None:
            if part.in_use:
                self.service.rig_link_closed(name, reason)

        def crashed(error: Exception) -> None:
            self.service.fail(error)

        session = _session(link, sets_frequency=part.sets_frequency)
        return RigFollower(name, session, reading, closed, lambda: None, crashed=crashed)

    def _sense(self, part: Part, settings: KeySenseSettings, onward: Speaker | None) -> KeySense:
        def told(keyed: bool | None) -> None:
            if not part.in_use:
                return
            if keyed is None and sense.because is not None:
                self.service.warn("key-sense", f"key line of rig {part.name}: {sense.because}")
            self.service.key_sensed(part.name, keyed)

        sense = part.sense = KeySense(settings.line, settings.active_high, told, onward)
        return sense


def _session(link: RigLink, *, sets_frequency: bool) -> RigSession:
    match link.protocol:
        case Protocol.ASCII_CAT:
            return AsciiCatSession(link.frequency_digits, link.poll_us, link.push, sets_frequency=sets_frequency)
        case Protocol.CI_V:
            return CiVSession(link.civ_address, link.poll_us, link.push, sets_frequency=sets_frequency)
