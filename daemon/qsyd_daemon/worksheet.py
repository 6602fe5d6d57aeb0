"""The tune-up worksheet: every antenna and segment, its centre, and what is stored for it."""

from dataclasses import dataclass
from typing import Any

from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Presets, PresetStanding, standing
from qsyd_rules.segment import Segment
from qsyd_rules.station import Antenna


@dataclass(frozen=True, slots=True)
class Row:
    """One antenna in one segment. `amplified` where the amplifier would serve it, so that a preset matters."""

    antenna: Antenna
    segment: Segment
    standing: PresetStanding
    amplified: bool


def worksheet(atlas: Atlas, presets: Presets) -> list[Row]:
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
            rows.append(Row(antenna, segment, kind, amplified))
    return rows


def rows_to_json(rows: list[Row]) -> list[dict[str, Any]]:
    """The rows as JSON values."""
    return [
        {
            "antenna": row.antenna.name,
            "band": row.segment.band,
            "segment": row.segment.name,
            "low_hz": row.segment.low_hz,
            "high_hz": row.segment.high_hz,
            "centre_hz": row.segment.centre_hz,
            "preset": str(row.standing),
        }
        for row in rows
    ]
