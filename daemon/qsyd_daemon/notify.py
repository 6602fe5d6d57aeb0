"""Tells the service manager how the daemon is: the datagrams of sd_notify(3), from memory."""

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends to the manager's socket, and is silent without one. It never waits and never fails."""

    def __init__(self, address: str | None, watchdog_us: int | None = None) -> None:
        """`address` is a path, or `@` and a name in the abstract space; `watchdog_us` as the manager expects it."""
        self.watchdog_us = watchdog_us
        """Within this time the manager wants to hear of progress, in microseconds; None where it does not care."""
        self._address = "\0" + address[1:] if address is not None and address.startswith("@") else address

    @property
    def is_heard(self) -> bool:
        """Whether anybody is to be told."""
        return self._address is not None

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Notifier":
        """The manager's own way to tell a process where it listens."""
        watchdog = environment.get("WATCHDOG_USEC", "")
        is_meant = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        return cls(environment.get("NOTIFY_SOCKET"), int(watchdog) if is_meant and watchdog.isdecimal() else None)

    def send(self, *lines: str) -> None:
        """Send one message; `READY=1`, `STATUS=...` and the like, a line each."""
        if self._address is None:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
            end.setblocking(False)
            end.sendto("\n".join(lines).encode(), self._address)
