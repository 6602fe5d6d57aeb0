"""The tests that a station file holds for itself, read but not run."""

from qsyd_daemon.station_file.build_station import Names
from qsyd_daemon.station_file.errors import nearest
from qsyd_daemon.station_file.findings import Findings
from qsyd_daemon.station_file.model import ExpectKeys, StationKeys
from qsyd_daemon.station_file.settings import Expected, FileTest
from qsyd_daemon.station_file.yaml_tree import Location, place_at
from qsyd_rules.words import Mode


def tests_of(keys: StationKeys, names: Names, findings: Findings) -> tuple[FileTest, ...]:
    """Every test that says where and what, in file order; the others are reported."""
    tests = []
    for index, test in enumerate(keys.tests):
        here: Location = ("tests", index)
        if test.frequency is None and findings.is_whole(*here):
            findings.error(here, "the test has no `frequency`", "write one, such as `frequency: 14.205 MHz`")
        if (test.expect is None or not test.expect.model_fields_set) and findings.is_whole(*here):
            findings.error(
                here, "the test expects nothing", "write `expect: {antenna: NAME}`, or a segment, band or drive"
            )
        if test.frequency is None or test.expect is None:
            continue
        mode = None if test.mode is None else Mode(test.mode)
        expect = _expect(test.expect, (*here, "expect"), names, findings, keys.region)
        tests.append(FileTest(test.frequency, mode, test.at, expect, *place_at(findings.root, here)))
    return tuple(tests)


def _expect(keys: ExpectKeys, here: Location, names: Names, findings: Findings, region: int) -> dict[str, Expected]:
    if keys.antenna is not None and keys.antenna not in names.antennas:
        findings.error(
            (*here, "antenna"), f"there is no antenna `{keys.antenna}`", nearest(keys.antenna, names.antennas)
        )
    if keys.band is not None:
        names.check_band(keys.band, (*here, "band"), findings, region)
    if keys.segment is not None:
        names.check_segment(keys.segment, (*here, "segment"), findings)
    return {
        key: Expected(getattr(keys, key), *place_at(findings.root, (*here, key)))
        for key in type(keys).model_fields
        if key in keys.model_fields_set
    }
