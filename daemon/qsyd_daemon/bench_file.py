"""The station file that a bench leaves in its directory: whether a person has changed it since, and where it looks for
the devices, so that a bench that is begun again is found there."""

import hashlib
import re

_SEAL = "# As a bench wrote it, the lines below have the SHA-256 "
_DEVICES = re.compile(
    r"^  (switch|amplifier|matching-unit):\n(?:    .*\n)*?    link: tcp:127\.0\.0\.1:([0-9]{1,5})\n", re.MULTILINE
)


def sealed(text: str) -> str:
    """The file with a first line by which a bench knows its own again."""
    return f"{_SEAL}{_digest(text)}\n{text}"


def is_as_written(text: str) -> bool:
    """Whether the file is as a bench wrote it, so that nothing of anybody's is lost with it."""
    first, _, rest = text.partition("\n")
    return first == f"{_SEAL}{_digest(rest)}"


def ports_of(text: str) -> dict[str, int]:
    """The TCP ports of this machine at which the file looks for the devices of a bench, by output."""
    return {name: int(port) for name, port in _DEVICES.findall(text) if 1 <= int(port) <= 65535}


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
