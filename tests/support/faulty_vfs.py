"""Makes the disk under SQLite, and under the files that are moved about beside it, fail at any chosen point.

SQLite reaches the disk through a table of functions, its VFS. Here the default one is copied, and what writes is put
through Python: opening a file that is not there yet, write, truncate, sync and delete. Everything else stays as it is,
reading, locking and the shared memory of the log's index too. The same goes for what changes the directory or a file
in it through `os`: `open`, `write`, `replace`, `rename`, `unlink` and `fsync`. Source of the structures: SQLite, C Interface, sqlite3_vfs and
sqlite3_io_methods (from memory; SQLite's own version numbers of them are checked).

For a process that is going to end: what is installed is never taken out again.
"""

import ctypes
import errno
import os
import random
import sqlite3
import sys
import threading
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Any, ClassVar, NoReturn

from faulty_disk import DiskMemory, KeptFile, put

KILLED = 90
"""How a process ends that was killed at its point, or whose power was cut; `BROKEN` where this module is at fault."""
BROKEN = 91


class Fault(StrEnum):
    """What happens at a point, instead of the operation that was due."""

    ONCE = "fails once"
    SHORT = "half of the write, then an error"
    FOR_EVER = "fails for ever"
    FULL = "disk full from here on"
    LOST = "the sync fails and what it was for is forgotten"
    KILL = "killed"
    TORN = "half of the write, then killed"
    DROPPED = "power cut, all that is not synced lost"
    REORDERED = "power cut, some of what is not synced lost"


ENDINGS = (Fault.KILL, Fault.TORN, Fault.DROPPED, Fault.REORDERED)
"""After these the process is gone."""
_LASTING = (Fault.FOR_EVER, Fault.FULL)


class Operation(StrEnum):
    """What a point is. Opening and writing go by one name in SQLite and in `os`."""

    CREATE = "create"
    WRITE = "write"
    TRUNCATE = "truncate"
    SYNC = "sync"
    DELETE = "delete"
    REPLACE = "os.replace"
    RENAME = "os.rename"
    UNLINK = "os.unlink"
    FSYNC = "os.fsync"


@dataclass(frozen=True, slots=True)
class Point:
    """One operation that changes the disk, or waits for it."""

    operation: Operation
    name: str
    """Of the file, or of the directory that holds them."""

    def fits(self, fault: Fault) -> bool:
        """Whether the fault says anything at this operation that another does not."""
        match fault:
            case Fault.SHORT | Fault.TORN:
                return self.operation is Operation.WRITE
            case Fault.LOST:
                return self.operation is Operation.SYNC
            case _:
                return True


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """What happens at which point, counted from 1. The seed says what a cut of power leaves."""

    point: int
    fault: Fault
    seed: int = 0


_ERRORS = {
    Operation.CREATE: sqlite3.SQLITE_CANTOPEN,
    Operation.WRITE: sqlite3.SQLITE_IOERR_WRITE,
    Operation.TRUNCATE: sqlite3.SQLITE_IOERR_TRUNCATE,
    Operation.SYNC: sqlite3.SQLITE_IOERR_FSYNC,
    Operation.DELETE: sqlite3.SQLITE_IOERR_DELETE,
}
_OPEN_CREATE = 0x4
_OPEN_NEW_NAMES = 0x800 | 0x4000 | 0x80000
"""Main journal, super-journal, log: the directory is synced with them."""

_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int)
_RANDOMNESS = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """sqlite3_vfs, version 3."""

    _fields_: ClassVar[Any] = [
        *(("iVersion", ctypes.c_int), ("szOsFile", ctypes.c_int), ("mxPathname", ctypes.c_int)),
        *(("pNext", ctypes.c_void_p), ("zName", ctypes.c_char_p), ("pAppData", ctypes.c_void_p)),
        *(("xOpen", ctypes.c_void_p), ("xDelete", ctypes.c_void_p)),
        *((f"unchanged{number}", ctypes.c_void_p) for number in range(6)),
        ("xRandomness", ctypes.c_void_p),
        *((f"unchanged{number}", ctypes.c_void_p) for number in range(6, 13)),
    ]


class _Methods(ctypes.Structure):
    """sqlite3_io_methods, version 3."""

    _fields_: ClassVar[Any] = [
        *(("iVersion", ctypes.c_int), ("xClose", ctypes.c_void_p), ("xRead", ctypes.c_void_p)),
        *(("xWrite", ctypes.c_void_p), ("xTruncate", ctypes.c_void_p), ("xSync", ctypes.c_void_p)),
        *((f"unchanged{number}", ctypes.c_void_p) for number in range(13)),
    ]


_METHODS_BYTES = {1: 13, 2: 17, 3: 19}
"""Version of sqlite3_io_methods -> its size in pointers."""


