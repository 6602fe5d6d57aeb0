"""The daemon's log, on standard error: for people on a terminal, one line of key=value elsewhere."""

import contextlib
import logging
import os
import sys
from typing import TextIO, cast

import structlog

_PRIORITIES = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
"""Priorities of syslog (RFC 5424, section 6.2.1), which a service manager reads from the head of a line."""


class _Unbroken:
    """Standard error, and quietly nothing once nobody reads it any more: a log that broke would end the daemon."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError):
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            self._stream.flush()


def open_log(*, verbose: bool = False) -> structlog.typing.FilteringBoundLogger:
    """Set the log up, once in a process."""
    processors: list[structlog.typing.Processor] = [structlog.processors.add_log_level]
    if os.environ.get("JOURNAL_STREAM"):
        processors += [structlog.processors.KeyValueRenderer(key_order=["event"], drop_missing=True), _with_priority]
    elif sys.stderr.isatty() and not os.environ.get("NO_COLOR"):
        processors += [
            structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=True),
            structlog.dev.ConsoleRenderer(pad_event_to=22),
        ]
    else:
        processors += [
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.KeyValueRenderer(key_order=["timestamp", "level", "event"], drop_missing=True),
        ]
    structlog.configure(
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(cast(TextIO, _Unbroken(sys.stderr))),
        cache_logger_on_first_use=True,
    )
    log: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return log


def _with_priority(logger: structlog.typing.WrappedLogger, method: str, line: structlog.typing.EventDict | str) -> str:
    level = "warning" if method == "warn" else method
    return f"<{_PRIORITIES.get(level, 6)}>{line}"
