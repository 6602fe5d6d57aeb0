"""Licence privileges against 47 CFR Part 97, typed in here once more with the section beside each."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.band_data import load_band_tables
from qsyd_rules.privileges import OCCUPIED_HZ, Privileges
from qsyd_rules.words import LicenceClass, Mode

TECHNICIAN, GENERAL, ADVANCED, EXTRA = LicenceClass
VOICE = (Mode.LSB, Mode.USB, Mode.AM, Mode.FM)

# 47 CFR 97.301, Region 2, in kHz (text of July 2026, checked via quotation); 60 m stands apart, see below.
LICENSED_KHZ = {
    TECHNICIAN: [  # (e), and (a) for 6 m
        (3_525, 3_600), (7_025, 7_125), (21_025, 21_200), (28_000, 28_500), (50_000, 54_000),
    ],
    GENERAL: [  # (d)
        (1_800, 2_000), (3_525, 3_600), (3_800, 4_000), (7_025, 7_125), (7_175, 7_300), (10_100, 10_150),
        (14_025, 14_150), (14_225, 14_350), (18_068, 18_168), (21_025, 21_200), (21_275, 21_450), (24_890, 24_990),
        (28_000, 29_700), (50_000, 54_000),
    ],
    ADVANCED: [  # (c)
        (1_800, 2_000), (3_525, 3_600), (3_700, 4_000), (7_025, 7_300), (10_100, 10_150), (14_025, 14_150),
        (14_175, 14_350), (18_068, 18_168), (21_025, 21_200), (21_225, 21_450), (24_890, 24_990), (28_000, 29_700),
        (50_000, 54_000),
    ],
    EXTRA: [  # (b)
        (1_800, 2_000), (3_500, 4_000), (7_000, 7_300), (10_100, 10_150), (14_000, 14_350), (18_068, 18_168),
        (21_000, 21_450), (24_890, 24_990), (28_000, 29_700), (50_000, 54_000),
    ],
}  # fmt: skip

# 47 CFR 97.305(c), contiguous US, in kHz (checked): RTTY and data, then phone.
DATA_KHZ = [
    (1_800, 2_000), (3_500, 3_600), (7_000, 7_125), (10_100, 10_150), (14_000, 14_150), (18_068, 18_110),
    (21_000, 21_200), (24_890, 24_930), (28_000, 28_300), (50_100, 54_000),
]  # fmt: skip
PHONE_KHZ = [
    (1_800, 2_000), (3_600, 4_000), (7_125, 7_300), (14_150, 14_350), (18_110, 18_168), (21_200, 21_450),
    (24_930, 24_990), (28_300, 29_700), (50_100, 54_000),
]  # fmt: skip

# 60 m since 13 February 2026, 47 CFR 97.303(h) and 91 FR 1405 (checked), in Hz.
CHANNEL_CENTRES_HZ = (5_332_000, 5_348_000, 5_373_000, 5_405_000)
SEGMENT_60M_HZ = (5_351_500, 5_366_500)


def privileges(licence: LicenceClass) -> Privileges:
    return load_band_tables().privileges(licence)


def permitted_by_the_text(licence: LicenceClass, mode: Mode, low_hz: int, high_hz: int) -> bool:
    """97.307(b) by brute force outside 60 m: every 25 Hz of the emission lies where class and emission are granted."""

    def inside(hz: int, stretches_khz: list[tuple[int, int]]) -> bool:
        return any(low * 1000 <= hz <= high * 1000 for low, high in stretches_khz)

    def granted(hz: int) -> bool:
        if not inside(hz, LICENSED_KHZ[licence]):
            return False
        if licence is TECHNICIAN and hz < 30_000_000 and mode is not Mode.CW:  # 97.307(f)(9), (10) (checked)
            on_10m = {Mode.DATA: [(28_000, 28_300)], Mode.LSB: [(28_300, 28_500)], Mode.USB: [(28_300, 28_500)]}
            return inside(hz, on_10m.get(mode, []))
        return mode is Mode.CW or inside(hz, DATA_KHZ if mode is Mode.DATA else PHONE_KHZ)  # 97.305(a), (c)

    return all(granted(hz) for hz in {*range(low_hz, high_hz, 25), high_hz})


EDGES_KHZ = sorted({edge for rows in [*LICENSED_KHZ.values(), DATA_KHZ, PHONE_KHZ] for row in rows for edge in row})


@pytest.mark.parametrize("mode", list(Mode))
@pytest.mark.parametrize("licence", list(LicenceClass))
def test_around_every_edge_the_whole_emission_counts(licence: LicenceClass, mode: Mode) -> None:
    """Dials just on either side of where an emission first or last fits below, across or above each published edge."""
    mine = privileges(licence)
    low_hz, high_hz = OCCUPIED_HZ[mode]
    offsets_hz = {shift + step for shift in (0, -low_hz, -high_hz) for step in (-1000, -1, 0, 1, 1000)}

    wrong = [
        (dial_hz, refusal)
        for edge_khz in EDGES_KHZ
        for dial_hz in (edge_khz * 1000 + offset for offset in offsets_hz)
        if ((refusal := mine.refusal(dial_hz, mode)) is None)
        != permitted_by_the_text(licence, mode, dial_hz + low_hz, dial_hz + high_hz)
    ]

    assert wrong == []


@pytest.mark.parametrize("licence", list(LicenceClass))
def test_without_a_mode_only_the_frequency_is_judged(licence: LicenceClass) -> None:
    mine = privileges(licence)
    for edge_khz in EDGES_KHZ:
        for dial_hz in (edge_khz * 1000 + step for step in (-1, 0, 1)):
            licensed = any(low * 1000 <= dial_hz <= high * 1000 for low, high in LICENSED_KHZ[licence])
            assert (mine.refusal(dial_hz, None) is None) == licensed, dial_hz


@given(
    licence=st.sampled_from(list(LicenceClass)),
    mode=st.sampled_from([None, *Mode]),
    dial_hz=st.integers(0, 60_000_000) | st.sampled_from(EDGES_KHZ).map(lambda khz: khz * 1000),
)
def test_every_dial_has_an_answer_and_a_refusal_names_the_place(
    licence: LicenceClass, mode: Mode | None, dial_hz: int
) -> None:
    refusal = privileges(licence).refusal(dial_hz, mode)

    if refusal is not None:
        assert "MHz" in refusal
        assert refusal.isprintable()


def test_the_rows_for_other_parts_of_the_world_are_left_out() -> None:
    """97.305(c) with 97.307(f)(11): phone on 7075-7100 kHz is not for the contiguous United States (checked)."""
    assert privileges(EXTRA).refusal(7_080_000, Mode.LSB) is not None
    assert privileges(GENERAL).power_limit_w(7_060_000) is None  # 97.313(c)(3): stations in Region 1 or 3


def test_ncvec_e1a01_a_3_khz_upper_sideband_on_14_348_mhz_reaches_past_the_band() -> None:
    """NCVEC Extra pool, E1A01 (checked)."""
    extra = privileges(EXTRA)

    assert extra.refusal(14_348_000, Mode.USB) == ("usb on 14.348 MHz reaches 14.351 MHz, past the edge at 14.350 MHz")
    assert extra.refusal(14_347_000, Mode.USB) is None


def test_ncvec_e1a03_a_2_8_khz_data_signal_has_its_dial_at_most_on_14_1472_mhz() -> None:
    """NCVEC Extra pool, E1A03 (checked)."""
    extra = privileges(EXTRA)

    assert extra.refusal(14_147_200, Mode.DATA) is None
    assert extra.refusal(14_147_201, Mode.DATA) == (
        "data on 14.147201 MHz reaches 14.150001 MHz, past the edge at 14.150 MHz"
    )


@pytest.mark.parametrize(
    ("licence", "dial_hz", "mode", "sentence"),
    [
        (GENERAL, 14_160_000, None, "14.160 MHz is outside us-general"),
        (GENERAL, 14_160_000, Mode.USB, "14.160 MHz is outside us-general"),
        (EXTRA, 14_100_000, Mode.USB, "us-extra may not use usb on 14.100 MHz (phone from 14.150 MHz)"),
        (GENERAL, 14_100_000, Mode.AM, "us-general may not use am on 14.100 MHz (phone from 14.225 MHz)"),
        (EXTRA, 14_200_000, Mode.DATA, "us-extra may not use data on 14.200 MHz (data up to 14.150 MHz)"),
        (GENERAL, 10_120_000, Mode.USB, "us-general may not use usb on 10.120 MHz (only cw and data there)"),
        (TECHNICIAN, 7_050_000, Mode.DATA, "us-technician may not use data on 7.050 MHz (only cw there)"),
        (TECHNICIAN, 28_400_000, Mode.AM, "us-technician may not use am on 28.400 MHz (only cw, lsb and usb there)"),
        (EXTRA, 3_601_000, Mode.LSB, "lsb on 3.601 MHz reaches down to 3.598 MHz, past the edge at 3.600 MHz"),
        (EXTRA, 14_000_000, Mode.CW, "cw on 14.000 MHz reaches down to 13.999925 MHz, past the edge at 14.000 MHz"),
        (EXTRA, 29_695_000, Mode.FM, "fm on 29.695 MHz reaches 29.703 MHz, past the edge at 29.700 MHz"),
        (EXTRA, 5_355_000, Mode.LSB, "us-extra may not use lsb on 5.355 MHz (only cw, usb and data there)"),
        (EXTRA, 5_331_000, Mode.USB, "usb in the channel at 5.332 MHz needs the dial on 5.3305 MHz, not 5.331 MHz"),
        (EXTRA, 5_332_100, Mode.CW, "cw in the channel at 5.332 MHz needs the dial on 5.332 MHz, not 5.3321 MHz"),
        (EXTRA, 5_364_000, Mode.USB, "usb on 5.364 MHz reaches 5.3668 MHz, past the edge at 5.3665 MHz"),
    ],
)
def test_a_refusal_says_what_reaches_where_and_what_would_do(
    licence: LicenceClass, dial_hz: int, mode: Mode | None, sentence: str
) -> None:
    assert privileges(licence).refusal(dial_hz, mode) == sentence


def test_an_emission_may_lie_across_an_edge_where_both_sides_permit_it() -> None:
    """CW across 3.600 MHz, where the rules' 80 m and 75 m meet: Extra has both sides, General only the lower."""
    assert privileges(EXTRA).refusal(3_600_000, Mode.CW) is None
    assert privileges(GENERAL).refusal(3_600_000, Mode.CW) is not None


