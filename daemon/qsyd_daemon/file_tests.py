"""A station file proves itself: what its own tests expect, and what they find."""

from qsyd_daemon.explanation import Question
from qsyd_daemon.station_file.errors import Problem
from qsyd_daemon.station_file.settings import FileTest, StationFile
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.preset import Presets
from qsyd_rules.quantity import format_frequency


def failures(file: StationFile, atlas: Atlas, presets: Presets) -> list[Problem]:
    """What the tests of the file expect and do not get, each at its place."""
    return [problem for test in file.tests for problem in _failures(atlas, presets, test)]


def _failures(atlas: Atlas, presets: Presets, test: FileTest) -> list[Problem]:
    question = Question(test.frequency_hz, test.mode, atlas.station.followed, test.at_minute)
    placement = atlas.place(question.situation(), presets)
    problems = []
    for key, expected in test.expect.items():
        found = _found(placement, key)
        if found != expected.value:
            text = f"test: {format_frequency(test.frequency_hz)} should have {key} {_word(expected.value)}"
            problems.append(
                Problem(expected.line, expected.column, f"{text}, has {_word(found)}", "`qsyd explain` tells why")
            )
    return problems


def _found(placement: Placement, key: str) -> str | int | bool | None:
    match key:
        case "antenna":
            return placement.antenna.name if placement.antenna else None
        case "segment":
            return placement.segment.name if placement.segment else None
        case "band":
            return placement.band.name if placement.band else None
        case "drive":
            return placement.drive_w
        case "inhibited":
            return bool(placement.inhibits)
        case "amplifier":
            return "standby" if placement.barefoot_because is not None else "operate"
        case _:
            raise AssertionError(f"no test can expect {key}")


def _word(value: str | int | bool | None) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)
