"""Readers and devices that go away: an error to handle, and never the end of the daemon."""

import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

from forked_program import SOURCES
from live_run import PATIENCE_S, ask, until

from qsyd_daemon.client import call

STATION = """
station: Marsh End
region: 2
rigs:
  main: {{link: simulated, protocol: ascii-cat}}
antennas:
  long-wire: {{port: 1, bands: [20m]}}
amplifier: {{warm_up: 1 s}}
outputs:
  box:
    kind: device
    link: tcp:127.0.0.1:{port}
    commands: {{inhibit-transmit: "HOLD\\n", release-transmit: "FREE\\n", amplifier-on: "HEAT\\n", select-antenna: "P\\n"}}
    acknowledge: '^OK'
    timeout: 100 ms
"""


def serve_and_slam(server: socket.socket, slammed: threading.Event) -> None:
    """A box that closes each connection at its first line, with what it was sent unread."""
    while True:
        try:
            near, _ = server.accept()
        except OSError:
            return
        near.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        near.recv(1)
        near.close()
        slammed.set()


def test_log_events_and_a_device_that_go_away_do_not_end_the_daemon(tmp_path: Path) -> None:
    server, slammed = socket.create_server(("127.0.0.1", 0)), threading.Event()
    threading.Thread(target=serve_and_slam, args=(server, slammed), daemon=True).start()
    station, state = tmp_path / "station.yaml", tmp_path / "s"
    station.write_text(STATION.format(port=server.getsockname()[1]))
    words = ["run", str(station), "--state", str(state), "--events", "-"]
    daemon = subprocess.Popen(
        [sys.executable, "-m", "qsyd_daemon", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": SOURCES},
    )
    assert daemon.stdout is not None
    assert daemon.stderr is not None
    daemon.stderr.readline()
    daemon.stdout.readline()
    daemon.stdout.close()
    daemon.stderr.close()

    until(lambda: ask(["status", "--state", str(state)]) == 0 or None, lambda: "a daemon that answers")
    for _ in range(3):
        slammed.clear()
        assert slammed.wait(PATIENCE_S)
        call(state, "POST", "/v1/amplifier", {"request": "on"})
    assert daemon.poll() is None
    assert call(state, "GET", "/v1/status")[0] == 200

    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(PATIENCE_S) == 0
    server.close()
