"""Links as a station file names them: `serial:PATH`, `tcp:HOST:PORT`, `rfc2217:HOST:PORT`, `simulated`."""

import re
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator

from qsyd_daemon.station_file.errors import nearest, short
from qsyd_daemon.station_file.leaves import described, refusal

_HOST = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9_.-]{0,253})")
_BRACKETED = re.compile(r"\[([0-9A-Fa-f:.]+(?:%[A-Za-z0-9_.-]+)?)\]")
FORMS = "write serial:PATH, tcp:HOST:PORT or rfc2217:HOST:PORT"


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
class Rfc2217Link:
    """`rfc2217:HOST:PORT`."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class SimulatedLink:
    """`simulated`: no hardware at all."""


LinkText = SerialLink | TcpLink | Rfc2217Link | SimulatedLink


def _link(value: object) -> LinkText:
    if not isinstance(value, str):
        raise refusal(f"{described(value)} is not a link", FORMS)
    if value == "simulated":
        return SimulatedLink()
    scheme, colon, rest = value.partition(":")
    match scheme:
        case "serial" if colon:
            if not rest or not rest.isprintable() or rest != rest.strip():
                raise refusal(f"`{short(value)}` names no port", "write serial:/dev/serial/by-id/...")
            return SerialLink(rest)
        case "tcp" if colon:
            return TcpLink(*_host_and_port(value, scheme, rest))
        case "rfc2217" if colon:
            return Rfc2217Link(*_host_and_port(value, scheme, rest))
        case _:
            if value.startswith("/"):
                raise refusal(f"`{short(value)}` is not a link", f"write serial:{short(value)}")
            if not colon or rest.startswith("//"):
                raise refusal(f"`{short(value)}` is not a link", FORMS)
            raise refusal(
                f"`{short(scheme)}` is not a kind of link", nearest(scheme, ("serial", "tcp", "rfc2217", "simulated"))
            )


def _host_and_port(value: str, scheme: str, rest: str) -> tuple[str, int]:
    host, _, port = rest.rpartition(":")
    bracketed = _BRACKETED.fullmatch(host)
    if not bracketed and not _HOST.fullmatch(host):
        hint = f"write {scheme}:HOST:PORT, such as {scheme}:127.0.0.1:5001"
        raise refusal(f"`{short(value)}` names no host and port", hint)
    if not re.fullmatch(r"[0-9]{1,5}", port) or not 1 <= int(port) <= 65535:
        raise refusal(f"`{short(port)}` is not a TCP port", "write a number from 1 to 65535")
    return bracketed[1] if bracketed else host, int(port)


Link = Annotated[LinkText, BeforeValidator(_link)]
