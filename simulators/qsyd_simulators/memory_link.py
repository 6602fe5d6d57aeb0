"""A link that exists only in memory and in virtual time: what is written arrives when somebody delivers it.

Nothing here waits or reads a clock of its own; the world calls `deliver` when its time has come to `next_due_us`.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from qsyd_simulators.voice import Voice


@dataclass(slots=True)
class LinkFaults:
    """What goes wrong on the way. Chances are 0.0 to 1.0, drawn for each write; with all defaults nothing does."""

    lose: float = 0.0
    """Chance that a write never arrives."""
    duplicate: float = 0.0
    """Chance that a write arrives twice."""
    fragment: float = 0.0
    """Chance that a write arrives in two or more pieces, each later than the one before."""
    jitter_us: int = 0
    """Up to so much more latency; what was written first still arrives first."""
    cut: bool = False
    """Nothing written arrives, and nobody is told: half open."""


FRAGMENT_GAP_US = 1_000


class Endpoint:
    """One end. What arrives is handed to `on_received`; an end without one loses it."""

    def __init__(self, write: Callable[[bytes, int], None], close: Callable[[], None]) -> None:
        self._write = write
        self._close = close
        self.on_received: Callable[[bytes], None] | None = None
        self.on_closed: Callable[[], None] | None = None
        """Called once, when the other end has closed and all it wrote before has arrived."""
        self.closed = False
        """Whether either end has closed, as far as this end knows."""

    def write(self, data: bytes, delay_us: int = 0) -> None:
        """Send bytes, `delay_us` later than now; raises `ConnectionError` once this end knows of a close."""
        if self.closed:
            raise ConnectionError("the link is closed")
        if data:
            self._write(data, delay_us)

    def close(self) -> None:
        """Close this end; the other end learns of it one latency later. A second time does nothing."""
        if not self.closed:
            self.closed = True
            self._close()


class MemoryLink:
    """Two ends, `near` and `far`, and what is on the way between them."""

    def __init__(
        self, clock: Callable[[], int], *, latency_us: int = 0, faults: LinkFaults | None = None, seed: int = 0
    ) -> None:
        """`clock` returns the virtual time in microseconds. The same seed draws the same faults."""
        self.faults = LinkFaults() if faults is None else faults
        self.latency_us = latency_us
        self._clock = clock
        self._random = Random(seed)
        self._on_the_way: list[tuple[int, int, Endpoint, bytes | None]] = []
        self._written = 0
        self.near = Endpoint(lambda data, delay: self._send(self.far, data, delay), lambda: self._end(self.far))
        self.far = Endpoint(lambda data, delay: self._send(self.near, data, delay), lambda: self._end(self.near))
        self._free_at_us = {id(self.near): 0, id(self.far): 0}

    @property
    def next_due_us(self) -> int | None:
        """When the next piece arrives, or None while nothing is on the way."""
        return self._on_the_way[0][0] if self._on_the_way else None

    def deliver(self, at_us: int) -> int:
        """Hand over what is due at or before `at_us`, in order, and what is written meanwhile if it is due as well.

        Returns how many pieces were handed over.
        """
        pieces = 0
        while self._on_the_way and self._on_the_way[0][0] <= at_us:
            _, _, end, data = heapq.heappop(self._on_the_way)
            pieces += 1
            if end.closed:
                continue
            if data is not None:
                if end.on_received is not None:
                    end.on_received(data)
                continue
            end.closed = True
            if end.on_closed is not None:
                end.on_closed()
        return pieces

    def _send(self, end: Endpoint, data: bytes, delay_us: int) -> None:
        faults, draw = self.faults, self._random.random
        if faults.cut or draw() < faults.lose:
            return
        copies = 2 if draw() < faults.duplicate else 1
        pieces = self._pieces(data) if draw() < faults.fragment else [data]
        due_us = self._due_us(end, delay_us)
        for piece in pieces * copies:
            self._post(due_us, end, piece)
            due_us += FRAGMENT_GAP_US if len(pieces) > 1 else 0

    def _end(self, end: Endpoint) -> None:
        if not self.faults.cut:
            self._post(self._due_us(end, 0), end, None)

    def _pieces(self, data: bytes) -> list[bytes]:
        pieces = []
        while data:
            size = self._random.randint(1, max(1, len(data) - 1))
            pieces.append(data[:size])
            data = data[size:]
        return pieces

    def _due_us(self, end: Endpoint, delay_us: int) -> int:
        jitter_us = self._random.randint(0, self.faults.jitter_us)
        return max(self._clock() + delay_us + self.latency_us + jitter_us, self._free_at_us[id(end)])

    def _post(self, due_us: int, end: Endpoint, data: bytes | None) -> None:
        self._free_at_us[id(end)] = due_us
        self._written += 1
        heapq.heappush(self._on_the_way, (due_us, self._written, end, data))


def serve(voice: Voice, end: Endpoint, clock: Callable[[], int]) -> None:
    """Let `voice` answer and report at one end of a link, with its answer delay, until the link closes.

    Pieces of answers are the link's business (`LinkFaults.fragment`), not the voice's `fragment_bytes`.
    """

    def report() -> None:
        if not end.closed:
            end.write(voice.reports())

    def hear(data: bytes) -> None:
        end.write(voice.received(data, clock()), round(voice.answer_delay_s * 1_000_000))
        report()

    end.on_received = hear
    end.on_closed = voice.close
    voice.on_report = report
