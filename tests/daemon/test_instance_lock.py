"""One daemon a state directory, whatever became of the one before."""

import os
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from qsyd_daemon.instance_lock import LOCK_FILE, AlreadyRunning, InstanceLock
from qsyd_daemon.state_directory import StateDirectoryError, make_state_directory, state_directory

DAEMON = Path(__file__).parents[2] / "daemon"
HOLD = f"""
import sys; sys.path.insert(0, {str(DAEMON)!r})
from pathlib import Path
from qsyd_daemon.instance_lock import InstanceLock
lock = InstanceLock.acquire(Path(sys.argv[1]), "a holder")
print("held", flush=True)
sys.stdin.read()
"""


def holder(directory: Path) -> "subprocess.Popen[str]":
    process = subprocess.Popen(
        [sys.executable, "-S", "-c", HOLD, str(directory)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def kill(process: "subprocess.Popen[str]") -> None:
    process.kill()
    process.communicate()


def test_a_second_daemon_is_told_who_holds_the_directory(tmp_path: Path) -> None:
    process = holder(tmp_path)
    started = time.monotonic()
    with pytest.raises(AlreadyRunning) as raised:
        InstanceLock.acquire(tmp_path, "a second")
    took_s = time.monotonic() - started
    kill(process)

    assert raised.value.holder.startswith(f"a holder, process {process.pid}, since 2")
    assert str(tmp_path) in str(raised.value)
    assert took_s < 1


def test_every_start_right_after_a_kill_succeeds(tmp_path: Path) -> None:
    for _ in range(15):
        kill(holder(tmp_path))
        InstanceLock.acquire(tmp_path, "the next").close()


@pytest.mark.parametrize("content", [b"", b"a holder, process 1, since ever\n", b"\x00\xff\x1b[2J", b"9" * 10_000])
def test_what_a_lock_file_says_decides_nothing(tmp_path: Path, content: bytes) -> None:
    (tmp_path / LOCK_FILE).write_bytes(content)

    with InstanceLock.acquire(tmp_path, "this one"):
        assert (tmp_path / LOCK_FILE).read_text().startswith(f"this one, process {os.getpid()}, since ")


def test_a_holder_that_wrote_nothing_is_another_process(tmp_path: Path) -> None:
    with InstanceLock.acquire(tmp_path, "this one"):
        (tmp_path / LOCK_FILE).write_bytes(b"")
        with pytest.raises(AlreadyRunning) as raised:
            InstanceLock.acquire(tmp_path, "a second")

    assert raised.value.holder == "another process"


def test_a_directory_that_was_removed_meanwhile_is_locked_anew(tmp_path: Path) -> None:
    """The old lock is on a file that nobody can open any more; the directory of today must not be shared."""
    with InstanceLock.acquire(tmp_path, "the first"):
        (tmp_path / LOCK_FILE).unlink()
        with InstanceLock.acquire(tmp_path, "the second"), pytest.raises(AlreadyRunning, match="the second"):
            InstanceLock.acquire(tmp_path, "the third")


def test_programs_that_the_daemon_starts_do_not_inherit_the_lock(tmp_path: Path) -> None:
    with InstanceLock.acquire(tmp_path, "this one"):
        child = subprocess.Popen(["sleep", "30"], close_fds=False)
    try:
        InstanceLock.acquire(tmp_path, "the next").close()
    finally:
        child.kill()
        child.wait()


def test_the_state_directory_is_made_for_its_owner_alone(tmp_path: Path) -> None:
    directory = tmp_path / "a" / "b"
    InstanceLock.acquire(directory, "this one").close()

    assert stat.S_IMODE(directory.stat().st_mode) == 0o700
    assert stat.S_IMODE((directory / LOCK_FILE).stat().st_mode) == 0o600


def test_a_lock_file_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / LOCK_FILE).symlink_to(tmp_path / "elsewhere")

    with pytest.raises(StateDirectoryError, match="cannot be locked"):
        InstanceLock.acquire(tmp_path, "this one")


def test_a_file_in_the_place_of_the_directory_is_told(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("")

    with pytest.raises(StateDirectoryError, match="is a file"):
        make_state_directory(tmp_path / "state")


@pytest.mark.parametrize(
    ("option", "environ", "expected"),
    [
        ("/a", {"STATE_DIRECTORY": "/b", "XDG_STATE_HOME": "/c"}, "/a"),
        (None, {"STATE_DIRECTORY": "/b", "XDG_STATE_HOME": "/c"}, "/b"),
        (None, {"STATE_DIRECTORY": "/b:/b2"}, "/b"),
        (None, {"STATE_DIRECTORY": "", "XDG_STATE_HOME": "/c"}, "/c/qsyd"),
        (None, {"HOME": "/home/op", "XDG_STATE_HOME": ""}, "/home/op/.local/state/qsyd"),
        (None, {"HOME": "/home/op", "XDG_STATE_HOME": "not/absolute"}, "/home/op/.local/state/qsyd"),
        (None, {"HOME": "/home/op"}, "/home/op/.local/state/qsyd"),
    ],
)
def test_where_the_state_is(option: str | None, environ: dict[str, str], expected: str) -> None:
    assert state_directory(option, environ) == Path(expected)


def test_a_relative_option_is_meant_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)

    assert state_directory("state", {}) == tmp_path / "state"


def test_an_empty_option_is_refused() -> None:
    with pytest.raises(StateDirectoryError, match="give a path"):
        state_directory("", {})
