"""HTTP written by hand, byte by byte: what no well-behaved client would send."""

import json
import socket
import ssl
from dataclasses import dataclass
from typing import Any, Self

ANSWER_S = 20.0
"""Longest wait for anything that is not itself a time limit."""


@dataclass(frozen=True)
class Answer:
    """One answer, taken apart."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Peer:
    """Where a station's API listens over TCP, and how to knock."""

    port: int
    host: str = "127.0.0.1"
    tls: ssl.SSLContext | None = None
    source: str | None = None
    """The address to come from: each has a count of wrong tokens of its own."""

    @property
    def authority(self) -> str:
        return f"{self.host}:{self.port}"

    def connect(self) -> socket.socket:
        source = (self.source, 0) if self.source is not None else None
        connection = socket.create_connection((self.host, self.port), ANSWER_S, source)
        return connection if self.tls is None else self.tls.wrap_socket(connection, server_hostname="localhost")

    def head(
        self,
        method: str,
        target: str,
        headers: dict[str, str] | None = None,
        *,
        host: str | None = None,
        token: str | None = None,
    ) -> bytes:
        """The head of a request, its blank line included."""
        lines = [f"{method} {target} HTTP/1.1", f"Host: {self.authority if host is None else host}"]
        if token is not None:
            lines.append(f"Authorization: Bearer {token}")
        lines += [f"{name}: {value}" for name, value in (headers or {}).items()]
        return "\r\n".join([*lines, "", ""]).encode("utf-8", "surrogateescape")

    def ask(self, method: str, target: str, body: bytes | None = None, **options: Any) -> Answer:
        """One request on a connection of its own; a body is JSON unless `headers` say otherwise."""
        headers = dict(options.pop("headers", None) or {})
        if body is not None:
            headers = {"Content-Type": "application/json", "Content-Length": str(len(body))} | headers
        return self.send(self.head(method, target, headers, **options) + (body or b""))

    def post(self, target: str, body: object, **options: Any) -> Answer:
        return self.ask("POST", target, json.dumps(body).encode(), **options)

    def send(self, data: bytes) -> Answer:
        """Any bytes; the answer to them."""
        with self.connect() as connection:
            connection.sendall(data)
            return read_answer(connection)


def read_answer(connection: socket.socket) -> Answer:
    """The next answer of a connection."""
    data = b""
    while b"\r\n\r\n" not in data:
        data += _more(connection, data)
    head, _, body = data.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    length = int(headers.get("content-length", 0))
    while len(body) < length:
        body += _more(connection, data)
    return Answer(int(first.split()[1]), headers, body[:length])


def _more(connection: socket.socket, before: bytes) -> bytes:
    data = connection.recv(65536)
    if not data:
        raise ConnectionError(f"ended after {before[:300]!r}")
    return data


@dataclass(frozen=True)
class StreamEvent:
    """One event of a stream."""

    event: str
    data: Any
    number: str | None


class EventReader:
    """Reads server-sent events off a raw connection, chunked transfer coding taken away (RFC 9112, section 7.1)."""

    def __init__(self, peer: Peer, **options: Any) -> None:
        self._data = b""
        self._text = b""
        self.comments: list[str] = []
        self.connection = peer.connect()
        try:
            self.connection.sendall(peer.head("GET", "/v1/events", **options))
            while b"\r\n\r\n" not in self._data:
                self._data += _more(self.connection, self._data)
        except OSError:
            self.connection.close()
            raise
        head, _, self._data = self._data.partition(b"\r\n\r\n")
        self.status = int(head.split()[1])
        self.head = head.decode("latin-1").lower()

    def next(self) -> StreamEvent | None:
        """The next event; None when the stream has ended as it should."""
        while b"\n\n" not in self._text:
            chunk = self._chunk()
            if not chunk:
                return None
            self._text += chunk
        block, _, self._text = self._text.partition(b"\n\n")
        fields: dict[str, str] = {}
        for line in block.decode().split("\n"):
            if line.startswith(":"):
                self.comments.append(line)
                continue
            name, _, value = line.partition(": ")
            fields[name] = value
        if "data" not in fields:
            if "retry" in fields:
                self.comments.append(f"retry {fields['retry']}")
            return self.next()
        return StreamEvent(fields["event"], json.loads(fields["data"]), fields.get("id"))

    def until(self, event: str) -> list[StreamEvent]:
        """Every event up to and with the first of this name."""
        seen = []
        while (told := self.next()) is not None:
            seen.append(told)
            if told.event == event:
                return seen
        raise AssertionError(f"the stream ended before {event}: {[each.event for each in seen]}")

    def close(self) -> None:
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _chunk(self) -> bytes:
        while b"\r\n" not in self._data:
            self._data += _more(self.connection, self._data)
        size, _, self._data = self._data.partition(b"\r\n")
        length = int(size, 16)
        while len(self._data) < length + 2:
            self._data += _more(self.connection, self._data)
        chunk, self._data = self._data[:length], self._data[length + 2 :]
        return chunk
