"""One blocking call away from the event loop, in a thread of its own.

A call into a driver or a name resolver may hang for many seconds. In a shared pool a few of those would keep every
other link from opening, and the pool's threads are waited for at exit; a daemon thread does neither.
"""

import asyncio
import threading
from collections.abc import Callable
from typing import TypeVar

Result = TypeVar("Result")


async def off_loop(work: Callable[[], Result], unwanted: Callable[[Result], None]) -> Result:
    """Call `work` in a short-lived thread and hand out its result, or raise what it raised.

    When the caller is cancelled meanwhile, `work` still runs to its end; its result then goes to `unwanted`, which
    gives back what it holds (called in either thread).
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[Result] = loop.create_future()

    def succeed(result: Result) -> None:
        if future.done():
            unwanted(result)
        else:
            future.set_result(result)

    def fail(error: Exception) -> None:
        if not future.done():
            future.set_exception(error)

    def run() -> None:
        try:
            result = work()
        except Exception as error:  # noqa: BLE001 - raised again where the caller waits
            _tell(loop, fail, error)
        else:
            if not _tell(loop, succeed, result):
                unwanted(result)

    threading.Thread(target=run, name="off-loop", daemon=True).start()
    try:
        return await future
    except asyncio.CancelledError:
        # The result may have come in the same turn of the loop as the cancellation.
        if future.done() and not future.cancelled() and future.exception() is None:
            unwanted(future.result())
        raise


Told = TypeVar("Told")


def _tell(loop: asyncio.AbstractEventLoop, callback: Callable[[Told], None], value: Told) -> bool:
    """Hand `value` to the loop's thread; False when the loop has ended meanwhile."""
    try:
        loop.call_soon_threadsafe(callback, value)
    except RuntimeError:
        return False
    return True
