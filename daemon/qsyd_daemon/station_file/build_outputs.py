"""Links and outputs from the models: addresses, command templates, patterns for what devices answer."""

import re
from pathlib import Path

from qsyd_daemon.links.line_port import InputLine, OutputLine
from qsyd_daemon.links.link import Address, Rfc2217Address, SerialAddress, TcpAddress
from qsyd_daemon.outputs.template import Template, TemplateError
from qsyd_daemon.station_file import pattern
from qsyd_daemon.station_file.address import FORMS, LinkText, Rfc2217Link, SerialLink, SimulatedLink, TcpLink
from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.model import (
    SERIAL_KEYS,
    SERVER_KEYS,
    DeviceKeys,
    JsonlKeys,
    KeySenseKeys,
    LeaseKeys,
    LineKeys,
    LinkKeys,
    LogKeys,
    ReadingsKeys,
    RigKeys,
    StationKeys,
)
from qsyd_daemon.station_file.settings import (
    DeviceSettings,
    JsonlSettings,
    KeySenseSettings,
    LeaseSettings,
    LineSettings,
    LogSettings,
    OutputSettings,
    Protocol,
    ReadingsSettings,
    RigLink,
    Simulated,
)
from qsyd_daemon.station_file.validate import OutputKeys
from qsyd_daemon.station_file.vocabulary import READING_NAMES
from qsyd_daemon.station_file.yaml_tree import Location
from qsyd_rules.command import COMMAND_FIELDS, CommandName

_UNSTABLE = re.compile(r"/dev/tty(?:USB|ACM)[0-9]+")
_WRITTEN_ESCAPE = re.compile(r"\\[nrt][\"']?$")


def rig_links_of(keys: StationKeys, findings: Findings) -> dict[str, RigLink]:
    """How each rig is reached."""
    links = {}
    for name, rig in keys.rigs.items():
        here: Location = ("rigs", name)
        _judge_protocol(rig, here, findings)
        address = _address(rig, here, findings)
        links[name] = RigLink(
            address=Simulated() if address is None else address,
            protocol=Protocol(rig.protocol),
            frequency_digits=rig.frequency_digits,
            civ_address=rig.address,
            poll_us=rig.poll,
            push=rig.push,
            key_sense=None if rig.key_sense is None else _key_sense(rig, rig.key_sense, here, findings),
        )
    return links


def outputs_of(keys: StationKeys, outputs: dict[str, OutputKeys], findings: Findings) -> tuple[OutputSettings, ...]:
    """Every output, in file order."""
    ports: list[int | str] = [antenna.port for antenna in keys.antennas.values()]
    settings: list[OutputSettings] = []
    for name, output in outputs.items():
        match output:
            case DeviceKeys():
                device = _device(name, output, ports, findings)
                if device is not None:
                    settings.append(device)
            case LineKeys():
                line = _line(name, output, findings)
                if line is not None:
                    settings.append(line)
            case JsonlKeys():
                settings.append(JsonlSettings(name, Path(output.path or f"{name}.jsonl")))
            case LogKeys():
                settings.append(LogSettings(name))
    return tuple(settings)


def judge_ports(keys: StationKeys, outputs: dict[str, OutputKeys], findings: Findings) -> None:
    """No serial port serves two, here or behind a server: they would change the rate under each other."""
    linked: list[tuple[Location, LinkText | None, str]] = []
    for name, rig in keys.rigs.items():
        linked.append((("rigs", name), rig.link, name))
        if rig.key_sense is not None:
            linked.append((("rigs", name, "key_sense"), rig.key_sense.link, name))
    for name, output in outputs.items():
        if isinstance(output, DeviceKeys | LineKeys):
            linked.append((("outputs", name), output.link, name))
    owners: dict[str, str] = {}
    for here, link, name in linked:
        match link:
            case SerialLink(path):
                port = path
            case Rfc2217Link(host, number):
                port = f"{host}:{number}"
            case _:
                continue
        owner = owners.setdefault(port, name)
        if owner != name:
            text = f"serial port {short(port)} already belongs to `{owner}`"
            findings.error((*here, "link"), text, "each rig and device needs a port of its own")


