"""Raw bytes over TCP as a link.

A far end that loses its power or its cable sends no end of stream. Keep-alive and the user time-out make the kernel
notice within some ten seconds; that answers stop coming is noticed sooner by whoever asks the questions.
"""

import asyncio
import socket
from collections.abc import Callable
from functools import partial
from typing import Any, cast

from qsyd_daemon.links.link import TcpAddress
from qsyd_daemon.links.off_loop import off_loop
from qsyd_daemon.links.open_error import OpenError

CONNECT_S_MAX = 5.0
"""For finding the address, and again for connecting, in seconds."""
RECEIVE_BYTES_MAX = 4096
"""A small buffer of our own; asyncio's default allocates 256 KiB at every read, which doubles the round trip."""
UNSENT_BYTES_MAX = 64 * 1024
"""What may wait for a far end that takes nothing, in bytes; beyond it the link is given up."""

KEEP_ALIVE = (
    ("TCP_KEEPIDLE", 5),  # seconds of silence before the first probe
    ("TCP_KEEPINTVL", 2),  # seconds between probes
    ("TCP_KEEPCNT", 3),  # unanswered probes until the link is lost
    ("TCP_USER_TIMEOUT", 5_000),  # milliseconds that sent bytes may stay unacknowledged
)
"""Options by name, since not every platform has each."""

AddressInfo = tuple[socket.AddressFamily, socket.SocketKind, int, str, tuple[Any, ...]]


async def open_tcp(address: TcpAddress, received: Callable[[bytes], None], closed: Callable[[str], None]) -> "TcpLink":
    """Connect; raises OpenError within 5 s for the name and 5 s for the connection.

    `received` is called with bytes as they arrive, `closed` once, with the reason, when the connection is lost; both
    on the event loop.
    """
    peer = f"{address.host}:{address.port}"
    try:
        async with asyncio.timeout(CONNECT_S_MAX):
            resolve = partial(socket.getaddrinfo, address.host, address.port, type=socket.SOCK_STREAM)
            found = cast(list[AddressInfo], await off_loop(resolve, lambda _: None))
        connected = await _connected(found)
    except UnicodeError as error:
        raise OpenError(f"{peer}: not a host name") from error
    except socket.gaierror as error:
        raise OpenError(f"{peer}: host not found: {error.strerror}") from error
    except ConnectionRefusedError as error:
        raise OpenError(f"{peer}: nobody listens there") from error
    except TimeoutError as error:
        raise OpenError(f"{peer}: no answer within {CONNECT_S_MAX:.0f} s") from error
    except OSError as error:
        raise OpenError(f"{peer}: cannot connect: {error.strerror or error}") from error
    loop = asyncio.get_running_loop()
    _, link = await loop.create_connection(lambda: TcpLink(peer, received, closed), sock=connected)
    return link


class TcpLink(asyncio.BufferedProtocol):
    """An open connection; see `link.Link`."""

    def __init__(self, peer: str, received: Callable[[bytes], None], closed: Callable[[str], None]) -> None:
        self._peer = peer
        self._received = received
        self._closed: Callable[[str], None] | None = closed
        self._buffer = memoryview(bytearray(RECEIVE_BYTES_MAX))
        self.tapped: Callable[[bytes], None] | None = None
        """Who is shown what is written; nobody, mostly."""
        self._transport: asyncio.Transport | None = None
        """None before the connection is made and once it is over."""
        self._lost_because: str | None = None

    def write(self, data: bytes) -> None:
        """Send `data`, keeping what the connection does not take yet."""
        transport = self._transport
        if transport is None:
            return
        if self.tapped is not None:
            self.tapped(data)
        transport.write(data)
        if transport.get_write_buffer_size() > UNSENT_BYTES_MAX:
            kib = UNSENT_BYTES_MAX // 1024
            self._lost_because = f"{self._peer}: the far end takes no bytes, over {kib} KiB are waiting"
            self._abort()

    def close(self) -> None:
        """Close at once, dropping unsent bytes; `closed` is not called."""
        self._closed = None
        self._abort()

    def _abort(self) -> None:
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Called by the transport."""
        self._transport = cast(asyncio.Transport, transport)

    def get_buffer(self, sizehint: int) -> memoryview:
        """Called by the transport: where to put what arrives."""
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        """Called by the transport: the first `nbytes` of the buffer are new."""
        self._received(bytes(self._buffer[:nbytes]))

    def connection_lost(self, exc: Exception | None) -> None:
        """Called by the transport, once."""
        self._transport = None
        closed, self._closed = self._closed, None
        if closed is not None:
            closed(self._lost_because or loss(self._peer, exc))


def loss(peer: str, error: Exception | None) -> str:
    """Why a connection to `peer` is over, in words; None stands for the end of the stream."""
    match error:
        case None | BrokenPipeError():
            return f"{peer}: the far end closed the connection"
        case TimeoutError():
            return f"{peer}: the far end has gone silent"
        case OSError(strerror=str(text)):
            return f"{peer}: {text.lower()}"
        case _:
            return f"{peer}: {error}"


async def _connected(found: list[AddressInfo]) -> socket.socket:
    """The first of the addresses that accepts, each given its share of the time; raises the last one's OSError."""
    loop = asyncio.get_running_loop()
    refusal = OSError("no address")
    for family, kind, protocol, _, place in found:
        candidate = socket.socket(family, kind, protocol)
        try:
            candidate.setblocking(False)
            set_options(candidate)
            async with asyncio.timeout(CONNECT_S_MAX / len(found)):
                await loop.sock_connect(candidate, place)
            if candidate.getsockname() == candidate.getpeername():
                # With nobody listening, TCP can connect a local port to itself.
                raise ConnectionRefusedError
        except OSError as error:
            candidate.close()
            refusal = error
        except BaseException:
            candidate.close()
            raise
        else:
            return candidate
    raise refusal


def set_options(candidate: socket.socket) -> None:
    """Send at once, and notice within some ten seconds that the far end is gone."""
    candidate.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    candidate.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in KEEP_ALIVE:
        option = getattr(socket, name, None)
        if option is not None:
            candidate.setsockopt(socket.IPPROTO_TCP, option, value)
