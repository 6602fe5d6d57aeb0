"""What all tests share."""

import os
import shutil
import signal

import pytest
from hypothesis import settings

# A machine may be busy with other things: hypothesis keeps no stopwatch.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

# Hundreds of daemons make their notes durable, several at once: in memory, where there is any, none waits for another's.
if os.access("/dev/shm", os.W_OK) and shutil.disk_usage("/dev/shm").free > 2 << 30:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", "/dev/shm")

# Started in the background of a shell, this process ignores SIGINT, and so would every command that a test interrupts.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_teardown() -> None:
    """A test that has called the program itself leaves a broken pipe fatal, as commands want it: not for the next one."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first, so that no processor waits for the last of them; the campaign before all."""
    items.sort(key=lambda item: item.get_closest_marker("begun_first") is None)
