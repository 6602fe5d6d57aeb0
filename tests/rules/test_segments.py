"""Cutting bands into segments: exact edges, and every frequency in exactly one."""

from bisect import bisect_left
from fractions import Fraction
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.band_data import load_band_tables
from qsyd_rules.band import Band
from qsyd_rules.segment import (
    Computed,
    Division,
    Edges,
    Parts,
    Segment,
    SegmentIndex,
    segments_of,
    widest_part_hz,
)

EIGHTY = Band("80m", 3_500_000, 4_000_000)
FORTY = Band("40m", 7_000_000, 7_300_000)
TWENTY = Band("20m", 14_000_000, 14_350_000)


def edges_of(segments: tuple[Segment, ...]) -> list[tuple[int, int]]:
    return [(segment.low_hz, segment.high_hz) for segment in segments]


def test_80m_is_cut_into_five_by_default() -> None:
    """Five of 100 kHz with these centres: common practice, no source."""
    segments = segments_of(EIGHTY, Computed())

    assert [segment.centre_hz for segment in segments] == [3_550_000, 3_650_000, 3_750_000, 3_850_000, 3_950_000]
    assert edges_of(segments) == [(low, low + 100_000) for low in range(3_500_000, 4_000_000, 100_000)]
    assert [segment.name for segment in segments] == ["80m/1", "80m/2", "80m/3", "80m/4", "80m/5"]
    assert [segment.topmost for segment in segments] == [False, False, False, False, True]


def test_40m_in_region_2_is_cut_into_two_by_default() -> None:
    """Halves with these centres: common practice, no source."""
    segments = segments_of(FORTY, Computed())

    assert [segment.centre_hz for segment in segments] == [7_075_000, 7_225_000]
    assert edges_of(segments) == [(7_000_000, 7_150_000), (7_150_000, 7_300_000)]


@pytest.mark.parametrize(
    ("centre_hz", "loaded_q", "edge_swr", "nearest_hz"),
    [  # worked values to the nearest hertz (computed: formula, confirmed by a fine sweep)
        (3_750_000, Fraction(12), Fraction(2), 220_971),
        (7_100_000, Fraction(11), Fraction("1.5"), 263_506),
    ],
)
def test_the_widest_part_has_the_worked_values(
    centre_hz: int, loaded_q: Fraction, edge_swr: Fraction, nearest_hz: int
) -> None:
    assert widest_part_hz(centre_hz, loaded_q, edge_swr) in {nearest_hz - 1, nearest_hz}  # rounded down, not nearest


@given(
    centre_hz=st.integers(1_000_000, 60_000_000),
    loaded_q=st.fractions(5, 30, max_denominator=100),
    edge_swr=st.fractions("1.05", 5, max_denominator=100),
)
def test_the_widest_part_is_what_a_sweep_of_a_series_rlc_finds(
    centre_hz: int, loaded_q: Fraction, edge_swr: Fraction
) -> None:
    """Z = R [1 + jQ(f/f0 - f0/f)]: bisect the frequencies where its SWR reaches the asked one, below and above."""

    def swr_at(frequency_hz: float) -> float:
        reactance = float(loaded_q) * (frequency_hz / centre_hz - centre_hz / frequency_hz)
        impedance = complex(1, reactance)
        rho = abs((impedance - 1) / (impedance + 1))
        return (1 + rho) / (1 - rho)

    def crossing_hz(matched_hz: float, mismatched_hz: float) -> float:
        for _ in range(80):
            middle_hz = (matched_hz + mismatched_hz) / 2
            if swr_at(middle_hz) <= edge_swr:
                matched_hz = middle_hz
            else:
                mismatched_hz = middle_hz
        return matched_hz

    swept_hz = crossing_hz(centre_hz, centre_hz * 3) - crossing_hz(centre_hz, centre_hz / 3)

    assert widest_part_hz(centre_hz, loaded_q, edge_swr) == pytest.approx(swept_hz, abs=1.01)  # rounded down


