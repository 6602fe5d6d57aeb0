"""`qsyd` as its users run it: a process of its own, judged by its lines, its exit code and the wires around it."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

import forked_program
from forked_program import SOURCES, Forked

COMMAND_WITHIN_S = 60
ENVIRONMENT: Mapping[str, str] = {
    **{name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ},
    "PYTHONPATH": SOURCES,
}
Event = dict[str, Any]


def qsyd(*arguments: str, environ: Mapping[str, str] | None = None, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run one command to its end; a traceback on either stream is a failure whatever the exit code."""
    environment = {**ENVIRONMENT, **(environ or {})}
    if not options and environment["PYTHONPATH"] == ENVIRONMENT["PYTHONPATH"]:
        done = forked_program.run(arguments, environment, COMMAND_WITHIN_S)
    else:
        done = subprocess.run(
            [sys.executable, "-m", "qsyd_daemon", *arguments],
            capture_output=True,
            text=True,
            errors="backslashreplace",
            env=environment,
            timeout=COMMAND_WITHIN_S,
            check=False,
            **options,
        )
    assert_no_traceback(done.stderr + done.stdout, " ".join(arguments))
    return done


def assert_no_traceback(text: str, what: str) -> None:
    """Errors speak to the user, in lines; a traceback speaks to nobody."""
    assert "Traceback" not in text, f"{what}:\n{text}"
    assert "fault in qsyd itself" not in text, f"{what}:\n{text}"


