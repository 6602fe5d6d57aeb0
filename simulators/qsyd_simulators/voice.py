"""What every simulated device's voice offers to a port: bytes in, bytes out, and no idea of what carries them."""

from collections.abc import Callable
from typing import Protocol


class Voice(Protocol):
    """Turns bytes into calls on a device and the device's doings into bytes. Never raises on what it hears."""

    on_report: Callable[[], None] | None
    """Called when `reports` has something to send that no command asked for; the port that serves the voice sets it."""

    @property
    def answer_delay_s(self) -> float:
        """How late answers leave, in seconds."""

    @property
    def fragment_bytes(self) -> int:
        """In pieces of how many bytes everything leaves; 0 is whole."""

    def received(self, data: bytes, at_us: int) -> bytes:
        """Take bytes that arrived at `at_us`, in pieces of any size, and return the answers."""

    def reports(self) -> bytes:
        """Take what waits to be sent unasked; empty where there is nothing."""

    def close(self) -> None:
        """Stop listening to the device; the voice is not used again."""
