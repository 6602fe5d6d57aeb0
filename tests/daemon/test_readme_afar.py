"""README's chapter on the remote station, followed to the letter: only the name and the port are this machine's."""

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from live_run import until
from running_daemon import ENVIRONMENT, RunningDaemon

README = Path(__file__).parents[2] / "README.md"
CHAPTER = "## A remote station, from nothing to TLS and a token"
STATION = """\
station: Tern Rock
region: 2
rigs: {main: {link: simulated}}
antennas: {mast-beam: {port: 1, bands: [20m]}}
amplifier: {bands: [20m]}
"""


def chapter() -> str:
    text = README.read_text(encoding="utf-8")
    begin = text.index(CHAPTER)
    return text[begin : text.index("\n## ", begin + 1)]


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", chapter(), re.MULTILINE | re.DOTALL)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="there is no openssl on this machine")
@pytest.mark.timeout(120)
def test_the_chapter_can_be_followed_from_nothing(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]

    def here(text: str) -> str:
        return (
            text.replace("station.example:8443", f"localhost:{port}")
            .replace("station.example", "localhost")
            .replace("0.0.0.0:8443", f"127.0.0.1:{port}")
        )

    bin_directory = tmp_path / "bin"
    bin_directory.mkdir()
    (bin_directory / "qsyd").write_text(f'#!/bin/sh\nexec {sys.executable} -m qsyd_daemon "$@"\n')
    (bin_directory / "qsyd").chmod(0o755)
    environ = {**ENVIRONMENT, "PATH": f"{bin_directory}:{os.environ['PATH']}"}

    def follow(commands: str, where: Path) -> subprocess.CompletedProcess[str]:
        words = ["/bin/sh", "-e", "-c", here(commands)]
        return subprocess.run(
            words, cwd=where, env=environ, capture_output=True, text=True, timeout=60, check=False
        )  # fmt: skip

    make, run, desk = blocks("sh")
    (api,) = blocks("yaml")
    home, away = tmp_path / "station", tmp_path / "desk"
    home.mkdir()
    away.mkdir()
    made = follow(make, home)
    assert made.returncode == 0, made.stderr
    (home / "station.yaml").write_text(STATION + here(api))
    check, start = run.strip().splitlines()
    checked = follow(check, home)
    assert checked.returncode == 0, checked.stderr
    assert start == "qsyd run station.yaml --state ./state"
    with RunningDaemon(home / "station.yaml", home / "state") as daemon:
        daemon.wait_for("placed", 20)
        shutil.copy(home / "state" / "station.pem", away)
        shutil.copy(home / "me.token", away)
        *looks, watch = desk.strip().splitlines()
        assert watch == "qsyd watch --lease"
        seen = follow("\n".join(looks), away)
        assert seen.returncode == 0, seen.stderr
        assert "Tern Rock" in seen.stdout
        assert "standby" in seen.stdout

        exports = next(line for line in looks if line.startswith("export"))
        lasting = subprocess.Popen(
            ["/bin/sh", "-c", here(f"{exports}; exec {watch}")], cwd=away, env=environ, stdout=subprocess.DEVNULL
        )
        try:
            until(lambda: daemon.status()["api"]["leases"] == ["me"] or None, lambda: "a lease")
        finally:
            lasting.kill()
            lasting.wait(10)
        page = follow("curl -sS --cacert station.pem https://station.example:8443/", away)
        assert "<title>qsyd</title>" in page.stdout, page.stderr


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd-analyze on this machine")
def test_the_unit_is_well_formed_and_shut_tight(tmp_path: Path) -> None:
    """`security --offline` counts exposure from 0 to 10; the project's own bound is 2.5."""
    (unit,) = blocks("ini")
    program = tmp_path / "qsyd"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    path = tmp_path / "qsyd.service"
    path.write_text(unit.replace("/opt/qsyd/bin/qsyd", str(program)).replace("User=qsyd", "User=daemon"))

    verified = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False)
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--threshold=25", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip

    about = [line for line in verified.stderr.splitlines() if "qsyd.service" in line]
    assert about == [], verified.stderr
    exposure = re.search(r"exposure level for \S+: ([\d.]+)", judged.stdout)
    assert exposure is not None, judged.stdout + judged.stderr
    print(f"\nexposure {exposure[1]}")
    assert judged.returncode == 0, judged.stdout[-500:]