@given(
    low_hz=st.integers(1_000_000, 54_000_000),
    width_hz=st.integers(10_000, 4_000_000),
    loaded_q=st.fractions(5, 30, max_denominator=10),
    edge_swr=st.fractions("1.1", 3, max_denominator=10),
)
def test_computed_parts_are_narrow_enough_and_one_fewer_would_not_be(
    low_hz: int, width_hz: int, loaded_q: Fraction, edge_swr: Fraction
) -> None:
    band = Band("x", low_hz, low_hz + width_hz)
    segments = segments_of(band, Computed(loaded_q, edge_swr))
    slope = float(edge_swr - 1) / (float(loaded_q) * sqrt(edge_swr))

    for segment in segments:
        centre_hz = (segment.low_hz + segment.high_hz) / 2
        # Whole hertz may widen a part by less than one.
        assert segment.high_hz - segment.low_hz < centre_hz * slope + 1
    if len(segments) > 1:
        wider_hz = width_hz / (len(segments) - 1)
        assert wider_hz > (low_hz + wider_hz / 2) * slope * (1 - 1e-12)


def test_a_part_exactly_as_wide_as_allowed_is_accepted() -> None:
    """S = 9/4 has a rational root: the width is f0 (5/4)/(Q 3/2) = f0/12 for Q 10, here 100 kHz at 1.2 MHz."""
    assert widest_part_hz(1_200_000, Fraction(10), Fraction(9, 4)) == 100_000
    exact = Computed(Fraction(10), Fraction(9, 4))

    assert len(segments_of(Band("x", 1_150_000, 1_250_000), exact)) == 1
    assert len(segments_of(Band("x", 1_149_999, 1_250_000), exact)) == 2


def test_given_edges_are_kept() -> None:
    segments = segments_of(FORTY, Edges((7_000_000, 7_125_000, 7_300_000)))

    assert edges_of(segments) == [(7_000_000, 7_125_000), (7_125_000, 7_300_000)]


@pytest.mark.parametrize(
    ("division", "sentence"),
    [
        (Parts(0), "40m cannot be cut into 0 parts; at least 1 is needed"),
        (Parts(-3), "40m cannot be cut into -3 parts; at least 1 is needed"),
        (Parts(300_001), "40m is 300000 Hz wide and cannot be cut into 300001 parts"),
        (Edges(()), "40m needs at least two edges, its own: 7.000 MHz and 7.300 MHz"),
        (Edges((7_000_000,)), "40m needs at least two edges, its own: 7.000 MHz and 7.300 MHz"),
        (
            Edges((7_000_000, 7_150_000, 7_100_000, 7_300_000)),
            "40m: segment edge 7.100 MHz follows 7.150 MHz; edges must rise",
        ),
        (Edges((7_000_000, 7_000_000, 7_300_000)), "40m: segment edge 7.000 MHz follows 7.000 MHz; edges must rise"),
        (
            Edges((7_000_000, 7_200_000)),
            (
                "40m: segment edges run from 7.000 MHz to 7.200 MHz; the first and the last must be the band's, "
                "7.000 MHz and 7.300 MHz"
            ),
        ),
        (Computed(loaded_q=Fraction(0)), "loaded Q 0 is impossible; it must be above 0, usually 10 to 15"),
        (
            Computed(edge_swr=Fraction(1)),
            "edge SWR 1 leaves a segment no width; it must be above 1, such as 1.4",
        ),
        (
            Computed(loaded_q=Fraction(10**9)),
            (
                "40m cannot be cut finely enough for loaded Q 1e+09 and edge SWR 1.4: "
                "parts would be narrower than one hertz"
            ),
        ),
    ],
)
def test_an_impossible_division_is_refused_in_a_sentence(division: Division, sentence: str) -> None:
    with pytest.raises(ValueError, match=r"40m|loaded Q|edge SWR") as refusal:
        segments_of(FORTY, division)

    assert str(refusal.value) == sentence


