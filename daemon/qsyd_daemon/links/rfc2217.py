"""A serial port behind a network server, set up over Telnet (RFC 2217), as a link.

pyserial's client does the speaking. Opening negotiates for half a second, and up to 3 s for each thing that a server does
not answer; closing takes 0.3 s; so all of it runs in threads: one opens, one writes and at last closes, and pyserial has
one that reads. The loop never waits for any.

A server that loses its power sends no end: keep-alive and the user time-out of `tcp` make the kernel notice, and answers
that stop coming are noticed sooner by whoever asks the questions.
"""

import asyncio
import contextlib
import re
import socket
import threading
from collections.abc import Callable
from functools import partial

from qsyd_daemon.links.link import Rfc2217Address
from qsyd_daemon.links.off_loop import off_loop
from qsyd_daemon.links.open_error import OpenError
from qsyd_daemon.links.rfc2217_client import Client, not_spoken

OPEN_S_MAX = 20.0
"""For finding the host, connecting and agreeing on everything, in seconds."""
UNSENT_BYTES_MAX = 64 * 1024
"""What may wait for a far end that takes nothing, in bytes; beyond it the link is given up."""

_NAMED_OPTION = re.compile(r"option '(\w+)'")


async def open_rfc2217(
    address: Rfc2217Address, received: Callable[[bytes], None], closed: Callable[[str], None]
) -> "Rfc2217Link":
    """Connect and set up the port; raises OpenError within 20 s.

    `received` is called with bytes as they arrive, `closed` once, with the reason, when the connection is lost; both
    on the event loop, and neither before this function has returned.
    """
    client = Client(address)

    def work() -> None:
        try:
            client.open()
        except Exception as error:
            raise OpenError(_open_failure(client, address, error)) from error

    try:
        async with asyncio.timeout(OPEN_S_MAX):
            await off_loop(work, lambda _: _dispose(client))
    except TimeoutError as error:
        client.abort()
        raise OpenError(f"{client.peer}: the port is not open after {OPEN_S_MAX:.0f} s") from error
    except asyncio.CancelledError:
        client.abort()
        raise
    return Rfc2217Link(client, received, closed)


class Rfc2217Link:
    """An open port; see `link.Link`."""

    def __init__(self, client: Client, received: Callable[[bytes], None], closed: Callable[[str], None]) -> None:
        self._client = client
        self._received = received
        self._closed: Callable[[str], None] | None = closed
        self.tapped: Callable[[bytes], None] | None = None
        """Who is shown what is written; nobody, mostly."""
        self._loop = asyncio.get_running_loop()
        self._changed = threading.Condition()
        """Guards what follows, which the writing thread uses too; held for moments only."""
        self._unsent = bytearray()
        """What has been written, up to the last byte that the connection has taken."""
        self._is_over = False
        client.arrivals.attach(lambda: self._call(self._arrived))
        threading.Thread(target=self._work, name=f"rfc2217 {client.peer}", daemon=True).start()

    def write(self, data: bytes) -> None:
        """Send `data`, keeping what the connection does not take yet."""
        if self._is_over:
            return
        if self.tapped is not None:
            self.tapped(data)
        with self._changed:
            fits = len(self._unsent) + len(data) <= UNSENT_BYTES_MAX
            if fits:
                self._unsent += data
                self._changed.notify()
        if not fits:
            kib = UNSENT_BYTES_MAX // 1024
            self._lose(f"{self._client.peer}: the far end takes no bytes, {kib} KiB are waiting")

    def close(self) -> None:
        """Close at once, dropping unsent bytes; `closed` is not called."""
        self._closed = None
        self._release()

    def _arrived(self) -> None:
        if self._is_over:
            return
        data, ended_because = self._client.arrivals.take()
        if data:
            self._received(data)
        if ended_because is not None:
            self._lose(ended_because)

    def _lose(self, reason: str) -> None:
        if not self._is_over:
            self._release()
            # Not at once: `write` may have been called by whoever is told.
            self._loop.call_soon(self._tell_closed, reason)

    def _tell_closed(self, reason: str) -> None:
        closed, self._closed = self._closed, None
        if closed is not None:
            closed(reason)

    def _release(self) -> None:
        if self._is_over:
            return
        # Before the thread closes the socket: its number may be another file's afterwards.
        self._client.abort()
        with self._changed:
            self._is_over = True
            self._unsent.clear()
            self._changed.notify()

    def _work(self) -> None:
        """Write what is to be written, until the link is over; then close. In a thread of its own."""
        while data := self._next_to_send():
            try:
                self._client.write(data)
            except Exception as error:  # noqa: BLE001 - a library may raise anything
                because = self._client.ended_because or f"{self._client.peer}: cannot write: {error}"
                self._call(partial(self._lose, because))
                break
            with self._changed:
                del self._unsent[: len(data)]
        with self._changed:
            self._changed.wait_for(lambda: self._is_over)
        self._client.close()

    def _next_to_send(self) -> bytes:
        """What is unsent, as soon as there is something; nothing once the link is over."""
        with self._changed:
            self._changed.wait_for(lambda: self._is_over or self._unsent)
            return bytes(self._unsent)

    def _call(self, told: Callable[[], None]) -> None:
        """Call it on the loop, unless that has ended."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(told)


def _dispose(client: Client) -> None:
    """Close what nobody wants any more, without waiting for it."""
    client.abort()
    threading.Thread(target=client.close, name="close-rfc2217", daemon=True).start()


def _open_failure(client: Client, address: Rfc2217Address, error: Exception) -> str:
    """What went wrong, for the operator. pyserial tells by texts, and by the error it met last."""
    peer, said = client.peer, str(error)
    if client.ended_because is not None:
        return f"{client.ended_because} while the port was being opened"
    option = _NAMED_OPTION.search(said)
    match option[1] if option else None:
        case "control":
            return f"{peer}: the server does not acknowledge DTR and RTS; `lines_answered: false` goes on without that"
        case "baudrate":
            return f"{peer}: the server refuses {address.baud} baud"
        case "stopsize":
            return f"{peer}: the server refuses {address.stop_bits} stop bits"
        case "datasize" | "parity":
            return f"{peer}: the server refuses 8 data bits without parity"
        case "purge":
            return f"{peer}: the server does not acknowledge that old bytes are to be thrown away"
        case _:
            pass
    if "does not seem to support" in said:
        return not_spoken(peer)
    if "does not accept parameter change" in said:
        return f"{peer}: the server does not answer what baud rate and bits it is asked for"
    return f"{peer}: {_no_connection(error.__context__ or error)}"


def _no_connection(error: BaseException) -> str:
    match error:
        case UnicodeError():
            return "not a host name"
        case socket.gaierror():
            return f"host not found: {error.strerror}"
        case ConnectionRefusedError():
            return "nobody listens there"
        case TimeoutError():
            return "no answer to the attempt to connect"
        case OSError():
            return f"cannot connect: {error.strerror or error}"
        case _:
            return f"cannot open the port: {error}"
