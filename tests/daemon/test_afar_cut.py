"""What is left of a command from afar when its connection breaks, its terminal hangs or its operator leaves."""

import fcntl
import json
import os
import re
import signal
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from afar import Afar, Cable, station_afar
from live_run import until
from running_daemon import ENVIRONMENT, qsyd

from qsyd_daemon.client import call
from qsyd_daemon.remote import remote

pytestmark = pytest.mark.timeout(120)
F_SETPIPE_SZ = 1031
"""Linux, fcntl(2), from memory."""


@pytest.fixture(scope="module")
def cable() -> Iterator[Cable]:
    with Cable() as laid:
        yield laid


@pytest.fixture(scope="module")
def afar(tmp_path_factory: pytest.TempPathFactory, cable: Cable) -> Iterator[Afar]:
    with station_afar(tmp_path_factory.mktemp("cut"), f", hosts: ['localhost:{cable.port}']") as running:
        yield running


@contextmanager
def lasting(afar: Afar, said: Path, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    """A command that goes on, both its streams in one file."""
    with said.open("wb") as file:
        command = [sys.executable, "-u", "-m", "qsyd_daemon", *words, *afar.options()]
        process = subprocess.Popen(command, stdout=file, stderr=subprocess.STDOUT, env=ENVIRONMENT)
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


def interrupted(process: subprocess.Popen[bytes]) -> int:
    process.send_signal(signal.SIGINT)
    return process.wait(20)


def leases(afar: Afar) -> list[str]:
    _, status = call(afar.daemon.state, "GET", "/v1/status")
    found: list[str] = status["api"]["leases"]
    return found


@pytest.mark.parametrize("words", [("watch", "--json"), ("history", "--follow", "--json", "--since", "1s")])
def test_what_happens_while_the_connection_is_cut_is_told_afterwards_once_each(
    afar: Afar, cable: Cable, tmp_path: Path, words: tuple[str, ...]
) -> None:
    afar.daemon.qsyd("hold", "off")
    said = tmp_path / "said"
    with lasting(cable.seen_through(afar), said, *words) as process:

        def heard(reason: str) -> list[int]:
            rows = [json.loads(line) for line in said.read_text().splitlines() if line.startswith("{")]
            return [row["at"] for row in rows if row["event"] == "hold-started" and row["reason"] == reason]

        def hold_until_heard() -> bool | None:
            if not heard("before"):
                afar.daemon.qsyd("hold", "low-loop", "--for", "5min", "--reason", "before")
            return bool(heard("before")) or None

        until(hold_until_heard, said.read_text)
        cable.cut()
        until(lambda: "cut since 20" in said.read_text() or None, said.read_text)
        for number in range(3):
            afar.daemon.qsyd("hold", "low-loop", "--for", "5min", "--reason", f"meanwhile {number}")
        assert not heard("meanwhile 0")
        cable.seen_through(afar)
        until(lambda: heard("meanwhile 2") or None, said.read_text)
        afar.daemon.qsyd("hold", "low-loop", "--for", "5min", "--reason", "after")
        until(lambda: heard("after") or None, said.read_text)
        assert [len(heard(f"meanwhile {number}")) for number in range(3)] == [1, 1, 1]
        assert re.search(r"connected again; was cut since \S+Z, for \d+ s; what was missed follows", said.read_text())
        assert interrupted(process) == 130
    assert "Traceback" not in said.read_text()


def test_a_lease_whose_connection_is_cut_is_lost_and_its_holder_is_told_when_it_is_back(
    afar: Afar, cable: Cable, tmp_path: Path
) -> None:
    since, said = afar.daemon.mark(), tmp_path / "said"
    with lasting(cable.seen_through(afar), said, "watch", "--lease") as process:
        until(lambda: leases(afar) or None, said.read_text)
        cable.cut()
        cut_s = time.monotonic()
        lost = afar.daemon.wait_for("warning", 20, since, code="lease-lost")
        assert lost["arrived_s"] - cut_s < 2 + 3, "two seconds, on a busy machine"
        assert leases(afar) == []
        cable.seen_through(afar)
        until(lambda: "LEASE LOST" in said.read_text() or None, said.read_text)
        until(lambda: leases(afar) == ["operate-one"] or None, said.read_text)
        until(lambda: "operate is for you to ask for again" in said.read_text() or None, said.read_text)
        assert interrupted(process) == 130
    assert leases(afar) == []


def test_leaving_by_intent_asks_for_standby_and_gives_the_lease_back(afar: Afar, tmp_path: Path) -> None:
    until(lambda: not leases(afar) or None, lambda: "the end of another test's lease")
    since, said = afar.daemon.mark(), tmp_path / "said"
    assert afar.ask("amplifier", "on").returncode == 0
    afar.daemon.wait_status(lambda status: bool(status["amplifier"]["state"] == "standby"), 20)
    assert afar.ask("amplifier", "operate").returncode == 0
    with lasting(afar, said, "watch", "--lease") as process:
        until(lambda: leases(afar) or None, said.read_text)
        assert afar.daemon.status()["amplifier"]["wish"] == "operate"
        assert interrupted(process) == 130
    assert "the amplifier was asked for standby; the lease is given back" in said.read_text()
    status = afar.daemon.status()
    assert (status["amplifier"]["wish"], status["api"]["leases"]) == ("standby", [])
    time.sleep(2.5)
    assert [each for each in afar.daemon.named("warning", since) if each["code"] == "lease-lost"] == []


def test_a_program_that_is_stopped_loses_its_lease(afar: Afar, tmp_path: Path) -> None:
    since, said = afar.daemon.mark(), tmp_path / "said"
    with lasting(afar, said, "watch", "--lease") as process:
        until(lambda: leases(afar) or None, said.read_text)
        process.send_signal(signal.SIGSTOP)
        afar.daemon.wait_for("warning", 20, since, code="lease-lost")
        process.send_signal(signal.SIGCONT)


def test_a_reader_that_hangs_loses_the_lease_though_the_program_runs(afar: Afar) -> None:
    """As a terminal does whose line is gone: nobody sees the station any more, whatever the thread behind could renew."""
    since = afar.daemon.mark()
    command = [sys.executable, "-m", "qsyd_daemon", "watch", "--lease", "--json", *afar.options()]
    out, into = os.pipe()
    fcntl.fcntl(into, F_SETPIPE_SZ, 4096)
    process = subprocess.Popen(command, stdout=into, stderr=subprocess.DEVNULL, env=ENVIRONMENT)
    os.close(into)
    try:
        until(lambda: leases(afar) or None, lambda: "a lease")
        for number in range(60):
            call(afar.daemon.state, "POST", "/v1/hold", {"antenna": "low-loop", "for": "5 min", "reason": f"{number}"})
        afar.daemon.wait_for("warning", 20, since, code="lease-lost")
        assert process.poll() is None
    finally:
        process.kill()
        process.wait(10)
        os.close(out)


def test_presets_of_a_station_that_is_not_reached_are_not_looked_for_on_this_machine(
    afar: Afar, tmp_path: Path
) -> None:
    """Without a daemon here the commands work on the files; those would be another station's."""
    nowhere = replace(afar, port=1)
    home = {"XDG_STATE_HOME": str(tmp_path)}
    table = tmp_path / "table.csv"
    table.write_text("antenna,segment,tune,load\nhill-beam,20m/1,10,20\n")
    save = ("presets", "save", "hill-beam", "20m/1", "--tune", "1", "--load", "2")
    for words in (
        ("presets", "list"),
        save,
        ("presets", "remove", "hill-beam", "20m/1"),
        ("presets", "import", str(table)),
    ):
        done = qsyd(*words, *nowhere.options("administer"), environ=home)
        assert (done.returncode, "nothing listens there" in done.stderr) == (69, True), (words, done.stderr)
    assert list(tmp_path.iterdir()) == [table]

    done = qsyd("presets", "import", str(table), *afar.options("operate"), environ=home)
    assert (done.returncode, "this one is to operate" in done.stderr) == (1, True), done.stderr
    done = qsyd("presets", "import", str(table), *afar.options("administer"), environ=home)
    assert (done.returncode, done.stdout) == (0, "imported: 1 presets\n"), done.stderr
    assert "hill-beam,20m/1,10,20" in afar.ask("presets", "export").stdout
    assert afar.ask("presets", "remove", "hill-beam", "20m/1", role="administer").returncode == 0
    assert list(tmp_path.iterdir()) == [table]


def test_a_self_signed_certificate_serves_where_certificates_are_judged_strictly(afar: Afar) -> None:
    """Python sets both flags by itself since 3.13 (what is new in 3.13, `ssl`; from memory)."""
    way = remote(afar.server, afar.token("watch"), str(afar.directory / "cert.pem"))
    assert way.tls is not None
    way.tls.verify_flags |= ssl.VERIFY_X509_STRICT | ssl.VERIFY_X509_PARTIAL_CHAIN
    assert call(way, "GET", "/v1/version")[0] == 200
