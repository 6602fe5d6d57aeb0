"""Copies of the station files that were in force."""

import hashlib
import os
import stat
from pathlib import Path

from running_daemon import RunningDaemon, write_station

from qsyd_daemon.kept_files import KEPT_DIRECTORY, KEPT_MOST, keep_station_file, kept_station_file

STATION = """\
station: Sandbar End
region: 2
rigs: {main: {link: simulated}}
antennas:
  beam: {port: 1, bands: [20m]}
"""


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def test_a_copy_is_kept_for_its_owner_alone_and_found_by_its_digest(tmp_path: Path) -> None:
    file = tmp_path / "station.yaml"
    file.write_bytes(b"station: A\n")
    sha256 = digest(b"station: A\n")
    assert kept_station_file(tmp_path, sha256) is None
    assert keep_station_file(tmp_path, file, sha256) is None
    assert keep_station_file(tmp_path, file, sha256) is None

    kept = kept_station_file(tmp_path, sha256)
    assert kept is not None
    assert kept.read_bytes() == b"station: A\n"
    assert [stat.S_IMODE(path.stat().st_mode) for path in (kept, kept.parent)] == [0o600, 0o700]
    assert [path.name for path in kept.parent.iterdir()] == [f"{sha256}.yaml"]


def test_a_file_that_changed_meanwhile_or_cannot_be_written_is_said_and_nothing_is_kept(tmp_path: Path) -> None:
    file = tmp_path / "station.yaml"
    file.write_bytes(b"station: B\n")
    told = keep_station_file(tmp_path, file, digest(b"station: A\n"))
    assert told == f"{file} has changed since it was read; no copy of what is in force was kept"
    assert keep_station_file(tmp_path, tmp_path / "none.yaml", digest(b"")) == (
        "no copy of the station file was kept: No such file or directory"
    )
    (tmp_path / KEPT_DIRECTORY).write_text("in the way")
    told = keep_station_file(tmp_path, file, digest(b"station: B\n"))
    assert told is not None
    assert told.startswith("no copy of the station file was kept: ")


def test_only_the_newest_are_kept(tmp_path: Path) -> None:
    file = tmp_path / "station.yaml"
    digests = []
    for number in range(KEPT_MOST + 3):
        file.write_text(f"station: S{number}\n")
        digests.append(digest(file.read_bytes()))
        assert keep_station_file(tmp_path, file, digests[-1]) is None
        os.utime(tmp_path / KEPT_DIRECTORY / f"{digests[-1]}.yaml", (number, number))
    assert [kept_station_file(tmp_path, each) is not None for each in digests] == [False] * 3 + [True] * KEPT_MOST


def test_a_running_daemon_keeps_its_own(tmp_path: Path) -> None:
    file = write_station(tmp_path / "station.yaml", [STATION])
    with RunningDaemon(file, tmp_path / "state") as daemon:
        told = daemon.wait_for("station-started")
        daemon.wait_for("placed")
        assert daemon.stop() == 0
    assert told["file_sha256"] == digest(file.read_bytes())
    kept = kept_station_file(tmp_path / "state", told["file_sha256"])
    assert kept is not None
