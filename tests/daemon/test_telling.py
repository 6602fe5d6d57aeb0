"""What is told, to whom and in which order."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from qsyd_daemon.links.guard import Guard
from qsyd_daemon.outputs.output import Event
from qsyd_daemon.store.store import Store
from qsyd_daemon.telling import Telling
from qsyd_rules.effect import Report, SendText
from qsyd_rules.notice import Warned


class Ears:
    """Everybody who listens, and what they heard."""

    def __init__(self) -> None:
        self.name = "phone"
        self.queued = 0
        self.events: list[Event] = []
        self.texts: list[str] = []
        self.caught: list[Exception] = []

    def listen(self, event: Event) -> None:
        """Hear an event."""
        if event["event"] == "warning" and event["code"] == "bad":
            raise ValueError("a mistake of ours")
        self.events.append(event)

    def tell(self, event: Event) -> None:
        """As an output of notices."""
        self.texts.append(str(event["text"]))

    async def close(self) -> None:
        """Nothing is queued."""

    @property
    def codes(self) -> list[Any]:
        """The codes of the warnings, in order."""
        return [event.get("code", event["event"]) for event in self.events]


@asynccontextmanager
async def telling(directory: Path) -> AsyncIterator[tuple[Telling, Ears]]:
    """One that tells a listener, an output and a real journal."""
    ears = Ears()
    store = Store.open(directory)
    yield Telling({"phone": ears}, (ears.listen,), store, Guard(ears.caught.append)), ears
    await asyncio.to_thread(store.close)


def warned(code: str) -> Report:
    return Report(Warned(code, "text"))


async def test_what_is_told_later_comes_in_the_next_turns_one_at_a_time(tmp_path: Path) -> None:
    async with telling(tmp_path) as (told, ears):
        for code in "abc":
            told.later(warned(code), 1)
        assert ears.events == []

        for expected in (["a"], ["a", "b"], ["a", "b", "c"]):
            await asyncio.sleep(0)
            assert ears.codes == expected
        assert told.outputs == ("phone",)


async def test_nothing_overtakes_what_happened_before_it(tmp_path: Path) -> None:
    async with telling(tmp_path) as (told, ears):
        told.later(warned("first"), 1)
        told.in_order(warned("second"), 2)
        told.later(SendText("phone", "third {event}", "a rule", {"event": "keyed"}), 3)
        assert ears.events == []
        told.report(Warned("fourth", "from outside the core"), 4)

        assert ears.codes == ["first", "second", "fourth"]
        assert ears.texts == ["text", "text", "third keyed", "from outside the core"]
        await asyncio.sleep(0)
        assert ears.codes == ["first", "second", "fourth"], "nothing twice"

        told.in_order(warned("fifth"), 5)
        assert ears.codes[-1] == "fifth", "with nothing untold it is told in the call itself"


async def test_a_mistake_over_one_event_is_told_of_and_costs_that_one_only(tmp_path: Path) -> None:
    async with telling(tmp_path) as (told, ears):
        told.later(warned("bad"), 1)
        told.later(warned("good"), 2)
        await asyncio.sleep(0)
        await asyncio.sleep(0)

        assert [str(each) for each in ears.caught] == ["a mistake of ours"]
        assert ears.codes == ["good"]


async def test_a_text_that_cannot_be_written_is_a_warning_in_its_place(tmp_path: Path) -> None:
    async with telling(tmp_path) as (told, ears):
        told.in_order(SendText("phone", "{", "a rule", {}), 1)

        assert ears.codes == ["send"]
        assert "a rule" in ears.events[0]["text"]
