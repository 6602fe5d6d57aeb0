"""A bench with its daemon, and an operator who tunes up there: hands at the console, a voice at the control socket."""

import json
import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from live_run import PATIENCE_S, Run, running, until

from qsyd_daemon.client import NoDaemonError, call

CENTRE_20M_1 = "14.175 MHz"
"""Reed-beam's only segment on 20m at Heron Point."""


@dataclass
class TuneBench:
    """A bench that lives through everything, and the daemon of the moment."""

    bench: Run
    place: Path
    daemon: Run | None = None
    runs: int = 0

    @property
    def state(self) -> Path:
        return self.place / "s"

    @property
    def station(self) -> Path:
        return self.place / "b" / "station.yaml"

    # The daemon

    def start(self, *, warm: bool = True) -> None:
        self.runs += 1
        words = ["run", str(self.station), "--state", str(self.state), "--events", str(self.place / f"e{self.runs}")]
        self.daemon = Run(*words, log=self.place / f"run{self.runs}")
        until(self.answers, lambda: "a daemon that answers")
        if warm:
            self.warm()

    def warm(self) -> None:
        """Heater on, and the whole warm-up."""
        until(
            lambda: call(self.state, "POST", "/v1/amplifier", {"request": "on"})[0] == 200 or None,
            lambda: "the amplifier switched on",
        )
        self.until_amplifier("standby")

    def answers(self) -> bool | None:
        try:
            return call(self.state, "GET", "/v1/status")[0] == 200 or None
        except NoDaemonError:
            return None

    def kill(self) -> None:
        """SIGKILL: no word to any device."""
        assert self.daemon is not None
        self.daemon.process.kill()
        self.daemon.process.wait(PATIENCE_S)
        self._let_go()

    def stop(self) -> None:
        if self.daemon is not None:
            self.daemon.process.terminate()
            assert self.daemon.process.wait(PATIENCE_S) == 0, self.daemon.said()
            self._let_go()

    def _let_go(self) -> None:
        assert self.daemon is not None
        assert self.daemon.process.stdin is not None
        self.daemon.process.stdin.close()
        self.daemon = None

    def events(self, run: int | None = None) -> list[dict[str, Any]]:
        path = self.place / f"e{run or self.runs}"
        if not path.exists():
            return []  # a daemon that has just been started has not opened it yet
        return [json.loads(line) for line in path.read_text().splitlines() if line.endswith("}")]

    def status(self) -> dict[str, Any]:
        return call(self.state, "GET", "/v1/status")[1]

    def until_amplifier(self, state: str) -> None:
        until(lambda: self.status()["amplifier"]["state"] == state or None, lambda: f"{state}: {self.status()}")

    def until_released(self) -> None:
        until(lambda: self.status()["transmit"]["released"] or None, lambda: f"released: {self.status()['transmit']}")

    def presets(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = call(self.state, "GET", "/v1/presets")[1]["presets"]
        return found

    # The tune-up

    def says(self, word: str, **more: Any) -> tuple[int, dict[str, Any]]:
        return call(self.state, "POST", "/v1/tune", {"say": word, **more})

    def tells(self, **numbers: Any) -> tuple[int, dict[str, Any]]:
        return self.says("numbers", numbers=numbers)

    def begins(self, antenna: str = "reed-beam", segment: str = "20m/1") -> None:
        status, answer = self.says("begin", antenna=antenna, segment=segment)
        assert status == 200, answer

    def sees(self) -> dict[str, Any]:
        return call(self.state, "GET", "/v1/tune")[1]["tune_up"] or {"step": None, "text": ""}

    def waits_for(self, *steps: str) -> dict[str, Any]:
        return until(
            lambda: seen if (seen := self.sees())["step"] in steps else None, lambda: f"{steps}, {self.sees()}"
        )

    def waits_until_kept(self, step: str) -> None:
        """The journal is written behind the events: wait until it knows of this step too."""

        def kept() -> bool | None:
            rows = call(self.state, "GET", "/v1/history?event=tune-up&limit=1")[1]["rows"]
            return (rows and rows[-1]["step"] == step) or None

        until(kept, lambda: f"{step} in the journal")

    def waits_for_text(self, pattern: str) -> None:
        until(lambda: re.search(pattern, self.sees()["text"]), lambda: f"{pattern}: {self.sees()}")

    def to_key(self, drive_w: int) -> None:
        """From the dial at the centre to the key step, with this drive set."""
        self.waits_for("drive")
        self.bench.type(f"drive {drive_w} W")
        assert self.says("next")[0] == 200
        self.waits_for("key")

    # The bench

    def truth(self) -> dict[str, float | str]:
        """What is really so, as the bench's console tells it."""
        before = len(re.findall("SWR", self.bench.said()))
        self.bench.type("truth")
        until(
            lambda: len(re.findall(r"exhaust \d+ C", self.bench.said())) > before or None,
            lambda: self.bench.said()[-500:],
        )
        line = [each for each in self.bench.said().splitlines() if "exhaust" in each][-1]
        numbers = re.search(
            r"drive (?P<drive_w>[\d.]+) W(?P<held>, held)?; forward (?P<forward_w>\d+) W, reflected (?P<reflected_w>\d+) W"
            r".*grid (?P<grid_ma>\d+) mA; tune (?P<tune>\d+), load (?P<load>\d+)",
            line,
        )
        assert numbers is not None, line
        told: dict[str, float | str] = {
            name: float(value) for name, value in numbers.groupdict().items() if name != "held"
        }
        return told | {"state": line.split(" ")[0].strip(";"), "held": "held" if numbers["held"] else "", "line": line}

    def assert_unharmed(self) -> None:
        """The bench's own account: nothing has ever moved under power."""
        self.bench.type("harm")
        until(lambda: "harm:" in self.bench.said().splitlines()[-1] or None, lambda: self.bench.said()[-500:])
        assert self.bench.said().splitlines()[-1] == "harm: none"


class Cable:
    """The amplifier's TCP line, through a plug that can be pulled: a real connection that really ends."""

    def __init__(self, port: int) -> None:
        self._towards = port
        self._lock = threading.Lock()
        self._ends: list[socket.socket] = []
        self._plugged = True
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def pull(self) -> None:
        with self._lock:
            self._plugged = False
            self._end()

    def plug(self) -> None:
        with self._lock:
            self._plugged = True

    def close(self) -> None:
        self.pull()
        self._server.close()

    def _end(self) -> None:
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._ends.clear()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            with self._lock:
                if not self._plugged:
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self._towards))
                self._ends += [near, far]
            for source, target in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(source, target), daemon=True).start()

    @staticmethod
    def _carry(source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(4096):
                target.sendall(data)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


@contextmanager
def tune_bench(
    place: Path, edit: Callable[[str], str] = lambda text: text, *, station: str = "heron-point", warm: bool = True
) -> Iterator[TuneBench]:
    """A bench in calm weather whose tank tunes itself while driven; `edit` changes the station file beforehand."""
    options = ["--directory", str(place / "b"), "--warm-up", "1 s", "--weather", "calm", "--station", station]
    with running("sim", "bench", *options, log=place / "bench") as run:
        run.until("Type help")
        bench = TuneBench(run, place)
        bench.station.write_text(edit(patient(bench.station.read_text())))
        try:
            bench.start(warm=warm)
            run.type("auto on")
            yield bench
        finally:
            bench.stop()


def patient(text: str) -> str:
    """On a busy machine an answer may be late without anybody having gone."""
    text = text.replace("stale_after: 1 s", "stale_after: 5 s").replace("poll: 50 ms", "poll: 50 ms, lost_after: 4 s")
    assert "5 s" in text
    assert "4 s" in text
    return text


def without_limit(text: str) -> str:
    """No device keeps the drive down: the operator does."""
    cut = text.replace('      limit-drive: "DRIVE {drive_w}\\n"\n', "")
    assert cut != text
    return cut


def without_readings(text: str) -> str:
    """An amplifier that cannot be asked."""
    head, found, _ = text.partition("    readings:\n      ask:")
    assert found
    return head
