"""Presets outside the store: as a CSV table for a spreadsheet, and as JSON for programs.

Both are checked here, so that what reaches the store and the devices' templates is known to be plain. Names begin with
a letter or digit, so no cell of ours is a formula to a spreadsheet, whichever way the table goes.
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from qsyd_rules.preset import Preset

COLUMNS = (
    "antenna",
    "segment",
    "tune",
    "load",
    "drive_w",
    "forward_w",
    "reflected_w",
    "grid_ma",
    "saved_at",
    "low_hz",
    "high_hz",
)
REQUIRED = COLUMNS[:4]
MATCHING = "matching"
"""A column that may follow: positions of a matching unit."""
TABLE_BYTES_MAX = 4 << 20

LARGEST = {
    "tune": 1_000_000,
    "load": 1_000_000,
    "drive_w": 2_000,
    "forward_w": 10_000,
    "reflected_w": 10_000,
    "grid_ma": 10_000,
    "low_hz": 300_000_000_000,
    "high_hz": 300_000_000_000,
}
"""The largest value of each whole number; all begin at 0. Bounds against slips of the keyboard, no source."""

_ANTENNA = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./-]{0,63}")
_SEGMENT = re.compile(r"[0-9]{1,4}(\.[0-9]{1,2})?[a-z]{1,5}/[1-9][0-9]{0,3}")
_WHOLE = re.compile(r"[0-9]{1,15}")
# RFC 3339, section 5.6, `date-time` with an offset of zero; letters in either case (from memory).
_TIME = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt]([0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,6})?)(?:[Zz]|[+-]00:00)")


class PresetTableError(Exception):
    """A table or a JSON preset that cannot be used; `errors` holds everything found, a line each."""

    def __init__(self, errors: Iterable[str]) -> None:
        self.errors = tuple(errors)
        super().__init__("\n".join(self.errors))


def write_table(presets: Iterable[Preset]) -> str:
    """The presets as CSV (RFC 4180, lines ended by LF), in order of antenna and segment.

    The columns are those of `COLUMNS`. Only where a preset has positions of a matching unit one more follows them,
    `matching`, the positions with a blank between.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    listed = sorted(presets, key=lambda preset: (preset.antenna, preset.segment))
    with_matching = any(preset.matching for preset in listed)
    writer.writerow((*COLUMNS, MATCHING) if with_matching else COLUMNS)
    for preset in listed:
        values = ["" if value is None else value for value in (getattr(preset, column) for column in COLUMNS)]
        matching = [" ".join(str(position) for position in preset.matching)] if with_matching else []
        writer.writerow(values + matching)
    return text.getvalue()


