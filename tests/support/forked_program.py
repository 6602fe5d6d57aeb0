"""Commands of qsyd in processes of their own, without starting an interpreter and importing the program for each.

`program_server` has imported everything and forks: on a slow machine a command is there in 30 ms and not in a second.
What begins with the interpreter itself (closed standard ends, a module search path of its own) is started as users do.
"""

import atexit
import os
import pickle
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import IO

SERVER = Path(__file__).with_name("program_server.py")
ROOT = Path(__file__).resolve().parents[2]
SOURCES = os.pathsep.join(str(ROOT / house) for house in ("daemon", "rules", "simulators"))


@cache
def _server() -> str:
    """Where the server listens; it ends with this process."""
    path = tempfile.mkdtemp(prefix="qsyd-tests-") + "/programs"
    process = subprocess.Popen(
        [sys.executable, str(SERVER), path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": SOURCES},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    atexit.register(_end, process)
    return path


def _end(process: subprocess.Popen[bytes]) -> None:
    with process:  # its standard input ends
        pass


class Forked:
    """One process, with what tests use of `subprocess.Popen`; what is piped is text."""

    def __init__(
        self, arguments: Sequence[str], environment: Mapping[str, str], *, stdin: int, stdout: int, stderr: int
    ) -> None:
        """Each end is a descriptor, `subprocess.PIPE` or `DEVNULL`; `stderr` may be `subprocess.STDOUT`."""
        self.returncode: int | None = None
        self._theirs: list[int] = []
        self.stdin: IO[str] | None = None
        self.stdout: IO[str] | None = None
        self.stderr: IO[str] | None = None
        inward = self._inward(stdin)
        outward, self.stdout = self._outward(stdout)
        errors, self.stderr = (outward, None) if stderr == subprocess.STDOUT else self._outward(stderr)
        self._connection = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._connection.connect(_server())
        message = pickle.dumps((list(arguments), dict(environment), os.getcwd()))
        socket.send_fds(self._connection, [message], [inward, outward, errors])
        self.pid = int(self._connection.recv(100))
        for end in self._theirs:
            os.close(end)

    def _inward(self, asked: int) -> int:
        if asked != subprocess.PIPE:
            return self._opened(asked)
        theirs, ours = os.pipe()
        self.stdin = os.fdopen(ours, "w", encoding="utf-8")
        self._theirs.append(theirs)
        return theirs

    def _outward(self, asked: int) -> tuple[int, IO[str] | None]:
        if asked != subprocess.PIPE:
            return self._opened(asked), None
        ours, theirs = os.pipe()
        self._theirs.append(theirs)
        return theirs, os.fdopen(ours, encoding="utf-8", errors="backslashreplace")

    def _opened(self, asked: int) -> int:
        if asked != subprocess.DEVNULL:
            return asked
        nowhere = os.open(os.devnull, os.O_RDWR)
        self._theirs.append(nowhere)
        return nowhere

    def poll(self) -> int | None:
        """Its exit code, None while it lives."""
        try:
            return self.wait(0.0)
        except subprocess.TimeoutExpired:
            return None

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code once it has ended. Raises `subprocess.TimeoutExpired`."""
        if self.returncode is None:
            self._connection.settimeout(timeout)
            try:
                self.returncode = int(self._connection.recv(100))
            except (TimeoutError, BlockingIOError):
                raise subprocess.TimeoutExpired("qsyd", timeout or 0.0) from None
            self._connection.close()
        return self.returncode

    def send_signal(self, number: signal.Signals) -> None:
        """Nothing happens where it has ended already."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def run(arguments: Sequence[str], environment: Mapping[str, str], within_s: float) -> subprocess.CompletedProcess[str]:
    """One command to its end, with nothing on its standard input."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = Forked(arguments, environment, stdin=subprocess.DEVNULL, stdout=out.fileno(), stderr=err.fileno())
        try:
            code = process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        said = []
        for file in (out, err):
            file.seek(0)
            said.append(file.read().decode("utf-8", "backslashreplace").replace("\r\n", "\n"))
    return subprocess.CompletedProcess(list(arguments), code, *said)
