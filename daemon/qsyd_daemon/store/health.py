"""Whether the store can be relied on, told when it changes and not once a failure."""

import contextlib
from collections import deque
from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar

from qsyd_daemon.store.errors import RefusedError, StoreError

WARNINGS_MAX = 100

_Value = TypeVar("_Value")


class Part(StrEnum):
    """What can fail by itself."""

    PRESETS = "presets"
    JOURNAL = "journal"
    BACKUP = "backup"


class Health:
    """What failed when it was last tried."""

    def __init__(self) -> None:
        self.on_change: Callable[[bool, str], None] | None = None
        """Given `healthy` and a line for the operator; until it is set the lines go to `warnings`."""
        self.warnings: deque[str] = deque(maxlen=WARNINGS_MAX)
        self._failed: set[Part] = set()

    @property
    def healthy(self) -> bool:
        """Whether presets, intents and events can be written; a missing backup alone is no illness."""
        return not self._failed - {Part.BACKUP}

    def has_failed(self, part: Part) -> bool:
        """Whether this part failed when it was last tried."""
        return part in self._failed

    def attempt(self, part: Part, work: Callable[[], _Value]) -> _Value:
        """Do it and note how it went. Raises nothing but `StoreError`, whatever `work` raises."""
        try:
            value = work()
        except RefusedError:
            raise
        except StoreError as error:
            self._note_failure(part, error)
            raise
        except Exception as error:
            failure = StoreError(f"{type(error).__name__}: {error}")
            self._note_failure(part, failure)
            raise failure from error
        if part in self._failed:
            self._failed.discard(part)
            self.tell(f"{part} can be written again")
        return value

    def succeeds(self, part: Part, work: Callable[[], object]) -> bool:
        """Do it and note how it went; False when it failed."""
        try:
            self.attempt(part, work)
        except StoreError:
            return False
        return True

    def tell(self, text: str) -> None:
        """Tell the operator."""
        if self.on_change is None:
            self.warnings.append(text)
            return
        with contextlib.suppress(Exception):  # a listener that has gone must not end the writing
            self.on_change(self.healthy, text)

    def _note_failure(self, part: Part, error: StoreError) -> None:
        if part not in self._failed:
            self._failed.add(part)
            self.tell(f"{part} cannot be written: {error}")
