"""Counts wrong tokens by peer: guessing is slowed down, and only for whoever guesses."""

import ipaddress
from collections import OrderedDict, deque

FAILURES_MAX = 10
WINDOW_S = 60.0
PEERS_MAX = 1_000


class Attempts:
    """Failures of the last minute. A peer is an IPv4 address, or the /64 of an IPv6 one, which is one household."""

    def __init__(self) -> None:
        self._failures: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, address: str, now_s: float) -> float | None:
        """How long this peer has to wait; None where it may try."""
        failures = self._failures.get(_peer(address))
        if failures is None:
            return None
        while failures and failures[0] <= now_s - WINDOW_S:
            failures.popleft()
        return failures[0] + WINDOW_S - now_s if len(failures) >= FAILURES_MAX else None

    def failed(self, address: str, now_s: float) -> None:
        """This peer has shown a token that there is not."""
        peer = _peer(address)
        self._failures.setdefault(peer, deque(maxlen=FAILURES_MAX)).append(now_s)
        self._failures.move_to_end(peer)
        while len(self._failures) > PEERS_MAX:
            self._failures.popitem(last=False)


def _peer(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)
