"""Mistakes of our own: told, and not in the way of what has to go on."""

from collections.abc import Callable
from types import TracebackType


class Guard:
    """A `with` block whose exceptions go to `caught` and no further: the block ends, the code after it runs."""

    __slots__ = ("_caught",)

    def __init__(self, caught: Callable[[Exception], None]) -> None:
        self._caught = caught

    def __enter__(self) -> None:
        pass

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool:
        if not isinstance(error, Exception):
            return False  # nothing raised, or the end of the task or program
        self._caught(error)
        return True