def read_table(data: bytes, name: str) -> list[Preset]:
    """The presets of a CSV table, in its order; `name` is the file as errors call it.

    UTF-8 with or without byte-order mark, any line ends, columns in any order, the first four of `COLUMNS` required;
    `matching` may be there too.
    Raises `PresetTableError` with every row that is bad, as `NAME:LINE: error: text`.
    """
    if len(data) > TABLE_BYTES_MAX:
        raise PresetTableError(
            [f"{name}:1: error: the table has {len(data)} bytes; at most {TABLE_BYTES_MAX} are read"]
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise PresetTableError([f"{name}:{line}: error: not UTF-8 text; save the table as UTF-8 CSV"]) from None
    errors: list[str] = []
    presets: list[Preset] = []
    lines: dict[tuple[str, str], int] = {}
    for line, cells, problems in _rows(text):
        matching, slips = _matching(cells.pop(MATCHING, ""))
        preset, faults = _preset(cells, matching)
        faults += slips
        if preset is not None and not problems:
            key = (preset.antenna, preset.segment)
            if key in lines:
                faults.append(f"{key[0]} in {key[1]} stands in line {lines[key]} already; keep one of the two")
            lines.setdefault(key, line)
            presets.append(preset)
        errors += (f"{name}:{line}: error: {fault}" for fault in (problems or faults))
    if errors:
        raise PresetTableError(errors)
    return presets


def preset_to_json(preset: Preset) -> dict[str, Any]:
    """The preset as a JSON object: all its fields, names ending in their unit, null where nothing is known."""
    return {column: getattr(preset, column) for column in COLUMNS} | {"matching": list(preset.matching)}


def preset_from_json(value: object) -> Preset:
    """The preset of such an object; fields other than the first four may be missing. Raises `PresetTableError`."""
    if not isinstance(value, Mapping):
        raise PresetTableError(["a preset is an object with antenna, segment, tune and load"])
    unknown = [str(key) for key in value if key not in (*COLUMNS, "matching")]
    errors = [f"unknown field {_quoted(key)}; known are {', '.join((*COLUMNS, 'matching'))}" for key in unknown]
    cells: dict[str, str] = {}
    for column in COLUMNS:
        given = value.get(column)
        if given is None:
            continue
        wanted = int if column in LARGEST else str
        if isinstance(given, bool) or not isinstance(given, wanted):
            kind = "a whole number" if wanted is int else "text"
            errors.append(f"{column} must be {kind}, not {_quoted(given)}")
        cells[column] = str(given)
    matching = value.get("matching")
    if matching is None:
        matching = []
    if not isinstance(matching, list) or not all(_is_position(position) for position in matching):
        errors.append(f"matching must be a list of whole numbers from 0 to {LARGEST['tune']}")
        matching = []
    preset, faults = _preset(cells, tuple(matching))
    if errors or preset is None or faults:
        raise PresetTableError(errors or faults)
    return preset


def _rows(text: str) -> Iterator[tuple[int, dict[str, str], list[str]]]:
    """Each row with the line it begins in, its cells by column, and what is wrong with its shape."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    begins = 1
    while True:
        try:
            row = next(reader, None)
        except csv.Error as error:
            yield (
                reader.line_num or begins,
                {},
                [f"{error}; quotes in a cell are doubled, and a quoted cell ends in one"],
            )
            return
        if row is None:
            break
        line, begins = begins, reader.line_num + 1
        if not any(cell.strip() for cell in row):
            continue
        cells = [cell.strip() for cell in row]
        if header is None:
            header = cells
            if problems := _header_problems(header):
                yield line, {}, problems
                return
        elif len(cells) != len(header):
            yield line, {}, [f"{len(cells)} cells where the header has {len(header)} columns"]
        else:
            yield line, {column: cell for column, cell in zip(header, cells, strict=True) if cell}, []
    if header is None:
        yield 1, {}, [f"no header; the first line names the columns: {','.join(COLUMNS)}"]


def _header_problems(header: list[str]) -> list[str]:
    if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        return ["columns are separated by commas; save the table with commas"]
    columns = (*COLUMNS, MATCHING)
    known = ",".join(columns)
    problems = [f"unknown column {_quoted(column)}; known are {known}" for column in header if column not in columns]
    problems += [
        f"column {column} is missing; {','.join(REQUIRED)} are needed" for column in REQUIRED if column not in header
    ]
    problems += [f"column {column} stands there twice" for column in columns if header.count(column) > 1]
    return problems


def _matching(cell: str) -> tuple[tuple[int, ...], list[str]]:
    """The positions that a cell holds, and what is wrong with them."""
    words = cell.split()
    if all(_WHOLE.fullmatch(word) and int(word) <= LARGEST["tune"] for word in words):
        return tuple(int(word) for word in words), []
    return (), [f"matching must be whole numbers from 0 to {LARGEST['tune']} with a blank between, not {_quoted(cell)}"]


def _preset(cells: Mapping[str, str], matching: tuple[int, ...] = ()) -> tuple[Preset | None, list[str]]:
    """The preset of one row, or what is wrong with it. Cells that are empty are not in `cells`."""
    faults = [f"{column} is missing" for column in REQUIRED if column not in cells]
    numbers: dict[str, int | None] = dict.fromkeys(LARGEST)
    for column, largest in LARGEST.items():
        cell = cells.get(column)
        if cell is None:
            continue
        if _WHOLE.fullmatch(cell) and int(cell) <= largest:
            numbers[column] = int(cell)
        else:
            faults.append(f"{column} must be a whole number from 0 to {largest}, not {_quoted(cell)}")
    antenna, segment = cells.get("antenna", ""), cells.get("segment", "")
    if antenna and not _ANTENNA.fullmatch(antenna):
        faults.append(
            f"antenna must be letters, digits and - _ . / beginning with a letter or digit, not {_quoted(antenna)}"
        )
    if segment and not _SEGMENT.fullmatch(segment):
        faults.append(f"segment must be BAND/N, such as 80m/1, not {_quoted(segment)}")
    saved_at = _time(cells.get("saved_at"), faults)
    low_hz, high_hz = numbers["low_hz"], numbers["high_hz"]
    if ("low_hz" in cells) != ("high_hz" in cells):
        faults.append("low_hz and high_hz go together: give both or none")
    elif low_hz is not None and high_hz is not None and low_hz >= high_hz:
        faults.append(f"low_hz {low_hz} must be below high_hz {high_hz}")
    tune, load = numbers["tune"], numbers["load"]
    if faults or tune is None or load is None:
        return None, faults
    return (
        Preset(
            antenna=antenna,
            segment=segment,
            tune=tune,
            load=load,
            matching=matching,
            drive_w=numbers["drive_w"],
            forward_w=numbers["forward_w"],
            reflected_w=numbers["reflected_w"],
            grid_ma=numbers["grid_ma"],
            saved_at=saved_at,
            low_hz=low_hz,
            high_hz=high_hz,
        ),
        faults,
    )


def _time(cell: str | None, faults: list[str]) -> str | None:
    """A time as `...Z`; what is no such time is added to `faults`."""
    if cell is None:
        return None
    matched = _TIME.fullmatch(cell)
    if matched:
        text = f"{matched[1]}T{matched[2]}"
        try:
            datetime.fromisoformat(text)
        except ValueError:
            matched = None
        else:
            return f"{text}Z"
    faults.append(f"saved_at must be a UTC time such as 2026-03-01T18:30:00Z, not {_quoted(cell)}")
    return None


def _is_position(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LARGEST["tune"]


def _quoted(value: object) -> str:
    """A value as quoted in a message: short, and with nothing that a terminal would obey."""
    text = str(value)
    return repr(text if len(text) <= 60 else text[:57] + "...")
