"""Which Host and Origin a request over TCP may have. Loopback is no border against the operator's own browser.

A page from elsewhere can have its own name resolve to this machine; it cannot have its requests say another Host. So a
host is parsed and compared whole, never by a prefix or an ending (RFC 9110, sections 7.2 and 7.4; RFC 6454).
"""

import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass

from qsyd_daemon.api.problem import ProblemError

_AUTHORITY = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*)(?::([0-9]{1,5}))?")
_LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True, slots=True)
class Authority:
    """Where a request is meant to go: a name in small letters or an address, and a port."""

    host: str
    port: int


def parse_authority(text: str, default_port: int) -> Authority | None:
    """`HOST` or `HOST:PORT`; None for anything else, such as a name with a trailing dot."""
    match = _AUTHORITY.fullmatch(text)
    if match is None or (match[2] is not None and not 1 <= int(match[2]) <= 65535):
        return None
    host = match[1].lower()
    if host.startswith("["):
        try:
            host = str(ipaddress.IPv6Address(host[1:-1]))
        except ValueError:
            return None
    return Authority(host, int(match[2]) if match[2] is not None else default_port)


@dataclass(frozen=True, slots=True)
class Border:
    """What a listener takes for its own. `names` are those that the station file gives it."""

    scheme: str
    names: frozenset[Authority] = frozenset()

    def check(self, hosts: Sequence[str], origins: Sequence[str], local: tuple[str, int]) -> None:
        """Let a request pass that came in at this local address and port, or raise `ProblemError` (421, 403)."""
        own = self._own(local)
        standard = 443 if self.scheme == "https" else 80
        if len(hosts) != 1 or parse_authority(hosts[0], standard) not in own:
            shown = ", ".join(hosts)[:100] or "none"
            raise ProblemError(421, f"this is not the host that was asked for ({shown}); see `hosts` of the station")
        if origins and not all(self._is_own(origin, standard, own) for origin in origins):
            raise ProblemError(403, "a page from elsewhere may not use this station")

    def _own(self, local: tuple[str, int]) -> frozenset[Authority]:
        address, port = local[0].partition("%")[0], local[1]
        parsed = ipaddress.ip_address(address)
        if isinstance(parsed, ipaddress.IPv6Address) and parsed.ipv4_mapped is not None:
            parsed = parsed.ipv4_mapped
        hosts = _LOOPBACK_NAMES if parsed.is_loopback else (str(parsed),)
        return self.names | {Authority(host, port) for host in (*hosts, str(parsed))}

    def _is_own(self, origin: str, standard: int, own: frozenset[Authority]) -> bool:
        scheme, separator, rest = origin.partition("://")
        return bool(separator) and scheme.lower() == self.scheme and parse_authority(rest, standard) in own
