"""Links as a station file names them: `serial:PATH`, `tcp:HOST:PORT`, `simulated`."""

import re
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator

from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.leaves import described, refusal

_HOST = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9_.-]{0,253})")
_BRACKETED = re.compile(r"\[([0-9A-Fa-f:.]+(?:%[A-Za-z0-9_.-]+)?)\]")
_FORMS = "write serial:PATH or tcp:HOST:PORT"


@dataclass(frozen=True, slots=True)
class SerialLink:
    """`serial:PATH`."""

    path: str


@dataclass(frozen=True, slots=True)
class TcpLink:
    """`tcp:HOST:PORT`."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class SimulatedLink:
    """`simulated`: no hardware at all."""


LinkText = SerialLink | TcpLink | SimulatedLink


def _link(value: object) -> LinkText:
    if not isinstance(value, str):
        raise refusal(f"{described(value)} is not a link", _FORMS)
    if value == "simulated":
        return SimulatedLink()
    scheme, colon, rest = value.partition(":")
    match scheme:
        case "serial" if colon:
            if not rest or not rest.isprintable() or rest != rest.strip():
                raise refusal(f"`{short(value)}` names no port", "write serial:/dev/serial/by-id/...")
            return SerialLink(rest)
        case "tcp" if colon:
            return _tcp(value, rest)
        case "rfc2217":
            raise refusal("rfc2217 links come later", "reach the port by tcp:HOST:PORT for now")
        case _:
            if value.startswith("/"):
                raise refusal(f"`{short(value)}` is not a link", f"write serial:{short(value)}")
            if not colon or rest.startswith("//"):
                raise refusal(f"`{short(value)}` is not a link", _FORMS)
            raise refusal(f"`{short(scheme)}` is not a kind of link", nearest(scheme, ("serial", "tcp", "simulated")))


def _tcp(value: str, rest: str) -> TcpLink:
    host, _, port = rest.rpartition(":")
    bracketed = _BRACKETED.fullmatch(host)
    if not bracketed and not _HOST.fullmatch(host):
        raise refusal(f"`{short(value)}` names no host and port", "write tcp:HOST:PORT, such as tcp:127.0.0.1:5001")
    if not re.fullmatch(r"[0-9]{1,5}", port) or not 1 <= int(port) <= 65535:
        raise refusal(f"`{short(port)}` is not a TCP port", "write a number from 1 to 65535")
    return TcpLink(bracketed[1] if bracketed else host, int(port))


Link = Annotated[LinkText, BeforeValidator(_link)]
