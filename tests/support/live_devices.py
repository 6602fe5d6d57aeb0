"""A switch and an amplifier of our own that keep their own truth: what was told to move, and whether that was safe then.

Each sits at a real TCP port or pseudo-terminal, in a thread of the test process. A line that would switch under power,
or put a cold tube or one whose plate supply was taken away into the signal path, is kept as a violation at once, by
what the devices themselves know; what the daemon believes plays no part in it.
"""

import contextlib
import os
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Self

from foreign_rigs import LOOK_EVERY_S, READ_BYTES, ForeignRig, Wire

SEEN_WITHIN_S = 0.1
"""A key-down has to be heeded one question (a rig's poll, a meter's `every`) and this much later."""
MOVES = ("PORT", "TANK", "LINE 1")
"""Beginnings of lines that move a relay or a motor in the direction that may do harm."""


@dataclass(frozen=True, slots=True)
class Over:
    """The key is down from `began_s` to `ended_s`; `seen_s` is from when the daemon has to know."""

    began_s: float
    seen_s: float
    ended_s: float | None = None


class Key:
    """The true key of one station, whatever its rig tells of it."""

    def __init__(self, rig: ForeignRig, poll_s: float) -> None:
        self._rig = rig
        self._poll_s = poll_s
        self.over: Over | None = None
        """The last one."""

    @property
    def is_down(self) -> bool:
        """Whether somebody keys, now."""
        return self.over is not None and self.over.ended_s is None

    def press(self, *, told: bool = True, seen_after_s: float | None = None) -> float:
        """Key; `told` is whether the rig says so. When, in seconds."""
        began_s = time.monotonic()
        self._rig.panel.keyed = told
        after_s = self._poll_s if seen_after_s is None else seen_after_s
        self.over = Over(began_s, began_s + after_s + SEEN_WITHIN_S)
        return began_s

    def let_go(self) -> None:
        """Unkey."""
        over = self.over
        assert over is not None
        self._rig.panel.keyed = False
        self.over = Over(over.began_s, over.seen_s, time.monotonic())

    def forbids_moves_at(self, at_s: float) -> bool:
        """Whether a line that arrives then switches under a key that the daemon has to know of."""
        over = self.over
        return over is not None and over.seen_s <= at_s and (over.ended_s is None or at_s < over.ended_s)


@dataclass(frozen=True, slots=True)
class Told:
    """One line and when it arrived, in seconds on the monotonic clock."""

    at_s: float
    line: str


