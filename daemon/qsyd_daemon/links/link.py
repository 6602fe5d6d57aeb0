"""What a link is to those who speak over it.

A `Speaker` (a rig's follower, a device output) is told when the link opens, what arrives and when it closes; it
writes through the `Link` it was given. A `KeptLink` (module `keeper`) owns the address and reopens it by itself.
"""

from dataclasses import dataclass
from typing import Protocol


class Link(Protocol):
    """An open link. Nothing here blocks: what cannot be written at once is buffered, up to a bound."""

    def write(self, data: bytes) -> None:
        """Send bytes; silently dropped when the link has closed meanwhile (`link_closed` tells)."""

    def close(self) -> None:
        """Close at once, dropping unsent bytes; the speaker is not called again."""


class Speaker(Protocol):
    """Who speaks over a link. Called on the event loop, never concurrently; must not raise and must not block."""

    def link_opened(self, link: Link) -> None:
        """The link is open: write through `link` from now on."""

    def bytes_received(self, data: bytes) -> None:
        """Bytes arrived, in order, in whatever pieces."""

    def link_closed(self, reason: str) -> None:
        """The link broke or could not be kept; `reason` is for the operator. It will be opened again."""


@dataclass(frozen=True, slots=True)
class SerialAddress:
    """A serial port. `dtr_high` and `rts_high` are the levels held from the first moment; 8 data bits, no parity.

    With `drop_on_close` the kernel takes both lines low when the port is closed, also by a process that is killed.
    """

    path: str
    baud: int = 38400
    stop_bits: int = 1
    dtr_high: bool = False
    rts_high: bool = False
    drop_on_close: bool = False


@dataclass(frozen=True, slots=True)
class TcpAddress:
    """Raw bytes over TCP."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Rfc2217Address:
    """A serial port behind a server that speaks RFC 2217; 8 data bits, no parity, no flow control.

    `dtr_high` and `rts_high` are the levels that the server is asked for when the link opens. Unless it acknowledges
    them the link does not open; with `lines_answered` false they are asked for and no answer is waited for.
    """

    host: str
    port: int
    baud: int = 38400
    stop_bits: int = 1
    dtr_high: bool = False
    rts_high: bool = False
    lines_answered: bool = True


Address = SerialAddress | TcpAddress | Rfc2217Address