def judge_estimate(keys: StationKeys, outputs: dict[str, OutputKeys], findings: Findings) -> None:
    """An estimate is only used with reduced drive: something has to take that limit, and the limit has to be known."""
    amplifier, place = keys.amplifier, ("amplifier", "without_preset")
    if amplifier is None or amplifier.without_preset != "estimate":
        return
    if amplifier.limits.drive is None and findings.is_whole("amplifier", "limits", "drive"):
        text = "an estimate is used with a quarter of the drive limit, and there is none"
        findings.error(place, text, "write it, such as `limits: {drive: 60 W}`, or `without_preset: standby`")
    carried = {name for output in outputs.values() if isinstance(output, DeviceKeys) for name in output.commands}
    for command, what in ((CommandName.RECALL_PRESET, "move the tank"), (CommandName.LIMIT_DRIVE, "lower the drive")):
        if command not in carried and findings.is_whole("outputs"):
            text = f"an estimate needs an output that can {what}, and none has `{command}`"
            findings.error(place, text, "give a device that command, or write `without_preset: standby`")


def judge_matching(keys: StationKeys, outputs: dict[str, OutputKeys], findings: Findings) -> None:
    """A matching unit that no device sets is set by hand, at each change of segment: that should be meant."""
    recalls = [
        output.commands[CommandName.RECALL_PRESET]
        for output in outputs.values()
        if isinstance(output, DeviceKeys) and CommandName.RECALL_PRESET in output.commands
    ]
    if any("{matching" in text for text in recalls) or not findings.is_whole("outputs"):
        return
    for name, antenna in keys.antennas.items():
        if antenna.matching is not None and keys.amplifier is not None:
            text = "no output sets this matching unit: it stays where you leave it, whatever is recalled"
            hint = 'give a device `recall-preset: "… {matching}\\n"`, or set it by hand with each segment'
            findings.warning(("antennas", name, "matching"), text, hint)


def _address(keys: LinkKeys, here: Location, findings: Findings) -> Address | None:
    match keys.link:
        case SerialLink(path):
            _refuse(SERVER_KEYS, "rfc2217 links", here, findings)
            _judge_path(path, here, findings)
            return SerialAddress(path, *_port_settings(keys))
        case TcpLink(host, port):
            _refuse_port_keys(here, findings)
            return TcpAddress(host, port)
        case Rfc2217Link(host, port):
            return Rfc2217Address(host, port, *_port_settings(keys), keys.lines_answered)
        case SimulatedLink():
            _refuse_port_keys(here, findings)
            return None


def _port_settings(keys: LinkKeys) -> tuple[int, int, bool, bool]:
    """Baud, stop bits, and whether DTR and RTS are high."""
    return keys.baud, keys.stop_bits, keys.dtr == "high", keys.rts == "high"


def _judge_path(path: str, here: Location, findings: Findings) -> None:
    if _UNSTABLE.fullmatch(path):
        text = f"{path} may be another device after the next start"
        findings.warning((*here, "link"), text, "use its name under /dev/serial/by-id")


def _refuse_port_keys(here: Location, findings: Findings) -> None:
    _refuse(SERIAL_KEYS, "serial and rfc2217 links", here, findings)
    _refuse(SERVER_KEYS, "rfc2217 links", here, findings)


def _refuse(keys: tuple[str, ...], links: str, here: Location, findings: Findings) -> None:
    for key in keys:
        if findings.is_written((*here, key)):
            findings.error((*here, key), f"`{key}` is for {links}", "leave it out here", key=True)


def _refuse_line(link: LinkText, here: Location, findings: Findings) -> None:
    """A line that is a permit or a witness has to be a line of this machine."""
    text = "a line belongs to a serial port"
    if isinstance(link, Rfc2217Link):
        text = "a line behind a network keeps its level when the network is cut: it can be no guard and no witness"
    findings.error((*here, "link"), text, "write serial:/dev/serial/by-id/...")


def _judge_protocol(rig: RigKeys, here: Location, findings: Findings) -> None:
    for key, protocol in (("frequency_digits", "ascii-cat"), ("address", "ci-v")):
        if findings.is_written((*here, key)) and rig.protocol != protocol and findings.is_whole(*here, "protocol"):
            text = f"`{key}` is for protocol {protocol}, and this rig speaks {rig.protocol}"
            findings.error((*here, key), text, f"leave it out, or write `protocol: {protocol}`", key=True)


def _device(name: str, keys: DeviceKeys, ports: list[int | str], findings: Findings) -> DeviceSettings | None:
    here: Location = ("outputs", name)
    commands = {}
    for command, text in keys.commands.items():
        commands[CommandName(command)] = text
        _judge_command(CommandName(command), text, (*here, "commands", command), ports, findings)
    if not keys.commands and keys.readings is None and findings.is_whole(*here):
        findings.warning(here, f"`{name}` takes no command and has no readings", "give it `commands`", key=True)
    if keys.acknowledge is not None:
        _compiled(keys.acknowledge, (*here, "acknowledge"), findings)
    readings = None if keys.readings is None else _readings(keys.readings, (*here, "readings"), findings)
    lease = None if keys.lease is None else _lease(keys, keys.lease, (*here, "lease"), findings)
    address = _address(keys, here, findings)
    if address is None:
        findings.error((*here, "link"), "a device cannot be simulated", FORMS)
        return None
    return DeviceSettings(name, address, commands, keys.acknowledge, keys.timeout, keys.retries, readings, lease)


