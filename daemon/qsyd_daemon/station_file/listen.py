"""Where the API listens, and by what names it is reached: `127.0.0.1:8073`, `[::1]:8073`, `station.example:443`."""

import ipaddress
import re
from typing import Annotated

from pydantic import BeforeValidator

from qsyd_daemon.station_file.errors import short
from qsyd_daemon.station_file.leaves import described, refusal

_ADDRESS = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([0-9.]+|localhost)):([0-9]{1,5})")
_NAME = re.compile(r"([A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*|\[[0-9A-Fa-f:.]+\])(?::([0-9]{1,5}))?")
_FORM = "write an address of this machine and a port, such as 127.0.0.1:8073"


def _listen(value: object) -> tuple[str, int]:
    if not isinstance(value, str):
        raise refusal(f"{described(value)} is not an address to listen on", _FORM)
    match = _ADDRESS.fullmatch(value)
    if match is None or int(match[3]) > 65535:
        raise refusal(f"`{short(value)}` is not an address to listen on", _FORM)
    try:
        host = "127.0.0.1" if match[2] == "localhost" else str(ipaddress.ip_address(match[1] or match[2]))
    except ValueError:
        raise refusal(f"`{short(value)}` is not an address to listen on", _FORM) from None
    return host, int(match[3])


def _host(value: object) -> tuple[str, int | None]:
    match = _NAME.fullmatch(value) if isinstance(value, str) else None
    if match is None or (match[2] is not None and not 1 <= int(match[2]) <= 65535):
        raise refusal(
            f"{described(value)} is no name of a host",
            "write one whole, such as station.example or station.example:443",
        )
    return match[1].lower().strip("[]"), int(match[2]) if match[2] is not None else None


Listen = Annotated[tuple[str, int], BeforeValidator(_listen)]
Host = Annotated[tuple[str, int | None], BeforeValidator(_host)]
