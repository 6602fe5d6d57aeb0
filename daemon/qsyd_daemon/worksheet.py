"""The tune-up worksheet: every antenna and segment, its centre, and what is stored for it."""

from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from qsyd_daemon.explanation import estimate_to_json
from qsyd_rules.estimate import Estimate
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets, PresetStanding, standing
from qsyd_rules.preset_ageing import Mark, Marks
from qsyd_rules.segment import Segment
from qsyd_rules.station import Antenna


@dataclass(frozen=True, slots=True)
class Row:
    """One antenna in one segment. `amplified` where the amplifier would serve it, so that a preset matters.

    `estimate` is where the tank would probably stand, where there is no preset to recall and the others tell.
    """

    antenna: Antenna
    segment: Segment
    standing: PresetStanding
    amplified: bool
    estimate: Estimate | None = None
    mark: Mark | None = None
    """Why a preset that is still recalled should be made anew."""


def worksheet(atlas: Atlas, presets: Presets, marks: Marks = MappingProxyType({})) -> list[Row]:
    """Rows in order of antennas, then from the lowest segment up."""
    station = atlas.station
    amplifier = station.amplifier
    rows = []
    for antenna in station.antennas:
        bears = amplifier is not None and (antenna.max_power_w is None or antenna.max_power_w >= amplifier.output_w)
        for segment in station.segments:
            if segment.band not in antenna.bands:
                continue
            amplified = bears and amplifier is not None and segment.band in amplifier.bands
            kind = standing(presets.get((antenna.name, segment.name)), segment)
            wanted = amplified and kind is not PresetStanding.SAVED
            fitted = atlas.estimate(antenna.name, segment, presets) if wanted else None
            mark = marks.get((antenna.name, segment.name)) if kind is PresetStanding.SAVED else None
            rows.append(Row(antenna, segment, kind, amplified, fitted, mark))
    return rows


def rows_to_json(rows: list[Row]) -> list[dict[str, Any]]:
    """The rows as JSON values; `because` and `estimate` only where there is one."""
    return [_row_to_json(row) for row in rows]


def _row_to_json(row: Row) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "antenna": row.antenna.name,
        "band": row.segment.band,
        "segment": row.segment.name,
        "low_hz": row.segment.low_hz,
        "high_hz": row.segment.high_hz,
        "centre_hz": row.segment.centre_hz,
        "preset": str(row.standing) if row.mark is None else str(PresetStanding.STALE),
    }
    if row.mark is not None:
        shown["because"] = row.mark.text
    if row.estimate is not None:
        shown["estimate"] = estimate_to_json(row.estimate)
    return shown
