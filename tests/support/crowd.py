"""A crowd before the door of the API, in a process of its own: callers who take their time, and many who knock.

python crowd.py PORT HEADS BODIES IDLE KNOCKS     with $CROWD_TOKEN; says `ready`, and at the end of its input how it fared
"""

import asyncio
import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

DRIP_EVERY_S = 0.2
KNOCK_EVERY_S = 0.008
KNOCK_S = 0.2
"""How long one who knocks waits to be turned away."""
LATER_S = 0.1


@dataclass(frozen=True)
class Fared:
    """How it went; of each kind of slow caller those that were cut, with the status told and the shortest time taken."""

    cut: dict[str, dict[str, int]]
    soonest_s: dict[str, float]
    latest_s: dict[str, float]
    knocks: int
    turned_away: int


class Crowd:
    """All of them, on one loop."""

    def __init__(self, port: int, token: str) -> None:
        self.port = port
        self.token = token
        self.cut: dict[str, Counter[str]] = {"head": Counter(), "body": Counter(), "idle": Counter()}
        self.took_s: dict[str, list[float]] = {"head": [], "body": [], "idle": []}
        self.inside: set[int] = set()
        self.knocks = 0
        self.turned_away = 0

    def _begin(self, kind: str) -> tuple[bytes, bytes]:
        """What is sent at once, and what drips after it."""
        host = b"Host: 127.0.0.1:%d\r\n" % self.port
        match kind:
            case "head":
                return b"GET /v1/status HTTP/1.1\r\n" + host, b"X: y\r\n"
            case "body":
                head = b"POST /v1/amplifier HTTP/1.1\r\n" + host + b"Authorization: Bearer " + self.token.encode()
                return head + b"\r\nContent-Type: application/json\r\nContent-Length: 60000\r\n\r\n", b" "
            case _:
                return b"", b""

    async def slow(self, number: int, kind: str) -> None:
        """One slow caller, who comes again whenever it is cut."""
        while True:
            begun_s = time.monotonic()
            with suppress(OSError):
                status = await self._once(number, kind)
                self.inside.discard(number)
                if status != "503":  # no room: none of those that were let in and cut
                    self.cut[kind][status] += 1
                    self.took_s[kind].append(time.monotonic() - begun_s)
            await asyncio.sleep(LATER_S)

    async def _once(self, number: int, kind: str) -> str:
        """One connection up to its end: the status told, `none` where nothing was."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        first, drip = self._begin(kind)
        told = b""
        try:
            writer.write(first)
            while True:
                with suppress(TimeoutError):
                    data = await asyncio.wait_for(reader.read(65536), DRIP_EVERY_S)
                    told += data
                    if not data:
                        break
                    continue
                self.inside.add(number)
                writer.write(drip)
        except ConnectionError:
            pass
        finally:
            writer.close()
        return told.split()[1].decode() if told else "none"

    async def knock(self, count: int) -> None:
        """So many who are one too many, one after the other."""
        waiting: set[asyncio.Task[None]] = set()
        for _ in range(count):
            task = asyncio.create_task(self._knock())
            waiting.add(task)
            task.add_done_callback(waiting.discard)
            await asyncio.sleep(KNOCK_EVERY_S)
        await asyncio.gather(*waiting)

    async def _knock(self) -> None:
        self.knocks += 1
        with suppress(OSError, TimeoutError):
            reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
            try:
                data = await asyncio.wait_for(reader.read(4096), KNOCK_S)
                self.turned_away += data.split()[1:2] == [b"503"]
            finally:
                writer.close()


async def stand(port: int, counts: dict[str, int], knocks: int, token: str) -> None:
    """Until the end of the input."""
    crowd = Crowd(port, token)
    kinds = [kind for kind, count in counts.items() for _ in range(count)]
    tasks = [asyncio.create_task(crowd.slow(number, kind)) for number, kind in enumerate(kinds)]
    while len(crowd.inside) < len(kinds):  # noqa: ASYNC110 - what is waited for tells nobody
        await asyncio.sleep(0.05)
    print("ready", flush=True)
    knocking = asyncio.create_task(crowd.knock(knocks))
    await asyncio.to_thread(sys.stdin.read)
    await knocking
    for task in tasks:
        task.cancel()
    print(
        json.dumps(
            {
                "cut": crowd.cut,
                "soonest_s": {kind: min(took) for kind, took in crowd.took_s.items() if took},
                "latest_s": {kind: max(took) for kind, took in crowd.took_s.items() if took},
                "knocks": crowd.knocks,
                "turned_away": crowd.turned_away,
            }
        ),
        flush=True,
    )


class Standing:
    """A crowd at work; `ask` once, at the end."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self._process = process
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"

    def ask(self) -> Fared:
        """Have them go home; how they fared."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        return Fared(**json.loads(self._process.stdout.readline()))


@contextmanager
def crowd(port: int, *, heads: int, bodies: int, idle: int, knocks: int, token: str) -> Iterator[Standing]:
    """So many of each; all slow ones have been let in when this begins."""
    words = [str(each) for each in (port, heads, bodies, idle, knocks)]
    process = subprocess.Popen(
        [sys.executable, __file__, *words], env={**os.environ, "CROWD_TOKEN": token},
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield Standing(process)
    finally:
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                stream.close()


if __name__ == "__main__":
    os.nice(10)  # others' programs run on others' machines
    PORT, HEADS, BODIES, IDLE, KNOCKS = map(int, sys.argv[1:])
    asyncio.run(stand(PORT, {"head": HEADS, "body": BODIES, "idle": IDLE}, KNOCKS, os.environ.get("CROWD_TOKEN", "")))
