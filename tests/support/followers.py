"""Callers that follow the events, in processes of their own: most read all that comes, some never read anything.

python followers.py PORT COUNT SILENT         connects, says `ready`, and at the end of its input says what it has had
"""

import json
import os
import re
import resource
import select
import selectors
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field

READY_WITHIN_S = 60.0
QUIET_S = 1.0
"""After so long without an event, and asked to end, all has been read."""
SMALL_BUFFER = 4096
"""What the system may hold for one who never reads, in bytes, so that it is the station's bounds that count."""
_ID = re.compile(rb"id: \w+-(\d+)\nevent: ([\w-]+)\n")


@dataclass
class Reader:
    """One that reads all; `last` is the number of the newest event, `lost` how many were left out."""

    connection: socket.socket
    last: int = 0
    events: int = 0
    lost: int = 0
    ended: bool = False
    rest: bytes = b""

    def read(self) -> None:
        """Take what is there."""
        data = b""
        with suppress(ConnectionError):
            data = self.connection.recv(262144)
        if not data:
            self.ended = True
            return
        data = self.rest + data
        whole = data.rfind(b"\n\n")
        self.rest = data[whole + 2 :]
        for number, name in _ID.findall(data[: whole + 2]):
            if name == b"snapshot":
                self.last = int(number)
                continue
            self.lost += int(number) - self.last - 1
            self.last = int(number)
            self.events += 1


@dataclass
class Had:
    """What many have had, put together."""

    readers: int = 0
    events: int = 0
    lost: int = 0
    ended: int = 0
    last: set[int] = field(default_factory=set)
    """The newest numbers: one, where all have had the same."""
    silent: int = 0
    silent_cut: int = 0
    """Of those that never read: how many the station has let go."""


def connected(port: int, *, reads: bool) -> socket.socket:
    """One stream; where there are too many connections at once, it is tried again."""
    while True:
        connection = socket.socket()
        if not reads:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SMALL_BUFFER)
        connection.settimeout(READY_WITHIN_S)
        connection.connect(("127.0.0.1", port))
        connection.sendall(b"GET /v1/events HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % port)
        with suppress(ConnectionError):
            if connection.recv(12, socket.MSG_PEEK | socket.MSG_WAITALL) == b"HTTP/1.1 200":
                return connection
        connection.close()
        time.sleep(0.05)


def follow(port: int, count: int, silent_count: int) -> None:
    """The work of one process."""
    os.nice(10)  # others' programs run on others' machines
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    silent = [connected(port, reads=False) for _ in range(silent_count)]
    readers = [Reader(connected(port, reads=True)) for _ in range(count - silent_count)]
    selector = selectors.DefaultSelector()
    for reader in readers:
        selector.register(reader.connection, selectors.EVENT_READ, reader)
    selector.register(sys.stdin, selectors.EVENT_READ, None)
    is_ready = asked = False
    quiet_at_s = 0.0
    while not asked or time.monotonic() < quiet_at_s:
        for key, _ in selector.select(0.2):
            quiet_at_s = time.monotonic() + QUIET_S
            if key.data is None:
                asked = True
                selector.unregister(sys.stdin)
                continue
            key.data.read()
            if key.data.ended:
                selector.unregister(key.data.connection)
        if not is_ready and all(reader.last or reader.ended for reader in readers):
            is_ready = True
            print("ready", flush=True)
    print(
        json.dumps(
            {
                "readers": len(readers),
                "events": sum(reader.events for reader in readers),
                "lost": sum(reader.lost for reader in readers),
                "ended": sum(reader.ended for reader in readers),
                "last": sorted({reader.last for reader in readers}),
                "silent": len(silent),
                "silent_cut": sum(is_cut(connection) for connection in silent),
            }
        ),
        flush=True,
    )


def is_cut(connection: socket.socket) -> bool:
    """Whether the station has let this one go: what is left can be read to its end."""
    connection.settimeout(0.05)
    try:
        while connection.recv(65536):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        pass
    return True


class Followers:
    """Many of them; `ask` once, at the end."""

    def __init__(self, processes: list["subprocess.Popen[str]"]) -> None:
        self._processes = processes
        self._unready = list(processes)

    def ready(self) -> bool:
        """Whether every one of them has had its snapshot; asked again and again by whoever serves something beside."""
        while self._unready:
            stream = self._unready[0].stdout
            assert stream is not None
            if not select.select([stream], [], [], 0)[0]:
                return False
            assert stream.readline() == "ready\n"
            self._unready.pop(0)
        return True

    def ask(self) -> Had:
        """Have them stop; what they have had."""
        had = Had()
        for process in self._processes:
            assert process.stdin is not None
            process.stdin.close()
        for process in self._processes:
            assert process.stdout is not None
            told = json.loads(process.stdout.readline())
            for name in ("readers", "events", "lost", "ended", "silent", "silent_cut"):
                setattr(had, name, getattr(had, name) + told[name])
            had.last |= set(told["last"])
        return had


@contextmanager
def followers(port: int, count: int, silent: int, process_count: int = 1) -> Iterator[Followers]:
    """So many in all; `count` and `silent` are multiples of the number of processes."""
    command = [sys.executable, __file__, str(port), str(count // process_count), str(silent // process_count)]
    with ExitStack() as stack:
        processes = []
        for _ in range(process_count):
            process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            stack.callback(_end, process)
            processes.append(process)
        yield Followers(processes)


def _end(process: "subprocess.Popen[str]") -> None:
    process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            stream.close()


if __name__ == "__main__":
    follow(int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