class RunningDaemon:
    """`qsyd run STATION --events - --state DIR` at work. Use as a context manager; leaving it ends the process."""

    def __init__(self, station: Path, state: Path, *options: str, environ: Mapping[str, str] | None = None) -> None:
        self.state = state
        self.station = station
        self.events: list[Event] = []
        """Every event told so far; `arrived_s` is when its line was read, on the monotonic clock."""
        self.errors: list[str] = []
        self._changed = threading.Condition()
        words = ["run", str(station), "--state", str(state), *(options or ("--events", "-"))]
        self.process = self._begun(words, {**ENVIRONMENT, **(environ or {})})
        self._readers = [
            threading.Thread(target=self._read_events, daemon=True),
            threading.Thread(target=self._read_errors, daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    @staticmethod
    def _begun(words: list[str], environment: Mapping[str, str]) -> Forked | subprocess.Popen[str]:
        pipe = subprocess.PIPE
        if environment["PYTHONPATH"] == ENVIRONMENT["PYTHONPATH"]:
            return Forked(words, environment, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe)
        command = [sys.executable, "-m", "qsyd_daemon", *words]  # something of its own is to be read at the start
        return subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, env=environment)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(5)
        for reader in self._readers:
            reader.join(5)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        assert_no_traceback("".join(self.errors), "qsyd run")

    def stop(self, number: signal.Signals = signal.SIGTERM, within_s: float = 8.0) -> int:
        """Ask it to end; its exit code."""
        self.process.send_signal(number)
        code = self.process.wait(within_s)
        for reader in self._readers:
            reader.join(5)
        return code

    def kill(self) -> None:
        """End it without a word, as a loss of power would."""
        self.process.kill()
        self.process.wait(5)

    def mark(self) -> int:
        """How many events there have been: what `since` counts from."""
        return len(self.events)

    def wait_for(self, event: str, within_s: float = 5.0, since: int = 0, **fields: object) -> Event:
        """The first such event after number `since` whose fields have these values."""

        def is_it(told: Event) -> bool:
            return told["event"] == event and all(told.get(name, ...) == value for name, value in fields.items())

        return self.wait_until(is_it, f"{event} {fields or ''}", within_s, since)

    def wait_until(self, is_it: Callable[[Event], bool], what: str, within_s: float = 5.0, since: int = 0) -> Event:
        """The first event after number `since` that `is_it`. Fails after `within_s` seconds, or when the daemon ends."""
        end_s = time.monotonic() + within_s
        with self._changed:
            while True:
                for told in self.events[since:]:
                    if is_it(told):
                        return told
                left_s = end_s - time.monotonic()
                ended = not any(reader.is_alive() for reader in self._readers)
                if left_s <= 0 or ended:
                    so = "before the daemon ended" if ended else f"within {within_s} s"
                    raise AssertionError(f"no {what} {so}; told:\n{self._tail(since)}")
                self._changed.wait(min(left_s, 0.2))

    def named(self, event: str, since: int = 0) -> list[Event]:
        """All such events after number `since`."""
        return [told for told in self.events[since:] if told["event"] == event]

    def wait_settled(self, frequency_hz: int, within_s: float = 20.0, since: int = 0) -> Event:
        """The `placed` of this frequency, once transmit is released there. For stations that can inhibit."""
        self.wait_for("frequency", within_s, since, transmit_hz=frequency_hz)
        index = next(i for i in range(since, len(self.events)) if self.events[i].get("transmit_hz") == frequency_hz)
        self.wait_for("transmit-released", within_s, index)
        return self.named("placed", since)[-1]

    def qsyd(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """A command of the same state directory."""
        return qsyd(*arguments, "--state", str(self.state))

    def status(self) -> dict[str, Any]:
        """`qsyd status --json`."""
        done = self.qsyd("status", "--json")
        assert done.returncode == 0, done.stderr
        shown: dict[str, Any] = json.loads(done.stdout)
        return shown

    def wait_status(self, is_it: Callable[[dict[str, Any]], bool], within_s: float = 5.0) -> dict[str, Any]:
        """The first status that `is_it`."""
        end_s = time.monotonic() + within_s
        while not is_it(shown := self.status()):
            assert time.monotonic() < end_s, f"status after {within_s} s: {shown}"
            time.sleep(0.05)
        return shown

    def _tail(self, since: int) -> str:
        lines = [json.dumps(told) for told in self.events[since:][-40:]]
        return "\n".join([*lines, "log:", *(line.rstrip() for line in self.errors[-8:])])

    def _read_events(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            told = {**json.loads(line), "arrived_s": time.monotonic()}
            with self._changed:
                self.events.append(told)
                self._changed.notify_all()

    def _read_errors(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.errors.append(line)


def write_station(path: Path, parts: Sequence[str]) -> Path:
    """A station file put together from blocks of YAML."""
    path.write_text("\n".join(parts) + "\n", encoding="utf-8")
    return path


AMP_COMMANDS = {
    "inhibit-transmit": "HOLD",
    "release-transmit": "FREE",
    "amplifier-on": "HEAT 1",
    "amplifier-off": "HEAT 0",
    "amplifier-standby": "LINE 0",
    "amplifier-operate": "LINE 1",
    "recall-preset": "TANK {tune} {load}",
}
"""The lines that an amplifier box of these tests is told, by the command they stand for."""


def line_output(name: str, link: str, commands: Mapping[str, str], timeout_ms: int = 300, retries: int = 1) -> str:
    """The block of a device that is spoken to in lines and answers `OK`."""
    lines = [f'      {command}: "{line}\\n"' for command, line in commands.items()]
    return "\n".join(
        [
            f"  {name}:",
            "    kind: device",
            f"    link: {link}",
            f"    timeout: {timeout_ms} ms",
            f"    retries: {retries}",
            "    acknowledge: '^OK'",
            "    commands:",
            *lines,
        ]
    )


def two_device_station(rig: str, switch: str, amp: str, *, warm_up: str = "2 s", timeout_ms: int = 300) -> list[str]:
    """A station of two antennas, an amplifier, a switch and an amplifier box; `rig`, `switch`, `amp` are links."""
    return [
        "station: Sandbar End",
        "region: 2",
        f"rigs: {{main: {{link: '{rig}', protocol: ascii-cat, frequency_digits: 11, poll: 20 ms, push: true}}}}",
        "antennas:",
        "  hilltop-beam: {port: 1, bands: [20m, 15m]}",
        "  harbour-wire: {port: 2, bands: [80m, 40m]}",
        "amplifier:",
        "  follows: main",
        "  bands: [80m, 40m, 20m, 15m]",
        f"  warm_up: {warm_up}",
        "  cool_down: 1 s",
        "segments: {20m: 2, 40m: [7.000 MHz, 7.125 MHz, 7.300 MHz], 80m: 1, 15m: 1}",
        "outputs:",
        line_output("switch", switch, {"select-antenna": "PORT {port}"}, timeout_ms),
        line_output("amp", amp, AMP_COMMANDS, timeout_ms),
    ]


TWO_DEVICE_PRESETS = """\
antenna,segment,tune,load
hilltop-beam,20m/1,210,211
hilltop-beam,20m/2,220,221
hilltop-beam,15m/1,150,151
harbour-wire,80m/1,800,801
harbour-wire,40m/1,410,411
harbour-wire,40m/2,420,421
"""
"""A preset for every segment of that station."""
