"""What a disk has promised of one directory, and what is left of it when power fails.

A write is durable once its file was synced, a name once its directory was (POSIX.1-2017, fsync, rationale, from
memory). Until then each may be there after a loss of power or not, in any order, and the last of a write may be missing.
File systems that keep an order are kinder than this.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

SECTOR_BYTES = 512
"""The least that a disk writes in one piece."""


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes that were handed to the system."""

    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Truncated:
    """A file was cut to this size."""

    size: int


Change = Written | Truncated


@dataclass(slots=True, eq=False)
class KeptFile:
    """One file, whatever it is called now."""

    durable: bytes = b""
    """What it holds after a loss of power that takes everything it may."""
    pending: list[Change] = field(default_factory=list)
    size: int = 0
    syncs_names: bool = False
    """Its next sync makes the names durable too: so SQLite does with a new log or journal."""


@dataclass(frozen=True, slots=True)
class Renamed:
    """A name was given to the file that had another, or to a new one (`source` is None)."""

    source: str | None
    target: str
    file: KeptFile


@dataclass(frozen=True, slots=True)
class Removed:
    """A name was taken away."""

    name: str


NameChange = Renamed | Removed


class DiskMemory:
    """The files of a directory as they are and as they would be after a loss of power. Sub-directories are not known."""

    def __init__(self, contents: dict[str, bytes]) -> None:
        """All of `contents` is durable."""
        self.files = {name: KeptFile(content, size=len(content)) for name, content in contents.items()}
        self._durable_names = dict(self.files)
        self._pending_names: list[NameChange] = []

    def made(self, name: str, *, syncs_names: bool = False) -> None:
        """An empty file was made."""
        file = KeptFile(syncs_names=syncs_names)
        self.files[name] = file
        self._pending_names.append(Renamed(None, name, file))

    def written(self, file: KeptFile, offset: int, data: bytes) -> None:
        """Bytes were written to it."""
        file.pending.append(Written(offset, data))
        file.size = max(file.size, offset + len(data))

    def truncated(self, file: KeptFile, size: int) -> None:
        """It was cut."""
        file.pending.append(Truncated(size))
        file.size = size

    def synced(self, file: KeptFile) -> None:
        """Its content is durable now."""
        file.durable = after(file.durable, file.pending)
        file.pending.clear()
        if file.syncs_names:
            file.syncs_names = False
            self.names_synced()

    def sync_lost(self, file: KeptFile) -> None:
        """A sync failed, and the system forgets that there is something to write: a later sync succeeds without it.

        So Linux does: `fsync` reports a failed write once, and the pages count as clean (fsync(2), NOTES, from memory).
        """
        file.pending.clear()

    def renamed(self, source: str, target: str) -> None:
        """A file was given another name; a file that had it has none now."""
        file = self.files.pop(source)
        self.files[target] = file
        self._pending_names.append(Renamed(source, target, file))

    def removed(self, name: str) -> None:
        """A file was deleted."""
        del self.files[name]
        self._pending_names.append(Removed(name))

    def names_synced(self) -> None:
        """The names are durable as they are now."""
        self._durable_names = dict(self.files)
        self._pending_names.clear()

    def now(self) -> dict[str, bytes]:
        """What the directory holds while power stays on."""
        return {name: after(file.durable, file.pending) for name, file in self.files.items()}

    def left(self, seed: int | None) -> dict[str, bytes]:
        """What a loss of power leaves: with no seed nothing that was not durable, otherwise some of it, drawn by the seed."""
        draw = random.Random(seed)
        names = dict(self._durable_names)
        for change in self._pending_names:
            if seed is None or draw.random() < 0.5:
                continue
            match change:
                case Renamed(source, target, file):
                    if source is not None and names.get(source) is file:
                        del names[source]
                    names[target] = file
                case Removed(name):
                    names.pop(name, None)
        contents: dict[KeptFile, bytes] = {}
        for file in names.values():
            if file not in contents:
                kept = [] if seed is None else list(_drawn(file.pending, draw))
                contents[file] = after(file.durable, kept)
        return {name: contents[file] for name, file in names.items()}


def after(content: bytes, changes: Iterable[Change]) -> bytes:
    """The content of a file once these changes have come to it, in this order; what was never written is zero."""
    result = bytearray(content)
    for change in changes:
        match change:
            case Written(offset, data):
                if len(result) < offset:
                    result.extend(bytes(offset - len(result)))
                result[offset : offset + len(data)] = data
            case Truncated(size):
                if size < len(result):
                    del result[size:]
                else:
                    result.extend(bytes(size - len(result)))
    return bytes(result)


def _drawn(changes: list[Change], draw: random.Random) -> Iterable[Change]:
    """Each change whole, or not at all, or (a write, seldom) the sectors up to somewhere in the middle."""
    for change in changes:
        chance = draw.random()
        if chance < 0.45:
            yield change
        elif chance < 0.6 and isinstance(change, Written):
            # Sectors are those of the file, so the first piece may be shorter.
            ends = range(SECTOR_BYTES - change.offset % SECTOR_BYTES, len(change.data), SECTOR_BYTES)
            if ends:
                yield Written(change.offset, change.data[: draw.choice(ends)])


def put(directory: Path, contents: dict[str, bytes], keep: Callable[[str], bool]) -> None:
    """Make the directory hold just these files, besides those that `keep` says to leave alone."""
    for path in list(directory.iterdir()):
        if path.name not in contents and not keep(path.name):
            path.unlink()
    for name, content in contents.items():
        (directory / name).write_bytes(content)