@dataclass
class LiveDevice:
    """Speaks in lines. Use as a context manager. `silent` hears and answers nothing; `stalled` does not even read."""

    wire: Wire
    key: Key
    silent: bool = False
    stalled: bool = False
    told: list[Told] = field(default_factory=list)
    violations: list[str] = field(default_factory=list)
    on_line: Callable[[str], None] = lambda line: None
    """Called with each line before it is answered, in the device's thread."""
    on_answer: Callable[[str], None] = lambda line: None
    """The same, once it has been answered."""

    def __post_init__(self) -> None:
        self._lock = threading.RLock()
        self._changed = threading.Condition()
        self._ending = threading.Event()
        self._buffer = b""
        self._thread = threading.Thread(target=self._serve, name=type(self).__name__, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(5)
        assert not self._thread.is_alive(), "the device's thread did not end"
        self.wire.cut()

    @property
    def link(self) -> str:
        return self.wire.link

    def lines(self, since: int = 0) -> list[str]:
        """The lines told from number `since` on, in order."""
        return [told.line for told in self.told[since:]]

    def mark(self) -> int:
        """How many lines have been told: what `since` counts from."""
        return len(self.told)

    def wait_for(self, line: str, within_s: float, since: int = 0) -> Told:
        """The first such line from number `since` on. Fails after `within_s` seconds."""
        end_s = time.monotonic() + within_s
        with self._changed:
            while True:
                for told in self.told[since:]:
                    if told.line == line:
                        return told
                left_s = end_s - time.monotonic()
                assert left_s > 0, f"{line!r} did not come within {within_s} s; told {self.lines(since)}"
                self._changed.wait(left_s)

    def cut(self) -> float:
        """Break the link; when, in seconds."""
        with self._lock:
            self.wire.cut()
            return time.monotonic()

    def mend(self) -> None:
        """Let the link be opened again; a pseudo-terminal then has another name behind the same path."""
        with self._lock:
            self.wire.mend()

    def answer(self, line: str) -> str:
        """What becomes of the device, and what it says; called with its lock held."""
        return "OK"

    def question(self, line: str) -> str | None:
        """The answer to a line that only asks; None where it tells."""
        return None

    def _serve(self) -> None:
        while not self._ending.is_set():
            if self.stalled:
                time.sleep(0.005)
                continue
            with self._lock:
                descriptor = self.wire.descriptor()
            if descriptor is None:
                time.sleep(0.005)
                continue
            with contextlib.suppress(OSError, ValueError):
                if not select.select([descriptor], [], [], LOOK_EVERY_S)[0]:
                    continue
            with self._lock:
                if self.wire.descriptor() == descriptor and not self.stalled:
                    self._read(descriptor)

    def _read(self, descriptor: int) -> None:
        try:
            data = os.read(descriptor, READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.wire.lose()
            self._buffer = b""
            return
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            self._take(line.decode("ascii", "backslashreplace"), descriptor)

    def _take(self, line: str, descriptor: int) -> None:
        answer = self.question(line)
        if answer is None:
            at_s = time.monotonic()
            if line.startswith(MOVES) and self.key.forbids_moves_at(at_s):
                self.violations.append(f"{line!r} arrived {at_s:.3f}, keyed since {self.key.over}")
            answer = self.answer(line)
            with self._changed:
                self.told.append(Told(at_s, line))
                self._changed.notify_all()
            self.on_line(line)
        if not self.silent:
            with contextlib.suppress(OSError):
                os.write(descriptor, answer.encode() + b"\n")
            self.on_answer(line)


@dataclass
class Amplifier(LiveDevice):
    """A tube amplifier with meters, motors and a permit input. Its warm-up runs from `HEAT 1` by its own clock."""

    warm_up_s: float = 0.3
    travel_s: float = 0.05
    sticks: bool = False
    """The motors do not move."""
    shows: dict[str, str] = field(default_factory=dict)
    """What the meters show instead of the truth, by the letter before it."""
    heater_on_s: float | None = None
    plate_supply: bool = False
    in_path: bool = False
    held: bool = True
    tank: tuple[str, str] = ("0", "0")
    _before: tuple[str, str] = ("0", "0")
    _arrives_s: float = 0.0

    def answer(self, line: str) -> str:
        now_s = time.monotonic()
        match line.split():
            case ["HOLD"]:
                self.held = True
            case ["FREE"]:
                self.held = False
            case ["HEAT", "1"]:
                self.heater_on_s = self.heater_on_s or now_s
                self.plate_supply = True
            case ["HEAT", "0"]:
                self.heater_on_s, self.plate_supply, self.in_path = None, False, False
            case ["HV", "0"]:
                self.plate_supply, self.in_path = False, False
            case ["LINE", "0"]:
                self.in_path = False
            case ["LINE", "1"]:
                self._into_the_path(now_s)
            case ["TANK", tune, load]:
                if not self.sticks:
                    self._before, self.tank = self.positions, (tune, load)
                    self._arrives_s = now_s + self.travel_s
            case _:
                self.violations.append(f"{line!r} is no line of this amplifier")
        return "OK"

    @property
    def positions(self) -> tuple[str, str]:
        """Where tune and load stand now."""
        return self.tank if time.monotonic() >= self._arrives_s else self._before

    def _into_the_path(self, now_s: float) -> None:
        if self.heater_on_s is None or now_s < self.heater_on_s + self.warm_up_s:
            self.violations.append(f"LINE 1 at {now_s:.3f}, heater on since {self.heater_on_s}")
        if not self.plate_supply:
            self.violations.append(f"LINE 1 at {now_s:.3f} with the high voltage taken off")
        self.in_path = True

    def question(self, line: str) -> str | None:
        if line != "METERS":
            return None
        keyed = self.key.is_down and not self.held
        powered = keyed and self.in_path
        tune, load = self.positions
        truth = {
            "F": ("800" if powered else "50") if keyed else "0",
            "R": "5" if powered else "0",
            "D": "50" if keyed else "0",
            "V": "2400" if self.plate_supply else "0",
            "P": "600" if powered else "0",
            "G": "60" if powered else "0",
            "C": "40",
            "T": tune,
            "L": load,
            "S": self._state(),
            "E": "none",
        }
        return " ".join(f"{letter}{shown}" for letter, shown in (truth | self.shows).items())

    def _state(self) -> str:
        if self.heater_on_s is None:
            return "off"
        if time.monotonic() < self.heater_on_s + self.warm_up_s:
            return "warm-up"
        return "operate" if self.in_path else "standby"
