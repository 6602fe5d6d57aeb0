"""A voice on a pseudo-terminal: for whoever opens the other end it is a serial port with a device on it."""

import asyncio
import contextlib
import os
import pty
import tty
from pathlib import Path

from qsyd_simulators.paced_sender import PacedSender
from qsyd_simulators.voice import Voice

_READ_BYTES = 4096


class PtyPort:
    """Serves one voice. The far end may close and open as it likes; `close` is the cable being pulled out.

    The port keeps its own descriptor of the far side, so that a far end that closes is not a hang-up here. What it
    sends while nobody reads waits in the kernel's buffer, about 4 kB, and is lost beyond that, as on a real line.
    """

    def __init__(self, voice: Voice, link_path: str | Path) -> None:
        """`link_path` becomes a symbolic link to the far end's device file."""
        self._voice = voice
        self._link = Path(link_path)
        self._near = -1
        self._far = -1
        self._sender: PacedSender | None = None
        self.lost_bytes = 0
        """Bytes sent that found the line's buffer full."""

    @property
    def path(self) -> str:
        """What a serial library opens."""
        return str(self._link)

    async def start(self) -> None:
        """Open the port on the running loop; raises `OSError` where the link cannot be made."""
        self._near, self._far = _linked_pty(self._link)
        sender = self._sender = PacedSender(self._voice, self._write)
        self._voice.on_report = sender.report
        asyncio.get_running_loop().add_reader(self._near, self._read, sender)

    async def close(self) -> None:
        """Pull the cable: the far end meets a hang-up. `start` plugs it in again, at the same path."""
        if self._sender is None:
            return
        self._voice.on_report = None
        self._sender.cancel()
        self._sender = None
        asyncio.get_running_loop().remove_reader(self._near)
        with contextlib.suppress(OSError):
            if os.readlink(self._link) == os.ttyname(self._far):
                self._link.unlink()
        os.close(self._near)
        os.close(self._far)

    def _read(self, sender: PacedSender) -> None:
        try:
            data = os.read(self._near, _READ_BYTES)
        except BlockingIOError:
            return
        sender.hear(data)

    def _write(self, data: bytes) -> None:
        try:
            sent = os.write(self._near, data)
        except BlockingIOError:
            sent = 0
        self.lost_bytes += len(data) - sent


def _linked_pty(link: Path) -> tuple[int, int]:
    """Open a raw pseudo-terminal whose far side `link` leads to; a symbolic link left there before is replaced."""
    if os.path.lexists(link) and not link.is_symlink():
        raise FileExistsError(f"{link} exists and is no symbolic link; give another path or remove it")
    near, far = pty.openpty()
    try:
        tty.setraw(far)
        os.set_blocking(near, False)
        replacement = link.with_name(f".{link.name}.{os.getpid()}")
        replacement.symlink_to(os.ttyname(far))
        replacement.replace(link)
    except OSError:
        os.close(near)
        os.close(far)
        raise
    return near, far
