"""Presets as CSV and as JSON: what is accepted, and what every bad row is told."""

import csv
import io
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.preset_table import (
    COLUMNS,
    TABLE_BYTES_MAX,
    PresetTableError,
    preset_from_json,
    preset_to_json,
    read_table,
    write_table,
)
from qsyd_rules.preset import Preset

HEADER = "antenna,segment,tune,load"
FULL = Preset(
    antenna="harbour-wire",
    segment="80m/2",
    tune=1200,
    load=800,
    drive_w=45,
    forward_w=1400,
    reflected_w=12,
    grid_ma=80,
    saved_at="2026-03-01T18:30:00Z",
    low_hz=3_600_000,
    high_hz=3_700_000,
)


def faults(text: str | bytes) -> list[str]:
    with pytest.raises(PresetTableError) as raised:
        read_table(text.encode() if isinstance(text, str) else text, "p.csv")
    return list(raised.value.errors)


def test_the_table_has_these_columns_and_empty_cells_for_what_is_not_known() -> None:
    assert write_table([Preset("low-loop", "40m/1", 3, 4), FULL]) == (
        "antenna,segment,tune,load,drive_w,forward_w,reflected_w,grid_ma,saved_at,low_hz,high_hz\n"
        "harbour-wire,80m/2,1200,800,45,1400,12,80,2026-03-01T18:30:00Z,3600000,3700000\n"
        "low-loop,40m/1,3,4,,,,,,,\n"
    )


letters = "azAZ09"
names = st.builds(str.__add__, st.sampled_from(letters), st.text(letters + "_./-", max_size=20))
segments = st.builds(lambda band, n: f"{band}/{n}", st.sampled_from(["80m", "1.25m", "70cm"]), st.integers(1, 99))
amounts = st.none() | st.integers(0, 2000)
times = st.none() | st.datetimes().map(lambda at: at.isoformat() + "Z")
edges = st.just((None, None)) | st.tuples(st.integers(0, 10**9), st.integers(10**9 + 1, 10**10))


@st.composite
def presets(draw: st.DrawFn) -> Preset:
    low_hz, high_hz = draw(edges)
    return Preset(
        antenna=draw(names),
        segment=draw(segments),
        tune=draw(st.integers(0, 1_000_000)),
        load=draw(st.integers(0, 1_000_000)),
        drive_w=draw(amounts),
        forward_w=draw(amounts),
        reflected_w=draw(amounts),
        grid_ma=draw(amounts),
        saved_at=draw(times),
        low_hz=low_hz,
        high_hz=high_hz,
    )


def key(preset: Preset) -> tuple[str, str]:
    return preset.antenna, preset.segment


@given(st.lists(presets(), unique_by=key))
def test_what_was_exported_is_imported_the_same(saved: list[Preset]) -> None:
    assert read_table(write_table(saved).encode(), "p.csv") == sorted(saved, key=key)


@given(st.lists(presets(), min_size=1, unique_by=key), st.lists(st.integers(0, 1000), min_size=1, max_size=4))
def test_positions_of_a_matching_unit_follow_in_a_column_of_their_own(saved: list[Preset], matching: list[int]) -> None:
    """A table without any keeps to the eleven columns; with some, the eleven come first."""
    assert write_table(saved).splitlines()[0] == ",".join(COLUMNS)

    matched = [replace(saved[0], matching=tuple(matching)), *saved[1:]]
    text = write_table(matched)

    assert text.splitlines()[0] == ",".join(COLUMNS) + ",matching"
    assert read_table(text.encode(), "p.csv") == sorted(matched, key=key)


@pytest.mark.parametrize("cell", ["1 -1", "1.5", "1,2", "x", "1000001"])
def test_positions_that_are_none_are_told_with_their_line(cell: str) -> None:
    text = f'{HEADER},matching\nwire,80m/1,1,2,"{cell}"\n'

    assert faults(text) == [
        f"p.csv:2: error: matching must be whole numbers from 0 to 1000000 with a blank between, not {cell!r}"
    ]


@given(presets(), st.lists(st.integers(0, 1000), max_size=4))
def test_what_was_written_as_json_is_read_the_same(preset: Preset, matching: list[int]) -> None:
    value = json.loads(json.dumps(preset_to_json(preset) | {"matching": matching}))

    assert preset_to_json(preset_from_json(value)) == value