@pytest.mark.parametrize("licence", [GENERAL, ADVANCED, EXTRA])
@pytest.mark.parametrize("centre_hz", CHANNEL_CENTRES_HZ)
def test_a_60m_channel_is_worked_from_one_dial(licence: LicenceClass, centre_hz: int) -> None:
    """Upper sideband and data 1.5 kHz below the centre, CW on it, nothing else (97.303(h), checked)."""
    mine = privileges(licence)

    for mode, wanted_hz in ((Mode.USB, centre_hz - 1500), (Mode.DATA, centre_hz - 1500), (Mode.CW, centre_hz)):
        permitted = [hz for hz in range(centre_hz - 3000, centre_hz + 3000) if mine.refusal(hz, mode) is None]
        assert permitted == [wanted_hz], mode
    for mode in (Mode.LSB, Mode.AM, Mode.FM):
        assert all(mine.refusal(hz, mode) for hz in range(centre_hz - 3000, centre_hz + 3000, 100)), mode


@pytest.mark.parametrize("mode", list(Mode))
def test_between_the_60m_segment_edges_emissions_of_2_8_khz_fit(mode: Mode) -> None:
    """97.303(h)(3): USB phone, RTTY, data and CW, at most 2.8 kHz wide, inside 5351.5-5366.5 kHz (checked)."""
    low_hz, high_hz = SEGMENT_60M_HZ
    mine = privileges(GENERAL)
    widths_hz = {Mode.USB: (0, 2800), Mode.DATA: (0, 2800), Mode.CW: (75, 75)}

    permitted = [hz for hz in range(low_hz - 50, high_hz + 50) if mine.refusal(hz, mode) is None]

    if mode in widths_hz:
        below_hz, above_hz = widths_hz[mode]
        assert permitted == list(range(low_hz + below_hz, high_hz - above_hz + 1))
    else:
        assert permitted == []