def _lease(keys: DeviceKeys, lease: LeaseKeys, here: Location, findings: Findings) -> LeaseSettings:
    for command in (CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT):
        if command not in keys.commands and findings.is_whole(*here[:-1], "commands"):
            text = f"a lease is for transmit, and this device has no `{command}`"
            findings.error(here, text, f"give it `{command}` among its commands, or leave the lease out", key=True)
    return LeaseSettings(lease.renew, lease.every, lease.answered)


def _line(name: str, keys: LineKeys, findings: Findings) -> LineSettings | None:
    here: Location = ("outputs", name)
    if not isinstance(keys.link, SerialLink):
        _refuse_line(keys.link, here, findings)
        return None
    _judge_path(keys.link.path, here, findings)
    line, active_high = OutputLine(keys.line), keys.active == "high"
    if not active_high:
        text = f"with `active: low` transmit is released when the daemon dies: `{name}` is no guard then"
        findings.warning((*here, "active"), text, "wire it so that the high level releases")
    # Held from the first moment: the level that inhibits; the other line stays low.
    return LineSettings(
        name,
        SerialAddress(
            keys.link.path,
            dtr_high=line is OutputLine.DTR and not active_high,
            rts_high=line is OutputLine.RTS and not active_high,
            drop_on_close=active_high,
        ),
        line,
        active_high,
    )


def _key_sense(rig: RigKeys, keys: KeySenseKeys, here: Location, findings: Findings) -> KeySenseSettings:
    place: Location = (*here, "key_sense")
    address = None
    match keys.link:
        case SerialLink(path):
            if path != getattr(rig.link, "path", None):
                _judge_path(path, place, findings)
                address = SerialAddress(path)
        case None:
            if not isinstance(rig.link, SerialLink) and findings.is_whole(*here, "link"):
                text = "this rig's link has no lines that could be sensed"
                findings.error(place, text, "name the port: link: serial:/dev/serial/by-id/...", key=True)
        case other:
            _refuse_line(other, place, findings)
    return KeySenseSettings(InputLine(keys.line), keys.active == "high", address)


def _judge_command(
    command: CommandName, text: str, place: Location, ports: list[int | str], findings: Findings
) -> None:
    try:
        template = Template.parse(text)
        unknown = [name for name in template.fields if name not in COMMAND_FIELDS[command]]
        for name in unknown:
            hint = nearest(name, COMMAND_FIELDS[command]) if COMMAND_FIELDS[command] else "it has no fields"
            findings.error(place, f"{command} has no field {{{name}}}", hint)
        for port in ports or [1]:
            template.render(_sample(port))
    except TemplateError as error:
        findings.error(place, error.text, error.hint)
    if _WRITTEN_ESCAPE.search(text):
        findings.warning(
            place, "the text ends in a written-out backslash", 'use double quotes for a line end: "...\\n"'
        )


def _sample(port: int | str) -> dict[str, object]:
    """Values of the types that commands carry, to see whether a format fits them."""
    words = dict.fromkeys(("rig", "antenna", "segment"), "word")
    return {**words, "port": port, "tune": 1, "load": 1, "drive_w": 1, "matching": (1,), "reasons": ("word",)}


def _readings(keys: ReadingsKeys, here: Location, findings: Findings) -> ReadingsSettings:
    names: tuple[str, ...] = ()
    compiled = _compiled(keys.match, (*here, "match"), findings)
    if compiled is not None:
        names = tuple(compiled.groupindex)
        if not names:
            hint = "name groups after readings, such as (?P<forward_w>[0-9]+)"
            findings.error((*here, "match"), "the expression has no named group", hint)
        for name in names:
            if name not in READING_NAMES:
                findings.error((*here, "match"), f"there is no reading `{name}`", nearest(name, READING_NAMES))
    if keys.stale_after < keys.every:
        at = "stale_after" if findings.is_written((*here, "stale_after")) else "every"
        text = "readings would be stale before the next are asked for: stale_after is shorter than every"
        findings.error((*here, at), text, "use a few times `every`, such as 1 s for 200 ms")
    return ReadingsSettings(keys.ask, keys.every, keys.match, keys.stale_after, keys.travel, names)


def _compiled(text: str, place: Location, findings: Findings) -> re.Pattern[str] | None:
    try:
        return pattern.checked(text)
    except pattern.PatternError as error:
        findings.error(place, error.text, error.hint)
        return None
