"""The one timer: on time, never early, rehearsed once."""

import asyncio

from qsyd_daemon.alarm import EARLY_US, Alarm
from qsyd_daemon.rig_follower import monotonic_us

BUSY_MACHINE_US = 500_000


class Wanted:
    """Wants to be woken at the times it is given, one after the other."""

    def __init__(self, *after_us: int) -> None:
        start_us = monotonic_us()
        self.wakes_us = [start_us + each for each in after_us]
        self.heard: list[tuple[str, int, int]] = []
        self.satisfied = asyncio.Event()
        self.alarm = Alarm(self.next_us, self._rehearsed, self._rang)

    def next_us(self) -> int | None:
        """When it wants to be woken next."""
        return self.wakes_us[0] if self.wakes_us else None

    def _rehearsed(self, at_us: int) -> None:
        self.heard.append(("rehearsed", at_us, monotonic_us()))

    def _rang(self, at_us: int) -> None:
        self.heard.append(("rang", self.wakes_us.pop(0), at_us))
        if not self.wakes_us:
            self.satisfied.set()
        self.alarm.set()


async def test_it_rings_at_each_time_and_never_before_it() -> None:
    wanted = Wanted(*range(5_000, 100_000, 5_300))
    times_us = list(wanted.wakes_us)

    wanted.alarm.set()
    async with asyncio.timeout(10):
        await wanted.satisfied.wait()

    rang = [(wanted_us, at_us) for what, wanted_us, at_us in wanted.heard if what == "rang"]
    assert [wanted_us for wanted_us, _ in rang] == times_us
    assert all(wanted_us <= at_us < wanted_us + BUSY_MACHINE_US for wanted_us, at_us in rang)


async def test_what_it_rings_for_is_rehearsed_once_shortly_before() -> None:
    """The machine may stand still across the time itself: then there is nothing left to rehearse in."""
    rehearsed: list[int] = []
    for _ in range(20):
        wanted = Wanted(15_000)
        due_us = wanted.wakes_us[0]
        wanted.alarm.set()
        async with asyncio.timeout(10):
            await wanted.satisfied.wait()
        early_us = [due_us - at_us for what, for_us, at_us in wanted.heard if what == "rehearsed" and for_us == due_us]
        assert len(early_us) <= 1
        rehearsed += early_us
    assert rehearsed
    assert all(0 < each <= EARLY_US for each in rehearsed)


async def test_one_that_is_set_for_later_after_all_rings_at_the_later_time_only() -> None:
    wanted = Wanted(10_000)
    wanted.alarm.set()
    wanted.wakes_us = [wanted.wakes_us[0] + 30_000]
    later_us = wanted.wakes_us[0]
    wanted.alarm.set()

    async with asyncio.timeout(10):
        await wanted.satisfied.wait()

    assert [at_us >= later_us for what, _, at_us in wanted.heard if what == "rang"] == [True]


async def test_a_cancelled_one_does_not_ring() -> None:
    wanted = Wanted(5_000)
    wanted.alarm.set()
    wanted.alarm.cancel()
    await asyncio.sleep(0.03)
    assert wanted.heard == []
