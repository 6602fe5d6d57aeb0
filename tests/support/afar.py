"""A station over TLS, what somebody elsewhere has in hand to reach it, and a cable between them that can be cut."""

import contextlib
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self
from urllib.parse import urlsplit

from api_station import STATION, make_tokens
from running_daemon import RunningDaemon, qsyd


@dataclass
class Afar:
    """A station over TLS, and what somebody elsewhere has in hand: its certificate, and a file for each token."""

    directory: Path
    daemon: RunningDaemon
    port: int

    @property
    def server(self) -> str:
        return f"https://localhost:{self.port}"

    def options(self, role: str = "operate") -> list[str]:
        return [
            "--server",
            self.server,
            "--ca-file",
            str(self.directory / "cert.pem"),
            "--token-file",
            self.token(role),
        ]

    def token(self, role: str) -> str:
        return str(self.directory / f"{role}.token")

    def ask(self, *words: str, role: str = "operate") -> subprocess.CompletedProcess[str]:
        return qsyd(*words, *self.options(role))


def certificate(directory: Path, stem: str, name: str) -> None:
    """Self-signed, for one DNS name."""
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-days", "2", "-subj", "/CN=a station", "-addext", f"subjectAltName=DNS:{name}"]
    command += ["-keyout", str(directory / f"{stem}-key.pem"), "-out", str(directory / f"{stem}.pem")]
    subprocess.run(command, check=True, capture_output=True)
    (directory / f"{stem}-key.pem").chmod(0o600)


def text(directory: Path, stem: str = "cert", port: int = 0, more: str = "") -> str:
    tls = f"{{certificate: {directory / f'{stem}.pem'}, key: {directory / f'{stem}-key.pem'}}}"
    block = f'api: {{listen: "127.0.0.1:{port}", lease: 2 s, tls: {tls}{more}}}\n'
    return STATION[: STATION.index("api:")].replace("warm_up: 150 s", "warm_up: 1 s") + block


def port_of(daemon: RunningDaemon) -> int:
    port: int | None = urlsplit(daemon.status()["api"]["address"]).port
    assert port is not None
    return port


@contextmanager
def station_afar(directory: Path, more: str = "") -> Iterator[Afar]:
    """It runs, and each role has its file; `more` is added to the `api` block."""
    certificate(directory, "cert", "localhost")
    (directory / "station.yaml").write_text(text(directory, more=more))
    state = directory / "state"
    for role, secret in make_tokens(state).items():
        path = directory / f"{role}.token"
        path.write_text(f"{secret}\n")
        path.chmod(0o600)
    with RunningDaemon(directory / "station.yaml", state) as daemon:
        daemon.wait_for("placed", 20)
        yield Afar(directory, daemon, port_of(daemon))


class Cable:
    """Carries bytes from a port of its own to another. While it is cut, whoever comes is hung up on at once."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.to_port: int | None = None
        """Where it leads; None while it is cut."""
        self._ends: set[socket.socket] = set()
        threading.Thread(target=self._take, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()

    def seen_through(self, afar: Afar) -> Afar:
        """The same station, reached through this cable."""
        self.to_port = afar.port
        return replace(afar, port=self.port)

    def cut(self) -> None:
        """End what goes through it."""
        self.to_port = None
        for end in list(self._ends):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def _take(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self.to_port is None:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to_port))
            self._ends |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        self._ends.discard(one)
        one.close()
