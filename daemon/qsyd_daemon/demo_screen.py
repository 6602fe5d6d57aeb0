"""What the demo shows: blocks marked SIMULATED, and the daemon's event lines as they are written.

The event file is followed as anybody could follow that of `qsyd run --events FILE`.
"""

import asyncio
import contextlib
import json
import os
import statistics
import textwrap
from pathlib import Path
from typing import Any, TextIO

from qsyd_daemon import demo_station as station
from qsyd_daemon.narration import COLUMNS, Tone, narrate, painted, report_of, row

LOOK_EVERY_S = 0.01
"""How often the event file is looked at; the times shown are those in the events."""

MARK = "SIMULATED"
MARK_EVERY_LINES = 22
"""Lines of a block after which the mark is repeated: it stays on a screen of 24."""


class StoryError(Exception):
    """The station did not do what the story tells; the text says what was waited for."""


class Screen:
    """Prints the story and keeps the events it has told. Times are seconds on the event loop's clock."""

    def __init__(self, out: TextIO, events: Path) -> None:
        """`out` is where to print, `events` the file that the daemon appends its events to."""
        self.events: list[dict[str, Any]] = []
        self._loop = asyncio.get_running_loop()
        self._out = out
        self._path = events
        self._read_bytes = 0
        self._colour = is_coloured(out)
        self._gone: BrokenPipeError | None = None
        self._began_s = self._loop.time()
        self._blocks = 0
        self._unmarked = 0
        self._mark = 0
        self._report_s: float | None = None
        self._untold: frozenset[str] = frozenset()

    def block(self, text: str) -> None:
        """Begin a part of the story."""
        self.look()
        self._blocks += 1
        self._unmarked = 0
        head = f"{MARK} | {self._blocks}. {text} "
        clock = f" {self._loop.time() - self._began_s:.1f} s"
        self.line()
        self.line(head + "-" * (COLUMNS - len(head) - len(clock)) + clock, Tone.OPERATOR)

    def operator(self, text: str) -> None:
        """Tell what the operator does next; `until` waits for what comes after this."""
        self.look()
        self._mark = len(self.events)
        self._report_s = self._loop.time()
        self.say("operator", text, Tone.OPERATOR)

    def say(self, who: str, text: str, tone: Tone = Tone.PLAIN) -> None:
        """Tell something that is no event."""
        self._rows(row(who, text, tone=tone, colour=self._colour))

    def paragraph(self, text: str) -> None:
        """Print text across the screen, wrapped."""
        for line in textwrap.wrap(text, COLUMNS):
            self.line(line)

    def line(self, text: str = "", tone: Tone = Tone.PLAIN) -> None:
        """Print one line at once. Raises `BrokenPipeError` where nobody reads any more."""
        try:
            self._out.write(painted(text, tone, colour=self._colour) + "\n")
            self._out.flush()
        except BrokenPipeError as error:
            self._gone = error
            raise

    def leave_out(self, *events: str) -> None:
        """Do not tell events of these names until called again; they are kept all the same."""
        self._untold = frozenset(events)

    def since_operator(self, event: str) -> list[dict[str, Any]]:
        """The events of this name since the operator's last doing."""
        return [line for line in self.events[self._mark :] if line["event"] == event]

    async def until(self, event: str, *, within_s: float = 5.0, **fields: object) -> dict[str, Any]:
        """Wait for an event since the operator's last doing whose fields are as given. Raises `StoryError`."""
        try:
            async with asyncio.timeout(within_s):
                while True:
                    if self._gone is not None:
                        raise self._gone
                    for line in self.since_operator(event):
                        if fields.items() <= line.items():
                            return line
                    await asyncio.sleep(LOOK_EVERY_S)
        except TimeoutError:
            wanted = " ".join((event, *(f"{key} {value}" for key, value in fields.items())))
            raise StoryError(f"no `{wanted}` within {within_s:g} s") from None

    async def follow(self) -> None:
        """Tell each event as its line is written, until cancelled."""
        with contextlib.suppress(BrokenPipeError):
            while True:
                self.look()
                await asyncio.sleep(LOOK_EVERY_S)

    def look(self) -> None:
        """Tell the events that have been written since the last look."""
        try:
            with self._path.open("rb") as file:
                file.seek(self._read_bytes)
                lines = file.read()
        except FileNotFoundError:
            return
        whole, _, _ = lines.rpartition(b"\n")
        if whole:
            self._read_bytes += len(whole) + 1
            for line in whole.split(b"\n"):
                self._take(json.loads(line))

    def _take(self, event: dict[str, Any]) -> None:
        self.events.append(event)
        self._report_s = report_of(event, self._report_s)
        if event["event"] not in self._untold:
            self._rows(narrate(event, self._report_s, colour=self._colour))

    def _rows(self, lines: list[str]) -> None:
        """Print lines that belong together, below a mark that is still on the screen."""
        if self._unmarked + len(lines) > MARK_EVERY_LINES:
            self._unmarked = 0
            self.line(f"{MARK} | {self._blocks}. goes on", Tone.OPERATOR)
        self._unmarked += len(lines)
        for line in lines:
            self.line(line)


def title(screen: Screen) -> None:
    """What this is, and the usual cautions."""
    screen.line(f"{MARK} | qsyd demo: no radio, amplifier or antenna is connected", Tone.OPERATOR)
    screen.paragraph(
        "Caution, with the real ones: plate voltage and RF kill. qsyd is no interlock. The hardware's own protection, "
        "local code and licensed practice come first."
    )
    screen.paragraph(
        f"{station.STATION}: a RTTY contest evening in about 20 s. Times count from the rig's last report, or from "
        "what the operator did since."
    )


def measured(screen: Screen, held_after_ms: list[float]) -> None:
    """Say how long things took; `held_after_ms` are the times from dial to hold."""
    screen.block("How the evening went")
    took_ms = [float(event["took_ms"]) for event in screen.events if event["event"] == "change-over-finished"]
    failed = [event for event in screen.events if event.get("code") == "change-over-failed"]
    if took_ms:
        span = f"median {statistics.median(took_ms):.0f} ms ({min(took_ms):.0f} to {max(took_ms):.0f})"
        text = f"{len(took_ms)} change-overs, {span}, and {len(failed)} that failed safe"
        screen.say("measured", f"{text}; {station.WAITS_MS} ms of each are waits in the station file")
    if held_after_ms:
        span = f"median {statistics.median(held_after_ms):.1f} ms, longest {max(held_after_ms):.1f} ms"
        text = f"{len(held_after_ms)} band jumps, dial to hold at the amplifier: {span}"
        screen.say("measured", f"{text}, with the simulators in the daemon's own process")


def is_coloured(out: TextIO) -> bool:
    """Whether colour is wanted there: a terminal that can, and no NO_COLOR in the environment."""
    return out.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
