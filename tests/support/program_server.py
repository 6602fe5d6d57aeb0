"""Imports the program once and forks a process for each command that is asked for; see `forked_program`.

Each message comes on a connection of its own, with the three standard ends of the process that is wanted. The process
has a number of its own, its own environment and directory, and can be killed like any other.
"""

import io
import os
import pickle
import selectors
import signal
import socket
import sys
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import NoReturn

from qsyd_daemon import commands
from qsyd_daemon.__main__ import main as main_of_qsyd

MESSAGE_MAX = 1 << 20
HIGHEST_DESCRIPTOR = 4096


def main() -> None:
    """Serve on the path given, until standard input ends."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    listener.bind(sys.argv[1])
    listener.listen(64)
    _import_all()
    ready = selectors.DefaultSelector()
    ready.register(0, selectors.EVENT_READ)
    ready.register(listener, selectors.EVENT_READ)
    print("ready", flush=True)
    while True:
        for key, _ in ready.select():
            if key.fileobj == 0:
                return
            if key.fileobj is listener:
                _begin(listener.accept()[0], ready)
            else:
                _tell_end(key, ready)


def _import_all() -> None:
    for path in commands.__path__:
        for file in Path(path).glob("*.py"):
            import_module(f"qsyd_daemon.commands.{file.stem}")


def _begin(connection: socket.socket, ready: selectors.BaseSelector) -> None:
    message, ends, _, _ = socket.recv_fds(connection, MESSAGE_MAX, 3)
    number = os.fork()
    if number == 0:
        _become(ends, *pickle.loads(message))
    for end in ends:
        os.close(end)
    connection.send(str(number).encode())
    ready.register(os.pidfd_open(number), selectors.EVENT_READ, (number, connection))


def _tell_end(key: selectors.SelectorKey, ready: selectors.BaseSelector) -> None:
    number, connection = key.data
    ready.unregister(key.fd)
    os.close(key.fd)
    _, status = os.waitpid(number, 0)
    with suppress(BrokenPipeError):  # whoever asked for it may have gone
        connection.send(str(os.waitstatus_to_exitcode(status)).encode())
    connection.close()


def _become(ends: list[int], arguments: list[str], environment: dict[str, str], directory: str) -> NoReturn:
    """Go on as `python -m qsyd_daemon` would have begun; never returns."""
    code = 1
    try:
        for number, end in enumerate(ends):
            os.dup2(end, number)
        os.closerange(3, HIGHEST_DESCRIPTOR)
        sys.stdin = io.TextIOWrapper(io.BufferedReader(io.FileIO(0, closefd=False)), encoding="utf-8")
        sys.stdout = io.TextIOWrapper(io.BufferedWriter(io.FileIO(1, "w", closefd=False)), encoding="utf-8")
        sys.stderr = io.TextIOWrapper(
            io.BufferedWriter(io.FileIO(2, "w", closefd=False)), "utf-8", "backslashreplace", line_buffering=True
        )
        os.environ.clear()
        os.environ.update(environment)
        os.chdir(directory)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.argv = ["qsyd", *arguments]
        code = main_of_qsyd(arguments)
    except BaseException:  # noqa: BLE001  # told as an interpreter tells it at its end, then this process ends
        sys.excepthook(*sys.exc_info())
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):  # its reader may have gone, or it was closed
                stream.flush()
        os._exit(code)


if __name__ == "__main__":
    main()
