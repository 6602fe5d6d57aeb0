"""Reads a station file: all that is wrong with it at once, or what it means."""

import hashlib
import os
import stat
from dataclasses import replace
from pathlib import Path

from qsyd_daemon.band_data import load_band_tables
from qsyd_daemon.station_file.build_api import api_of
from qsyd_daemon.station_file.build_outputs import judge_estimate, judge_matching, judge_ports, outputs_of, rig_links_of
from qsyd_daemon.station_file.build_rules import rules_of
from qsyd_daemon.station_file.build_station import station_of
from qsyd_daemon.station_file.build_tests import tests_of
from qsyd_daemon.station_file.defaults import defaults_of
from qsyd_daemon.station_file.errors import Problem, StationFileError
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.settings import StationFile
from qsyd_daemon.station_file.validate import validated
from qsyd_daemon.station_file.yaml_tree import place_at, read_tree

SIZE_MAX = 4 * 1024 * 1024
"""Bytes of the largest station file that is read."""


def load_station(path: Path) -> StationFile:
    """Read and judge a station file. Raises StationFileError with everything that is wrong with it."""
    return station_from_text(_text(path), path)


def station_from_text(text: str, path: Path) -> StationFile:
    """The same from text at hand; `path` is only named. Raises StationFileError."""
    root, problems = read_tree(text)
    if root is None:
        nothing = Problem(1, 1, "the file is empty", "begin with `station: NAME`")
        raise StationFileError(path, problems or [nothing])
    findings = Findings(root, problems)
    models = validated(findings)
    if models is None:
        raise StationFileError(path, findings.errors)
    findings.settle()
    keys, outputs = models
    station, names = station_of(keys, load_band_tables(), findings)
    rig_links = rig_links_of(keys, findings)
    settings = outputs_of(keys, outputs, findings)
    judge_ports(keys, outputs, findings)
    judge_estimate(keys, outputs, findings)
    judge_matching(keys, outputs, findings)
    rules = rules_of(keys, outputs, names, findings)
    tests = tests_of(keys, names, findings)
    api = api_of(keys.api, findings)
    if findings.errors:
        raise StationFileError(path, (*findings.errors, *findings.warnings))
    station = replace(station, rules=rules)
    if keys.tune_up.set_dial and station.amplifier is not None:
        followed = station.amplifier.follows
        rig_links = {**rig_links, followed: replace(rig_links[followed], sets_frequency=True)}
    defaults = defaults_of(keys, outputs, station)
    places = {key: place_at(root, (key,), key=True) for key in ("station", "api", "amplifier")}
    places |= {f"rigs.{name}": place_at(root, ("rigs", name), key=True) for name in rig_links}
    return StationFile(
        path,
        station,
        rig_links,
        settings,
        tests,
        findings.warnings,
        keys.tune_up.key_down,
        defaults,
        api,
        places,
        sha256_of(text),
        {rule.name: findings.line_of(("rules", number)) for number, rule in enumerate(rules)},
    )


def sha256_of(text: str) -> str:
    """The digest of a station file's bytes, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _text(path: Path) -> str:
    """The file as text. Never waits: what is not an ordinary file is refused."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as file:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise _unreadable(path, "it is not an ordinary file", "name a file")
            data = file.read(SIZE_MAX + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _unreadable(path, f"cannot be read: {reason}", "name a file that can be read") from error
    if len(data) > SIZE_MAX:
        raise _unreadable(path, f"more than {SIZE_MAX // 1024 // 1024} MiB", "a station file is a few kilobytes")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _unreadable(path, "the file is UTF-16 or UTF-32", "save it as UTF-8")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8")
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        problem = Problem(line, column, f"byte 0x{data[error.start]:02X} is not UTF-8", "save the file as UTF-8")
        raise StationFileError(path, [problem]) from error


def _unreadable(path: Path, text: str, hint: str) -> StationFileError:
    return StationFileError(path, [Problem(1, 1, text, hint)])
