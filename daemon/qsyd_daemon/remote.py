"""A daemon on another machine: where it is, how it proves itself, and the token that is shown to it.

Standard library only. Its certificate is always checked, against the name it was asked by (RFC 9110, section 4.3.4).
"""

import ipaddress
import re
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from qsyd_daemon.exit_code import ExitCode
from qsyd_daemon.private_file import PrivateFileError, read_private

TOKEN_FILE_MAX = 4096
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*")
"""`token68` of RFC 9110, section 11.2."""


class RemoteError(Exception):
    """The daemon cannot be asked as wanted; `code` is how a command ends for it."""

    def __init__(self, text: str, code: ExitCode) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Remote:
    """Where a daemon is reached over TCP. `tls` is None only for loopback."""

    host: str
    port: int
    tls: ssl.SSLContext | None = field(compare=False)
    token: str | None = field(repr=False)

    @property
    def shown(self) -> str:
        """As an operator writes it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'http' if self.tls is None else 'https'}://{host}:{self.port}"


def remote(server: str, token_file: str | None, ca_file: str | None) -> Remote:
    """The daemon at this address; `ca_file` holds whom to trust instead of whom this machine trusts.

    Raises `RemoteError`.
    """
    scheme, host, port = _address(server)
    if scheme == "http" and ca_file is not None:
        raise RemoteError(f"{server}: there is no certificate to check without TLS; write https://", ExitCode.WRONG_USE)
    tls = _tls(ca_file) if scheme == "https" else None
    return Remote(host, port, tls, _token(Path(token_file).expanduser()) if token_file is not None else None)


def is_loopback(host: str) -> bool:
    """Whether this is this machine itself, by its address or its name `localhost` (RFC 6761, section 6.3)."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _address(server: str) -> tuple[str, str, int]:
    like = "write it as https://station.example:8443"
    try:
        parts = urlsplit(server)
        host, given = parts.hostname, parts.port
    except ValueError:
        raise RemoteError(f"{server}: is no address of a server; {like}", ExitCode.WRONG_USE) from None
    if parts.username is not None or parts.query or parts.fragment:
        text = "a token never belongs in an address, where logs keep it; put it into a file and name that: --token-file"
        raise RemoteError(text, ExitCode.WRONG_USE)
    if parts.scheme not in {"http", "https"} or not host or parts.path not in {"", "/"} or not server.isprintable():
        raise RemoteError(f"{server}: is no address of a server; {like}", ExitCode.WRONG_USE)
    if parts.scheme == "http" and not is_loopback(host):
        raise RemoteError(
            f"{server}: without TLS everybody on the way could read the token and give commands; only this machine "
            f"itself is asked by http. Write https://{parts.netloc}",
            ExitCode.WRONG_USE,
        )
    return parts.scheme, host, given or (443 if parts.scheme == "https" else 80)


def _tls(ca_file: str | None) -> ssl.SSLContext:
    path = Path(ca_file).expanduser() if ca_file is not None else None
    try:
        context = ssl.create_default_context(cafile=path)
    except ssl.SSLError:
        text = f"{path}: holds no certificate; name one in PEM: the authority's, or the station's own"
        raise RemoteError(text, ExitCode.BAD_FILE) from None
    except OSError as error:
        raise RemoteError(f"{path}: cannot be read: {error.strerror}", ExitCode.BAD_FILE) from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _token(path: Path) -> str:
    try:
        data = read_private(path, TOKEN_FILE_MAX)
    except FileNotFoundError:
        raise RemoteError(f"{path}: there is no such file of a token", ExitCode.BAD_FILE) from None
    except PrivateFileError as error:
        raise RemoteError(str(error), ExitCode.BAD_FILE) from None
    text = data.decode("utf-8", "replace").strip()
    if not _TOKEN.fullmatch(text):
        text = "holds no token; it is one line, as `qsyd token new` printed it at the station"
        raise RemoteError(f"{path}: {text}", ExitCode.BAD_FILE)
    return text