@given(
    st.lists(presets(), unique_by=key, max_size=4), st.randoms(), st.sampled_from(["\n", "\r\n", "\r"]), st.booleans()
)
def test_column_order_line_ends_quotes_and_byte_order_mark_do_not_matter(
    saved: list[Preset], random: Any, line_end: str, mark: bool
) -> None:
    """As a spreadsheet may write it (RFC 4180, and the variations it names)."""
    rows = list(csv.DictReader(io.StringIO(write_table(saved))))
    order = random.sample(COLUMNS, len(COLUMNS))
    text = io.StringIO()
    writer = csv.DictWriter(text, order, lineterminator=line_end, quoting=csv.QUOTE_ALL)
    writer.writeheader()
    writer.writerows(rows)

    assert read_table(text.getvalue().encode("utf-8-sig" if mark else "utf-8"), "p.csv") == sorted(saved, key=key)


@given(st.binary(max_size=300) | st.text(max_size=300).map(lambda text: f"{HEADER}\n{text}".encode("utf-8", "replace")))
def test_any_bytes_are_presets_or_errors_of_one_line_each(data: bytes) -> None:
    errors: tuple[str, ...] = ()
    presets_read = None
    try:
        presets_read = read_table(data, "p.csv")
    except PresetTableError as error:
        errors = error.errors

    assert (presets_read is None) == bool(errors)
    assert all(line.startswith("p.csv:") and ": error: " in line and line.isprintable() for line in errors)


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("wire,80m/1,1", "3 cells where the header has 4 columns"),
        ("wire,80m/1,,2", "tune is missing"),
        ("wire,80m/1,-1,2", "tune must be a whole number from 0 to 1000000, not '-1'"),
        ("wire,80m/1,12.0,2", "tune must be a whole number from 0 to 1000000, not '12.0'"),
        ("wire,80m/1,1_000,2", "tune must be a whole number from 0 to 1000000, not '1_000'"),
        ("wire,80m/1,1,٣", "load must be a whole number from 0 to 1000000, not '٣'"),
        ("wire,80m,1,2", "segment must be BAND/N, such as 80m/1, not '80m'"),
        ("wire,80m/0,1,2", "segment must be BAND/N, such as 80m/1, not '80m/0'"),
        ("=1+1,80m/1,1,2", "antenna must be letters, digits and - _ . / beginning with a letter or digit, not '=1+1'"),
        ("@x,80m/1,1,2", "antenna must be letters, digits and - _ . / beginning with a letter or digit, not '@x'"),
        ("-x,80m/1,1,2", "antenna must be letters, digits and - _ . / beginning with a letter or digit, not '-x'"),
        (
            "a\u202eb,80m/1,1,2",
            "antenna must be letters, digits and - _ . / beginning with a letter or digit, not 'a\\u202eb'",
        ),
    ],
)
def test_a_bad_row_is_named_by_its_line(row: str, expected: str) -> None:
    assert faults(f"{HEADER}\nwire,40m/1,1,2\n{row}\n") == [f"p.csv:3: error: {expected}"]


@pytest.mark.parametrize(
    ("column", "cell", "expected"),
    [
        ("drive_w", "2001", "drive_w must be a whole number from 0 to 2000, not '2001'"),
        ("low_hz", "3500000", "low_hz and high_hz go together: give both or none"),
        ("low_hz,high_hz", "3600000,3600000", "low_hz 3600000 must be below high_hz 3600000"),
        ("saved_at", "yesterday", "saved_at must be a UTC time such as 2026-03-01T18:30:00Z, not 'yesterday'"),
        (
            "saved_at",
            "2026-02-30T00:00:00Z",
            "saved_at must be a UTC time such as 2026-03-01T18:30:00Z, not '2026-02-30T00:00:00Z'",
        ),
        (
            "saved_at",
            "2026-02-03T00:00:00+01:00",
            "saved_at must be a UTC time such as 2026-03-01T18:30:00Z, not '2026-02-03T00:00:00+01:00'",
        ),
    ],
)
def test_a_bad_optional_cell_is_an_error_too(column: str, cell: str, expected: str) -> None:
    assert faults(f"{HEADER},{column}\nwire,40m/1,1,2,{cell}\n") == [f"p.csv:2: error: {expected}"]


