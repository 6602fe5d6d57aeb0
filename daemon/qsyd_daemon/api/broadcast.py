"""Carries the events to everybody who follows them, a few followers at a turn of the loop: the station goes first.

All follow one ring, each at a place of its own, so that a thousand of them cost no more memory than one. What has
happened leaves a moment later, in short turns with a rest between them, in which the station's own work comes to its
place: a change-over waits for one short turn at most. Whoever does not take what is written gets nothing more until it
does; whoever falls further behind than it may is told so, and let go.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from time import perf_counter

from qsyd_daemon.api.door import Door
from qsyd_daemon.api.event_ring import EventRing, block

GATHER_S = 0.002
"""How long events are gathered before the first is carried on: a step of the station tells several at once."""
TURN_S = 0.000_3
"""How long one turn may take; what cannot be divided is one write of the system, some 20 us."""
REST_S = 0.001
EVENTS_A_TURN = 64
"""Whose bytes are made in one turn."""
EVENTS_A_WRITE, BYTES_A_WRITE = 64, 16 * 1024
CHECK_S = 1.0
"""How often everybody is looked at: whether their token is still in force, whether they are to be pinged."""
PING = b": ping\n\n"


class Follower:
    """One who follows, from the event after `number` on. `ended` is done once nothing more will be written."""

    def __init__(self, door: Door, number: int, may_stay: Callable[[], bool], *, chunked: bool, now_s: float) -> None:
        self.door = door
        self.number = number
        self.may_stay = may_stay
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.ping_at_s = now_s + door.doorway.limits.ping_s
        self._chunked = chunked

    def write(self, data: bytes) -> None:
        """Hand some whole events to the system, or as much as it takes to the transport's buffer."""
        self.door.write_raw(b"%x\r\n%b\r\n" % (len(data), data) if self._chunked else data)

    def end(self) -> None:
        """Write the end of the stream, and close once it has been taken."""
        if not self.ended.done():
            if self._chunked:
                self.door.write_raw(b"0\r\n\r\n")
            self.door.close_gently()
            self.ended.set_result(None)


class Broadcast:
    """Everybody who follows one ring."""

    def __init__(self, ring: EventRing) -> None:
        self.ring = ring
        self._followers: dict[Follower, None] = {}
        self._round: deque[Follower] = deque()
        """Those whose turn is still to come in this round."""
        self._begun_at = 0
        """The newest event when this round began."""
        self._timer: asyncio.TimerHandle | None = None
        self._is_resting = True
        """Whether nothing is to be carried; then the timer is that of the check."""
        self._pieces: dict[int, tuple[int, bytes]] = {}
        """What was written in this turn, by the number before it: most are at the same place."""

    def join(self, follower: Follower) -> None:
        """Carry what happens from now on to one more."""
        self._followers[follower] = None
        follower.door.stirred = lambda: self._stirred(follower)
        self.ring.told = self._told
        if self.ring.closed or follower.door.is_gone:
            self._let_go(follower)
        else:
            self._told()  # what has happened since its snapshot

    def leave(self, follower: Follower) -> None:
        """Carry nothing to this one any more."""
        self._followers.pop(follower, None)
        follower.door.stirred = None
        if not self._followers:
            self.ring.nobody_follows()
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            self._is_resting = True

    def close(self) -> None:
        """The daemon ends: everybody who reads gets what is left, and then an end."""
        self.ring.close()
        while self.ring.ready < self.ring.last and self._followers:
            self.ring.make_ready(EVENTS_A_TURN)
        for follower in list(self._followers):
            if not self._let_go_if_behind(follower):
                while not follower.door.is_unread and self._carry(follower):
                    pass
                self._let_go(follower)

    # When

    def _told(self) -> None:
        if self._is_resting:
            self._is_resting = False
            self._set_timer(GATHER_S)

    def _stirred(self, follower: Follower) -> None:
        """It takes again what is written, or it has left."""
        if follower.door.is_gone:
            self._let_go(follower)
        else:
            self._told()

    def _set_timer(self, after_s: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(after_s, self._turn)

    def _turn(self) -> None:
        self._timer = None
        try:
            self._serve_some()
        finally:  # whatever befell one of them, the others are carried on
            if self._followers:
                self._is_resting = not self._round and not self._has_more()
                self._set_timer(CHECK_S if self._is_resting else REST_S)

    def _serve_some(self) -> None:
        began_s, now_s = perf_counter(), asyncio.get_running_loop().time()
        self.ring.make_ready(EVENTS_A_TURN)
        self._pieces.clear()
        if not self._round:
            self._round.extend(self._followers)
            self._begun_at = self.ring.ready
        while self._round:
            follower = self._round.popleft()
            if follower in self._followers:
                self._serve(follower, now_s)
            if perf_counter() - began_s >= TURN_S:  # one at least, though the bytes alone took so long
                break

    def _has_more(self) -> bool:
        """Whether another round is needed: something was told meanwhile, or somebody got only a part."""
        ring = self.ring
        return ring.last > self._begun_at or any(
            each.number < ring.ready and not each.door.is_unread for each in self._followers
        )

    # What

    def _serve(self, follower: Follower, now_s: float) -> None:
        if not follower.may_stay():
            self._let_go(follower)
        elif self._let_go_if_behind(follower) or follower.door.is_unread:
            pass
        elif self._carry(follower):
            follower.ping_at_s = now_s + follower.door.doorway.limits.ping_s
        elif now_s >= follower.ping_at_s:
            follower.write(PING)
            follower.ping_at_s = now_s + follower.door.doorway.limits.ping_s

    def _let_go_if_behind(self, follower: Follower) -> bool:
        """Tell one who has fallen further behind than it may that it has."""
        limits, ring = follower.door.doorway.limits, self.ring
        waiting = ring.waiting(follower.number)
        if waiting is None or waiting > limits.lag_bytes or ring.last - follower.number > limits.lag_events:
            follower.write(block("lagged", {"last_event_id": ring.last_id}))
            self._let_go(follower)
            return True
        return False

    def _carry(self, follower: Follower) -> bool:
        """Write one piece of what it has not had; whether there was any."""
        number = follower.number
        if number >= self.ring.ready:
            return False
        piece = self._pieces.get(number)
        if piece is None:
            piece = self._pieces[number] = self.ring.part(number, EVENTS_A_WRITE, BYTES_A_WRITE)
        follower.number, data = piece
        follower.write(data)
        return True

    def _let_go(self, follower: Follower) -> None:
        follower.end()
        self.leave(follower)
