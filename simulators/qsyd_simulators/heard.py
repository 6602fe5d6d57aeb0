"""What a simulated device was told, and when, for tests and for people to read."""

from dataclasses import dataclass

HEARD_MAX = 10_000
"""Most commands a device remembers; when full, the older half is forgotten."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One command as it came, framing included, and when on the clock its wire was given, in microseconds."""

    at_us: int
    data: bytes

    @property
    def text(self) -> str:
        """The command as text, without its line end; bytes outside ASCII as `\\xNN`."""
        return self.data.decode("ascii", "backslashreplace").rstrip("\r\n")


def note(heard: list[Heard], at_us: int, data: bytes) -> None:
    """Add a command to `heard`, which stays bounded."""
    if len(heard) >= HEARD_MAX:
        del heard[: HEARD_MAX // 2]
    heard.append(Heard(at_us, data))
