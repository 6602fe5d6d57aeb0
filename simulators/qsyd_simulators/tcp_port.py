"""A voice on a TCP port: raw bytes, as a serial server or a transceiver's own LAN port carries them."""

import asyncio
from collections.abc import Callable

from qsyd_simulators.paced_sender import PacedSender
from qsyd_simulators.voice import Voice

_UNSENT_BYTES_MAX = 65_536
"""What waits for a client that does not read; beyond this, further bytes to it are lost."""


class TcpPort:
    """Serves one voice to every client, or a voice of its own to each.

    With one voice for all it is a shared line: answers go to who asked, reports to everybody, and two clients who
    write at the same time cut into each other's commands. With a factory each client has its own line to the device.
    """

    def __init__(self, voice: Voice | Callable[[], Voice], host: str = "127.0.0.1", port: int = 0) -> None:
        """`port` 0 lets the system choose; after `start`, `port` says which it is."""
        self._shared: Voice | None = None if callable(voice) else voice
        self._voice_of_client: Callable[[], Voice] = voice if callable(voice) else lambda: voice
        self._host = host
        self.port = port
        self._server: asyncio.Server | None = None
        self._clients: dict[_Client, asyncio.Future[None]] = {}
        self._stalled = False
        self._closed = True

    async def start(self) -> None:
        """Listen on the running loop; raises `OSError` where the port cannot be had."""
        await self.accept_connections()
        self._closed = False
        if self._shared is not None:
            self._shared.on_report = self._report_to_all

    async def close(self) -> None:
        """Stop listening and drop every client."""
        self._closed = True
        self.refuse_connections()
        if self._shared is not None:
            self._shared.on_report = None
        gone = tuple(self._clients.values())
        self.close_all()
        await asyncio.gather(*gone)

    @property
    def clients(self) -> int:
        """How many are connected."""
        return len(self._clients)

    # Faults.

    def refuse_connections(self) -> None:
        """Stop listening; who is connected stays. New attempts are refused by the system."""
        if self._server is not None:
            self._server.close()
            self._server = None

    async def accept_connections(self) -> None:
        """Listen (again), on the same port as before."""
        if self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(self._new_client, self._host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    def close_all(self) -> None:
        """Drop every client at once."""
        for client in tuple(self._clients):
            client.drop()

    def stall(self, stalled: bool) -> None:
        """Half open: connections stand, new ones too, but nothing is read and what is sent is lost. False ends it."""
        self._stalled = stalled
        for client in self._clients:
            client.stall(stalled)

    # Connections.

    def _new_client(self) -> "_Client":
        return _Client(self._voice_of_client(), self._joined, self._left)

    def _joined(self, client: "_Client") -> None:
        self._clients[client] = asyncio.get_running_loop().create_future()
        if self._shared is None:
            client.carry_reports()
        client.stall(self._stalled)
        if self._closed:  # accepted by the system just before the port closed
            client.drop()

    def _left(self, client: "_Client") -> None:
        self._clients.pop(client).set_result(None)
        if self._shared is None:
            client.voice.close()

    def _report_to_all(self) -> None:
        if self._shared is not None:
            reports = self._shared.reports()
            for client in self._clients:
                client.sender.send_report(reports)


class _Client(asyncio.Protocol):
    """One connection."""

    def __init__(self, voice: Voice, joined: Callable[["_Client"], None], left: Callable[["_Client"], None]) -> None:
        self.voice = voice
        self.sender = PacedSender(voice, self._write)
        self._joined = joined
        self._left = left
        self._stalled = False

    def carry_reports(self) -> None:
        """Send what the voice reports to this client alone."""
        self.voice.on_report = self.sender.report

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._joined(self)

    def data_received(self, data: bytes) -> None:
        self.sender.hear(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self.sender.cancel()
        self._left(self)

    def drop(self) -> None:
        self._transport.abort()

    def stall(self, stalled: bool) -> None:
        if stalled == self._stalled:
            return
        self._stalled = stalled
        if stalled:
            self._transport.pause_reading()
        else:
            self._transport.resume_reading()

    def _write(self, data: bytes) -> None:
        if not self._stalled and self._transport.get_write_buffer_size() < _UNSENT_BYTES_MAX:
            self._transport.write(data)
