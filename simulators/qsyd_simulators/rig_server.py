"""A simulated transceiver to connect to, with a console for its front panel."""

import asyncio
from collections.abc import AsyncIterator, Callable

from qsyd_simulators.ascii_cat_voice import AsciiCatVoice
from qsyd_simulators.ci_v_voice import CiVVoice
from qsyd_simulators.faults import RigFaults
from qsyd_simulators.frequency_text import frequency_from, frequency_text
from qsyd_simulators.pty_port import PtyPort
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.rig_voice import RigVoice
from qsyd_simulators.tcp_port import TcpPort
from qsyd_simulators.transceiver import Transceiver

PROTOCOLS = ("ascii-cat", "ci-v")

HELP = """\
tune 14.205 MHz    turn the dial of the VFO in use (also kHz, Hz)
other 14.250 MHz   tune the other VFO
split on|off       transmit on the other VFO, or on the same
mode usb           {modes}
key, unkey         press and let go of the key at the radio
push on|off        report changes unasked, where the protocol and the host provide for it
silent on|off      stop answering, as with the cable pulled
show               the dial and all else
help               this"""


async def serve_rig(
    protocol: str,
    digits: int,
    address: int,
    tcp_port: int | None,
    pty_link: str | None,
    frequency_hz: int,
    push: bool,
    faults: RigFaults | None,
    *,
    say: Callable[[str], None],
    lines: AsyncIterator[str] | None = None,
) -> None:
    """Serve a transceiver on a TCP port of this machine, a pseudo-terminal, or both, until cancelled.

    `protocol` is `ascii-cat` (then `digits` is 11, 9 or 8) or `ci-v` (then `address` is the set's); `tcp_port` 0 lets
    the system choose. `say` gets a line for people at a time: first where to connect, then what each of `lines`, typed
    on its console, was answered. Raises `ValueError` for what cannot be served, `OSError` where a port cannot be had.
    """
    if tcp_port is None and pty_link is None:
        raise ValueError("a simulated rig needs a TCP port or a path for a pseudo-terminal to be reached at")
    transceiver = Transceiver(frequency_hz, faults=faults)
    transceiver.push_permitted = push
    new_voice = _voice_maker(protocol, digits, address, transceiver)
    ports: list[TcpPort | PtyPort] = []
    try:
        if tcp_port is not None:
            tcp = TcpPort(new_voice, port=tcp_port)
            await tcp.start()
            ports.append(tcp)
            say(f"SIMULATED transceiver, {_title(protocol, digits, address)}: tcp:127.0.0.1:{tcp.port}")
        if pty_link is not None:
            pty = PtyPort(new_voice(), pty_link)
            await pty.start()
            ports.append(pty)
            say(f"SIMULATED transceiver, {_title(protocol, digits, address)}: serial:{pty.path}")
        if lines is not None:
            say("Type help for what its console understands.")
            async for line in lines:
                if line.strip():
                    say(obey(line, transceiver))
        await asyncio.Event().wait()
    finally:
        for port in ports:
            await port.close()


async def serve_on_loopback(protocol: str, digits: int, address: int) -> TcpPort:
    """Serve a transceiver on a TCP port that the system chooses, until the port is closed; quietly."""
    port = TcpPort(_voice_maker(protocol, digits, address, Transceiver()), port=0)
    await port.start()
    return port


def _voice_maker(protocol: str, digits: int, address: int, transceiver: Transceiver) -> Callable[[], RigVoice]:
    def new_voice() -> RigVoice:
        match protocol:
            case "ascii-cat":
                return AsciiCatVoice(transceiver, digits)
            case "ci-v":
                return CiVVoice(transceiver, address)
            case _:
                raise ValueError(f"protocol '{protocol}' is not simulated; there are {' and '.join(PROTOCOLS)}")

    new_voice().close()  # tells now, not at the first client, what cannot be spoken
    return new_voice


def _title(protocol: str, digits: int, address: int) -> str:
    return f"ASCII CAT with {digits} digits" if protocol == "ascii-cat" else f"CI-V at address {address:#04x}"


def obey(line: str, transceiver: Transceiver) -> str:
    """Do what was typed on the console and answer in plain words; a bad line changes nothing."""
    word, _, rest = line.strip().partition(" ")
    rest = rest.strip()
    try:
        match word.lower(), rest.lower():
            case "tune", _:
                transceiver.tune(frequency_from(rest))
            case "other", _:
                transceiver.tune_vfo(transceiver.vfo_in_use.other, frequency_from(rest))
            case "split", "on" | "off" as state:
                transceiver.set_split(state == "on")
            case "mode", name:
                transceiver.set_mode(_mode_named(name))
            case "key", "":
                transceiver.key()
            case "unkey", "":
                transceiver.unkey()
            case "push", "on" | "off" as state:
                transceiver.push_permitted = state == "on"
            case "silent", "on" | "off" as state:
                transceiver.faults.silent = state == "on"
            case "show", "":
                pass
            case "help", "":
                return HELP.format(modes=", ".join(RigMode))
            case (("split" | "push" | "silent"), state):
                return f"{word} '{state}'? write '{word} on' or '{word} off'"
            case _:
                return f"'{line.strip()}' is not understood; help lists what is"
    except ValueError as error:
        return str(error)
    return _shown(transceiver)


def _mode_named(name: str) -> RigMode:
    try:
        return RigMode(name)
    except ValueError:
        raise ValueError(f"'{name}' is no mode; there are {', '.join(RigMode)}") from None


def _shown(transceiver: Transceiver) -> str:
    other = transceiver.vfo_in_use.other
    parts = [
        f"VFO {transceiver.vfo_in_use.name} {frequency_text(transceiver.frequency_of(transceiver.vfo_in_use))}",
        transceiver.mode,
        f"other VFO {frequency_text(transceiver.frequency_of(other))}",
        f"split {'on' if transceiver.split else 'off'}",
        f"would transmit on {frequency_text(transceiver.transmit_hz)}",
        "keyed" if transceiver.keyed else "not keyed",
        f"push {'on' if transceiver.push_permitted else 'off'}",
    ]
    if transceiver.faults.silent:
        parts.append("silent")
    if transceiver.keyed_by_cat:
        parts.append(f"KEYED BY COMMAND {transceiver.keyed_by_cat} times")
    return ", ".join(parts)