def library() -> ctypes.CDLL:
    """The SQLite that Python's own module uses. Raises `OSError` with the reason where it cannot be had."""
    if not sys.platform.startswith("linux"):
        raise OSError("knows only Linux")
    loaded = ctypes.CDLL("libsqlite3.so.0")
    loaded.sqlite3_libversion.restype = ctypes.c_char_p
    loaded.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
    loaded.sqlite3_vfs_find.argtypes = [ctypes.c_char_p]
    loaded.sqlite3_vfs_register.argtypes = [ctypes.POINTER(_Vfs), ctypes.c_int]
    version = loaded.sqlite3_libversion().decode()
    if version != sqlite3.sqlite_version:
        raise OSError(f"libsqlite3.so.0 is {version}, Python's sqlite3 has {sqlite3.sqlite_version} built in")
    return loaded


class FaultyVfs:
    """The disk under one directory, for this process and all its threads."""

    def __init__(
        self,
        directory: Path,
        faults: Sequence[PlannedFault] = (),
        told: Callable[[PlannedFault, Point], None] = lambda fault, point: None,
        memory: DiskMemory | None = None,
        ending: Callable[[DiskMemory], None] = lambda memory: None,
        randomness: int = 1,
        *,
        lies: bool = False,
    ) -> None:
        """`told` hears of each fault as it comes, `ending` what is durable where the process is killed, power not being cut.

        `memory` is what is durable at the start: where it is not given, all that is there. `randomness` is the seed of
        SQLite's own random numbers, so that a process does the same each time. A disk that `lies` says of each sync that
        it is done, and nothing ever is durable.
        """
        self._directory = Path(os.path.realpath(directory))
        self._faults = {fault.point: fault for fault in faults}
        self._lies = lies
        self._draw = random.Random(randomness)
        self._told, self._ending = told, ending
        self.memory = memory if memory is not None else DiskMemory(contents(self._directory))
        self.points: list[Point] = []
        self._lasting: Fault | None = None
        self._healed = False
        self._files: dict[int, tuple[str, KeptFile, _Methods]] = {}
        self._lock = threading.RLock()
        self._methods: dict[int, tuple[_Methods, _Methods]] = {}
        self._kept_alive: list[object] = []

    def heal(self) -> None:
        """From here on nothing fails."""
        self._healed = True
        self._lasting = None

    def cut_power(self, seed: int | None) -> NoReturn:
        """Leave what is durable, with a seed some of the rest too, and end the process."""
        left = self.memory.left(seed)
        self.heal()  # what follows is no deed any more
        put(self._directory, left, keep=lambda name: name.endswith("-shm"))
        os._exit(KILLED)

    def end(self, status: int) -> NoReturn:
        """End the process, power staying on."""
        self._ending(self.memory)
        os._exit(status)

    def install(self) -> None:
        """Take the place of the default VFS and of six functions of `os`. Raises `OSError` where that is not possible."""
        loaded = library()
        default = loaded.sqlite3_vfs_find(None)
        if default.contents.iVersion < 3:
            raise OSError(f"knows version 3 of sqlite3_vfs, not {default.contents.iVersion}")
        self._default = ctypes.addressof(default.contents)
        vfs = _Vfs()
        ctypes.pointer(vfs)[0] = default.contents
        vfs.pNext, vfs.zName = None, b"faulty"
        self._open_there, self._delete_there = _OPEN(vfs.xOpen), _DELETE(vfs.xDelete)
        vfs.xOpen, vfs.xDelete = self._callback(_OPEN, self._open), self._callback(_DELETE, self._delete)
        vfs.xRandomness = self._callback(_RANDOMNESS, self._random)
        self._replaced = (
            self._callback(_WRITE, self._write),
            self._callback(_TRUNCATE, self._truncate),
            self._callback(_SYNC, self._sync),
        )
        self._kept_alive.append(vfs)
        if loaded.sqlite3_vfs_register(ctypes.byref(vfs), 1):
            raise OSError("sqlite3_vfs_register failed")
        self._unlink_there, self._fsync_there = os.unlink, os.fsync
        os.replace = self._moving(Operation.REPLACE, os.replace)
        os.rename = self._moving(Operation.RENAME, os.rename)
        os.unlink = self._unlink
        os.fsync = self._fsync  # type: ignore[assignment]
        self._os_open_there, self._os_write_there = os.open, os.write
        os.open = self._os_open
        os.write = self._os_write

    def _callback(self, kind: Any, work: Callable[..., int]) -> int | None:
        """The address of a C function. A mistake of ours must not pass for a success, as ctypes would have it."""

        def guarded(*arguments: Any) -> int:
            try:
                with self._lock:
                    return work(*arguments)
            except BaseException:  # noqa: BLE001 - there is nobody to raise it to
                traceback.print_exc()
                os._exit(BROKEN)

        function = kind(guarded)
        self._kept_alive.append(function)
        return ctypes.cast(function, ctypes.c_void_p).value

    # What happens at a point

    def _at(self, operation: Operation, name: str, in_flight: Callable[[], None] = lambda: None) -> Fault | None:
        """Count the point; the fault for the caller to act upon, if any. `in_flight` notes the operation as begun."""
        point = Point(operation, name)
        self.points.append(point)
        planned = None if self._healed else self._faults.get(len(self.points))
        if planned is None:
            return self._lasting
        self._told(planned, point)
        match planned.fault:
            case Fault.KILL:
                self.end(KILLED)
            case Fault.DROPPED:
                self.cut_power(None)
            case Fault.REORDERED:
                in_flight()
                self.cut_power(planned.seed)
        if planned.fault in _LASTING:
            self._lasting = planned.fault
        return planned.fault

    # SQLite's operations

    def _open(self, _vfs: int, name_at: int | None, file_at: int, flags: int, flags_out: int | None) -> int:
        name = None if name_at is None else self._name(os.fsdecode(ctypes.string_at(name_at)))
        syncs_names = bool(flags & _OPEN_NEW_NAMES)
        if name is not None and name not in self.memory.files and flags & _OPEN_CREATE:
            made = partial(self.memory.made, name, syncs_names=syncs_names)
            if self._at(Operation.CREATE, name, made) not in (None, Fault.FULL):
                ctypes.c_void_p.from_address(file_at).value = None
                return _ERRORS[Operation.CREATE]
        result = self._open_there(self._default, name_at, file_at, flags, flags_out)
        table = ctypes.c_void_p.from_address(file_at)
        if result or table.value is None or name is None:
            return int(result)
        if name not in self.memory.files:
            self.memory.made(name, syncs_names=syncs_names)
        original, ours = self._table(table.value)
        self._files[file_at] = (name, self.memory.files[name], original)
        table.value = ctypes.addressof(ours)
        return int(result)

    def _table(self, address: int) -> tuple[_Methods, _Methods]:
        """SQLite's table of a file's functions, and ours; there are several of the first."""
        if address not in self._methods:
            original, ours = _Methods(), _Methods()
            version = ctypes.c_int.from_address(address).value
            if version not in _METHODS_BYTES:
                raise OSError(f"knows versions 1 to 3 of sqlite3_io_methods, not {version}")
            for copy in (original, ours):
                ctypes.memmove(
                    ctypes.addressof(copy), address, _METHODS_BYTES[version] * ctypes.sizeof(ctypes.c_void_p)
                )
            ours.xWrite, ours.xTruncate, ours.xSync = self._replaced
            self._methods[address] = original, ours
        return self._methods[address]

    def _write(self, file_at: int, data_at: int, size: int, offset: int) -> int:
        name, file, original = self._files[file_at]
        data = ctypes.string_at(data_at, size)

        def write(part: int) -> int:
            result = _WRITE(original.xWrite)(file_at, data_at, part, offset)
            if result == sqlite3.SQLITE_OK:
                self.memory.written(file, offset, data[:part])
            return int(result)

        match self._at(Operation.WRITE, name, lambda: self.memory.written(file, offset, data)):
            case None:
                return write(size)
            case Fault.FULL if offset + size <= file.size:
                return write(size)
            case Fault.FULL | Fault.SHORT:
                return write(size // 2) or sqlite3.SQLITE_FULL
            case Fault.TORN:
                write(size // 2)
                self.end(KILLED)
        return _ERRORS[Operation.WRITE]

    def _truncate(self, file_at: int, size: int) -> int:
        name, file, original = self._files[file_at]
        if self._at(Operation.TRUNCATE, name, lambda: self.memory.truncated(file, size)) not in (None, Fault.FULL):
            return _ERRORS[Operation.TRUNCATE]
        result = _TRUNCATE(original.xTruncate)(file_at, size)
        if result == sqlite3.SQLITE_OK:
            self.memory.truncated(file, size)
        return int(result)

    def _sync(self, file_at: int, _flags: int) -> int:
        """The real disk is not waited for: what is durable is what the memory says."""
        name, file, _original = self._files[file_at]
        fault = self._at(Operation.SYNC, name)
        if fault is Fault.LOST:
            self.memory.sync_lost(file)
        if fault not in (None, Fault.FULL):
            return _ERRORS[Operation.SYNC]
        if not self._lies:
            self.memory.synced(file)
        return sqlite3.SQLITE_OK

    def _delete(self, _vfs: int, name_at: int, sync_names: int) -> int:
        name = self._name(os.fsdecode(ctypes.string_at(name_at)))
        if name is not None and name in self.memory.files:
            if self._at(Operation.DELETE, name, lambda: self.memory.removed(name)) not in (None, Fault.FULL):
                return _ERRORS[Operation.DELETE]
            self.memory.removed(name)
            if sync_names:
                self.memory.names_synced()
        return int(self._delete_there(self._default, name_at, 0))

    def _random(self, _vfs: int, size: int, bytes_at: int) -> int:
        ctypes.memmove(bytes_at, self._draw.randbytes(size), size)
        return size

    # Those of `os`

    def _moving(self, operation: Operation, there: Callable[..., None]) -> Callable[..., None]:
        def move(source: Any, target: Any, **more: Any) -> None:
            with self._lock:
                names = self._name(source), self._name(target)
                if names[0] in self.memory.files and names[1] is not None:
                    moved = names[0], names[1]
                    self._os_point(operation, names[1], lambda: self.memory.renamed(*moved))
                there(source, target, **more)
                if names[0] in self.memory.files and names[1] is not None:
                    self.memory.renamed(names[0], names[1])

        return move

    def _unlink(self, path: Any, **more: Any) -> None:
        with self._lock:
            name = self._name(path)
            if name is not None and name in self.memory.files:
                self._os_point(Operation.UNLINK, name, lambda: self.memory.removed(name))
            self._unlink_there(path, **more)
            if name is not None and name in self.memory.files:
                self.memory.removed(name)

    def _fsync(self, descriptor: int) -> None:
        with self._lock:
            path = _path_of(descriptor)
            if path == str(self._directory):
                self._os_point(Operation.FSYNC, ".")
                if not self._lies:
                    self.memory.names_synced()
            elif (name := self._name(path)) in self.memory.files and name is not None:
                self._os_point(Operation.FSYNC, name)
                if not self._lies:
                    self.memory.synced(self.memory.files[name])
            else:
                self._fsync_there(descriptor)

    def _os_open(self, path: Any, flags: int, *more: Any, **named: Any) -> int:
        with self._lock:
            name = self._name(path) if flags & os.O_CREAT else None
            if name is not None and name not in self.memory.files:
                self._os_point(Operation.CREATE, name, lambda: self.memory.made(name))
            elif name is not None and flags & os.O_TRUNC and self.memory.files[name].size:
                file = self.memory.files[name]
                self._os_point(Operation.TRUNCATE, name, lambda: self.memory.truncated(file, 0))
            descriptor = self._os_open_there(path, flags, *more, **named)
            if name is not None and name not in self.memory.files:
                self.memory.made(name)
            elif name is not None and flags & os.O_TRUNC:
                self.memory.truncated(self.memory.files[name], 0)
            return descriptor

    def _os_write(self, descriptor: int, data: Any) -> int:
        with self._lock:
            name = self._name(_path_of(descriptor))
            if name is None or name not in self.memory.files:
                return self._os_write_there(descriptor, data)
            file, offset = self.memory.files[name], os.lseek(descriptor, 0, os.SEEK_CUR)
            match self._at(Operation.WRITE, name, lambda: self.memory.written(file, offset, bytes(data))):
                case None:
                    part = data
                case Fault.FULL | Fault.SHORT:
                    # POSIX.1-2017, write: as many bytes as there is room for are written, and that is no error.
                    part = data[: len(data) // 2]
                case Fault.TORN:
                    self._os_write_there(descriptor, data[: len(data) // 2])
                    self.memory.written(file, offset, bytes(data[: len(data) // 2]))
                    self.end(KILLED)
                case _:
                    raise OSError(errno.EIO, os.strerror(errno.EIO), name)
            if data and not part:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), name)
            done = self._os_write_there(descriptor, part)
            self.memory.written(file, offset, bytes(part[:done]))
            return done

    def _os_point(self, operation: Operation, name: str, in_flight: Callable[[], None] = lambda: None) -> None:
        if self._at(operation, name, in_flight) not in (None, Fault.FULL):
            raise OSError(errno.EIO, os.strerror(errno.EIO), name)

    def _name(self, path: Any) -> str | None:
        """The file's name; None where it is not in the directory, or is an index of a log, which nothing relies on."""
        where, name = os.path.split(str(os.fspath(path)))
        if name.endswith("-shm") or os.path.realpath(where) != str(self._directory):
            return None
        return name


def _path_of(descriptor: int) -> str:
    return os.readlink(f"/proc/self/fd/{descriptor}")


def contents(directory: Path) -> dict[str, bytes]:
    """The files of a directory, without the indices of logs: SQLite makes those anew after a crash."""
    return {path.name: path.read_bytes() for path in directory.iterdir() if not path.name.endswith("-shm")}