@st.composite
def divided_bands(draw: st.DrawFn) -> tuple[Band, Division]:
    low_hz = draw(st.integers(1_800_000, 50_000_000))
    width_hz = draw(st.integers(1, 50) | st.integers(1_000, 4_000_000))
    band = Band("x", low_hz, low_hz + width_hz)
    inner = st.sets(st.integers(low_hz + 1, max(band.high_hz - 1, low_hz + 1)), max_size=20)
    division = draw(
        st.integers(1, min(width_hz, 60)).map(Parts)
        | inner.map(
            lambda cuts: Edges(tuple(sorted({low_hz, *(hz for hz in cuts if hz < band.high_hz), band.high_hz})))
        )
        | st.fractions("1.05", 4, max_denominator=20).map(lambda swr: Computed(edge_swr=swr))
    )
    return band, division


@given(divided_bands(), st.data())
def test_segments_of_any_division_tile_the_band(divided: tuple[Band, Division], data: st.DataObject) -> None:
    """No gap, no overlap, and every frequency of the band in exactly one segment, which the index finds."""
    band, division = divided
    segments = segments_of(band, division)

    assert segments[0].low_hz == band.low_hz
    assert segments[-1].high_hz == band.high_hz
    assert [segment.high_hz for segment in segments[:-1]] == [segment.low_hz for segment in segments[1:]]
    assert all(segment.low_hz < segment.high_hz for segment in segments)

    index = SegmentIndex(segments)
    near_edges = {
        edge + step for segment in segments for edge in (segment.low_hz, segment.high_hz) for step in (-1, 0, 1)
    }
    anywhere = data.draw(st.lists(st.integers(band.low_hz, band.high_hz), max_size=10))
    for frequency_hz in (*near_edges, *anywhere):
        holders = [segment for segment in segments if frequency_hz in segment]
        assert len(holders) == (1 if frequency_hz in band else 0), frequency_hz
        assert index.at(frequency_hz) == (holders[0] if holders else None)


def whole_station() -> tuple[Segment, ...]:
    return tuple(segment for band in load_band_tables().bands(2) for segment in segments_of(band, Computed()))


@given(st.integers(0, 60_000_000))
def test_the_index_answers_for_every_frequency_to_60_mhz(frequency_hz: int) -> None:
    segments = whole_station()
    band = next((band for band in load_band_tables().bands(2) if frequency_hz in band), None)

    found = SegmentIndex(segments).at(frequency_hz)

    assert (found.band if found else None) == (band.name if band else None)
    assert found == next((segment for segment in segments if frequency_hz in segment), None)


@pytest.mark.parametrize(
    ("frequency_hz", "name"),
    [
        (0, None),
        (3_499_999, None),
        (3_500_000, "80m/1"),  # band edges belong to the band
        (3_599_999, "80m/1"),
        (3_600_000, "80m/2"),  # a lower edge is in, an upper is not
        (4_000_000, "80m/5"),  # but for the topmost
        (4_000_001, None),
        (54_000_000, "6m/3"),
        (60_000_000, None),
    ],
)
def test_edges_have_one_owner(frequency_hz: int, name: str | None) -> None:
    found = SegmentIndex(whole_station()).at(frequency_hz)

    assert (found.name if found else None) == name


def test_the_index_takes_segments_in_any_order() -> None:
    segments = (*segments_of(TWENTY, Parts(2)), *segments_of(EIGHTY, Computed()))

    assert SegmentIndex(segments).at(3_750_000) == segments[4]


def test_an_index_of_nothing_finds_nothing() -> None:
    assert SegmentIndex(()).at(14_000_000) is None


def test_overlapping_segments_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^segments 40m/1 and 40m/1 overlap at 7\.000 MHz$"):
        SegmentIndex((*segments_of(FORTY, Parts(1)), *segments_of(FORTY, Parts(2))))


def test_the_count_is_the_one_a_plain_search_finds() -> None:
    """An independent look in floating point, for the shipped bands: far from any tie, so floats are good enough."""
    slope = 0.4 / (12 * sqrt(1.4))
    for region in (1, 2, 3):
        for band in load_band_tables().bands(region):
            width_hz = band.high_hz - band.low_hz
            fits = [width_hz / n <= (band.low_hz + width_hz / n / 2) * slope for n in range(1, 20)]
            assert len(segments_of(band, Computed())) == bisect_left(fits, True) + 1, band