def test_a_time_with_a_zero_offset_is_utc() -> None:
    table = f"{HEADER},saved_at\nwire,40m/1,1,2,2026-02-03t04:05:06.5+00:00\n"

    assert read_table(table.encode(), "p.csv")[0].saved_at == "2026-02-03T04:05:06.5Z"


def test_every_bad_row_is_told_and_nothing_is_imported() -> None:
    assert faults(f"{HEADER}\nwire,80m/1,x,y\n\nwire,80m/2,1,2\nwire,oops,1,2\n") == [
        "p.csv:2: error: tune must be a whole number from 0 to 1000000, not 'x'",
        "p.csv:2: error: load must be a whole number from 0 to 1000000, not 'y'",
        "p.csv:5: error: segment must be BAND/N, such as 80m/1, not 'oops'",
    ]


def test_the_same_antenna_and_segment_twice_names_both_lines() -> None:
    assert faults(f"{HEADER}\nwire,80m/1,1,2\nloop,80m/1,1,2\nwire,80m/1,3,4\n") == [
        "p.csv:4: error: wire in 80m/1 stands in line 2 already; keep one of the two"
    ]


def test_a_line_number_counts_the_lines_of_quoted_cells() -> None:
    assert [line.split(" error")[0] for line in faults(f'{HEADER}\n"a\nb",80m/1,1,2\nwire,80m/1,x,2\n')] == [
        "p.csv:2:",
        "p.csv:4:",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "p.csv:1: error: no header; the first line names the columns: " + ",".join(COLUMNS)),
        ("antenna;segment;tune;load\n", "p.csv:1: error: columns are separated by commas; save the table with commas"),
        (
            "antenna,segment,tune\n",
            "p.csv:1: error: column load is missing; antenna,segment,tune,load are needed",
        ),
        (f"{HEADER},load\n", "p.csv:1: error: column load stands there twice"),
        (f"{HEADER},colour\n", f"p.csv:1: error: unknown column 'colour'; known are {','.join(COLUMNS)},matching"),
        (b"antenna\n\xff\n", "p.csv:2: error: not UTF-8 text; save the table as UTF-8 CSV"),
    ],
)
def test_a_table_of_the_wrong_shape_is_told_what_would_do(text: str | bytes, expected: str) -> None:
    assert faults(text) == [expected]


def test_a_quote_that_never_ends_is_an_error_with_a_line() -> None:
    (error,) = faults(f'{HEADER}\n"wire,80m/1,1,2\n')

    assert error.startswith("p.csv:2: error: unexpected end of data")


def test_a_table_beyond_its_bound_is_refused_unread() -> None:
    (error,) = faults(b"x" * (TABLE_BYTES_MAX + 1))

    assert error == f"p.csv:1: error: the table has {TABLE_BYTES_MAX + 1} bytes; at most {TABLE_BYTES_MAX} are read"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"tune": "1200"}, "tune must be a whole number, not '1200'"),
        ({"tune": True}, "tune must be a whole number, not 'True'"),
        ({"tune": 1.5}, "tune must be a whole number, not '1.5'"),
        ({"load": None}, "load is missing"),
        ({"antenna": 7}, "antenna must be text, not '7'"),
        ({"matching": [1, -1]}, "matching must be a list of whole numbers from 0 to 1000000"),
        ({"low_hz": None}, "low_hz and high_hz go together: give both or none"),
    ],
)
def test_a_bad_json_preset_is_told_what_would_do(change: dict[str, object], expected: str) -> None:
    with pytest.raises(PresetTableError) as raised:
        preset_from_json(preset_to_json(FULL) | change)

    assert raised.value.errors == (expected,)


def test_an_unknown_json_field_is_an_error() -> None:
    with pytest.raises(PresetTableError, match="unknown field 'colour'"):
        preset_from_json(preset_to_json(FULL) | {"colour": "red"})


def test_json_that_is_no_object_is_an_error() -> None:
    with pytest.raises(PresetTableError, match="a preset is an object"):
        preset_from_json([1, 2])
