"""Which preset may be recalled in which segment."""

import pytest

from qsyd_rules.preset import Preset, PresetStanding, adopt, standing
from qsyd_rules.segment import Segment

SEGMENT = Segment("80m/2", "80m", 3_600_000, 3_700_000, topmost=False)


@pytest.mark.parametrize(
    ("preset", "expected"),
    [
        (None, PresetStanding.MISSING),
        (Preset("harbour-wire", "80m/2", 100, 200, low_hz=3_600_000, high_hz=3_700_000), PresetStanding.SAVED),
        (Preset("harbour-wire", "80m/2", 100, 200), PresetStanding.SAVED),  # no edges: takes the segment's
        (Preset("harbour-wire", "80m/2", 100, 200, low_hz=3_600_001, high_hz=3_700_000), PresetStanding.STALE),
        (Preset("harbour-wire", "80m/2", 100, 200, low_hz=3_600_000, high_hz=3_699_999), PresetStanding.STALE),
        (Preset("harbour-wire", "80m/2", 100, 200, low_hz=3_600_000), PresetStanding.STALE),  # half an edge is none
        (Preset("harbour-wire", "80m/1", 100, 200, low_hz=3_600_000, high_hz=3_700_000), PresetStanding.STALE),
        (Preset("harbour-wire", "80m/1", 100, 200), PresetStanding.STALE),
    ],
)
def test_only_a_preset_made_for_these_edges_is_saved(preset: Preset | None, expected: PresetStanding) -> None:
    assert standing(preset, SEGMENT) is expected


def test_a_preset_without_edges_takes_those_of_its_segment() -> None:
    adopted = adopt(Preset("harbour-wire", "80m/2", 100, 200, drive_w=40), SEGMENT)

    assert adopted == Preset("harbour-wire", "80m/2", 100, 200, drive_w=40, low_hz=3_600_000, high_hz=3_700_000)


def test_a_preset_with_edges_keeps_them() -> None:
    stale = Preset("harbour-wire", "80m/2", 100, 200, low_hz=3_500_000, high_hz=3_700_000)

    assert adopt(stale, SEGMENT) is stale


def test_a_preset_takes_no_edges_of_another_segment() -> None:
    other = Preset("harbour-wire", "80m/1", 100, 200)

    assert adopt(other, SEGMENT) is other
