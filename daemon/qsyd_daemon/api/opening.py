"""What the station file's `api` block opens: its files judged, its address bound, before anything else begins."""

import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path

from qsyd_daemon.api.descriptors import spare
from qsyd_daemon.api.door import Limits
from qsyd_daemon.api.files import api_problems, tls_context
from qsyd_daemon.api.listener import bind_tcp
from qsyd_daemon.station_file.errors import Problem, StationFileError
from qsyd_daemon.station_file.settings import ApiSettings


@dataclass(frozen=True, slots=True)
class Opening:
    """A TCP listener that is bound, and what may come through it."""

    listener: socket.socket
    tls: ssl.SSLContext | None
    tokens: Path
    is_loopback: bool
    names: tuple[tuple[str, int], ...] = ()
    """Hosts and ports by which callers reach it, beside its own address."""
    limits: Limits = field(default_factory=Limits)


def open_api(settings: ApiSettings, file: Path, directory: Path) -> Opening:
    """Open what the block says; relative paths are of the state directory.

    Raises `StationFileError` for files that will not do, `AddressError` where nothing can be bound.
    """
    problems = api_problems(settings, directory)
    if problems:
        raise StationFileError(file, problems)
    tls = tls_context(settings, directory)
    limits = Limits(streams_max=settings.streams)
    if not spare(limits.streams_max + limits.connections_max):
        line, column = settings.places["streams"]
        text = f"{settings.streams} streams need more files open at once than the system allows this process"
        raise StationFileError(file, [Problem(line, column, text, "raise its limit (`ulimit -n`), or write fewer")])
    listener = bind_tcp(settings)
    port = listener.getsockname()[1]
    names = tuple((host, given or port) for host, given in settings.hosts)
    return Opening(listener, tls, directory / settings.tokens, settings.is_loopback, names, limits)