def test_nothing_is_licensed_between_the_60m_channels_and_the_segment() -> None:
    mine = privileges(EXTRA)
    for dial_hz in (5_330_499, 5_333_401, 5_340_000, 5_349_401, 5_351_499, 5_366_501, 5_374_401, 5_406_401):
        assert mine.refusal(dial_hz, None) is not None, dial_hz


@pytest.mark.parametrize("mode", [None, *Mode])
def test_technician_has_no_60m(mode: Mode | None) -> None:
    for dial_hz in range(5_330_000, 5_407_000, 100):
        assert privileges(TECHNICIAN).refusal(dial_hz, mode) is not None


@pytest.mark.parametrize(
    ("licence", "frequency_hz", "limit_w"),
    [
        (GENERAL, 10_100_000, 200),  # 97.313(c)(1), checked; both edges in
        (EXTRA, 10_150_000, 200),
        (EXTRA, 10_150_001, None),
        (EXTRA, 14_200_000, None),
        (TECHNICIAN, 3_550_000, 200),  # 97.313(c)(2), checked
        (TECHNICIAN, 7_100_000, 200),
        (TECHNICIAN, 21_100_000, 200),
        (TECHNICIAN, 28_500_000, 200),
        (TECHNICIAN, 50_125_000, None),
        (GENERAL, 7_100_000, None),
        (GENERAL, 5_332_000, 100),  # 97.313(i): 100 W ERP in the channels, checked
        (GENERAL, 5_330_500, 100),
        (GENERAL, 5_403_500, 100),
        (GENERAL, 5_358_500, 9),  # 97.313(i): 9.15 W ERP; the former fifth channel lies in the segment, checked
    ],
)
def test_power_is_limited_where_the_rules_say_so(licence: LicenceClass, frequency_hz: int, limit_w: int | None) -> None:
    assert privileges(licence).power_limit_w(frequency_hz) == limit_w
