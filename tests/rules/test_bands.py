"""Band edges against the published tables, typed in here once more with the source beside each."""

import json
from importlib.resources import files

import pytest
import yaml

from qsyd_daemon.band_data import load_band_tables
from qsyd_rules.band import Band, megahertz
from qsyd_rules.band_tables import BandTables
from qsyd_rules.words import LicenceClass

# ADIF Specification 3.1.x, Band enumeration, lower and upper limit in MHz (checked). Logging limits: on 60m far wider
# than any licence, elsewhere no licence reaches beyond them.
ADIF_MHZ = {
    "160m": (1.8, 2.0),
    "80m": (3.5, 4.0),
    "60m": (5.06, 5.45),
    "40m": (7.0, 7.3),
    "30m": (10.1, 10.15),
    "20m": (14.0, 14.35),
    "17m": (18.068, 18.168),
    "15m": (21.0, 21.45),
    "12m": (24.89, 24.99),
    "10m": (28.0, 29.7),
    "6m": (50.0, 54.0),
}

# WARC and upper HF bands are the same in all three regions: 47 CFR 97.301(b), its three columns (checked).
EVERYWHERE_KHZ = {
    "30m": (10_100, 10_150),
    "20m": (14_000, 14_350),
    "17m": (18_068, 18_168),
    "15m": (21_000, 21_450),
    "12m": (24_890, 24_990),
    "10m": (28_000, 29_700),
}

REGION_1_KHZ = {
    "160m": (1_810, 2_000),  # IARU Region 1 HF band plan, 16 Oct 2020 (checked)
    "80m": (3_500, 3_800),  # IARU Region 1 spectrum pages, Radio Regulations Art. 5 (checked)
    "60m": (5_351.5, 5_366.5),  # IARU Region 1 HF band plan, 16 Oct 2020 (checked)
    "40m": (7_000, 7_200),  # IARU Region 1 spectrum pages (checked)
    "6m": (50_000, 52_000),  # WRC-19, secondary in Region 1 (checked)
} | EVERYWHERE_KHZ

REGION_2_KHZ = {
    "160m": (1_800, 2_000),  # IARU Region 2 MF/HF band plan, 1 Jan 2008 (checked)
    "80m": (3_500, 4_000),  # IARU Region 2 MF/HF band plan, 1 Jan 2008 (checked)
    "60m": (5_351.5, 5_366.5),  # WRC-15, secondary worldwide (checked)
    "40m": (7_000, 7_300),  # 47 CFR 97.301(b), Region 2 column (checked)
    "6m": (50_000, 54_000),  # 47 CFR 97.301(a) (checked)
} | EVERYWHERE_KHZ

REGION_3_KHZ = {
    "160m": (1_800, 2_000),  # 47 CFR 97.301(b), Region 3 column (checked)
    "80m": (3_500, 3_900),  # 47 CFR 97.301(b), Region 3 column (checked)
    "60m": (5_351.5, 5_366.5),  # WRC-15, secondary worldwide (checked)
    "40m": (7_000, 7_200),  # IARU Region 3 interim band plan R3-004, 3 Sep 2019 (checked)
    "6m": (50_000, 54_000),  # 47 CFR 97.301(a) (checked)
} | EVERYWHERE_KHZ


@pytest.fixture
def tables() -> BandTables:
    return load_band_tables()


@pytest.mark.parametrize(("region", "plan_khz"), [(1, REGION_1_KHZ), (2, REGION_2_KHZ), (3, REGION_3_KHZ)])
def test_every_region_has_the_edges_of_its_published_plan(
    tables: BandTables, region: int, plan_khz: dict[str, tuple[float, float]]
) -> None:
    expected = {
        Band(name, round(low_khz * 1000), round(high_khz * 1000)) for name, (low_khz, high_khz) in plan_khz.items()
    }

    assert set(tables.bands(region)) == expected
    assert len(tables.bands(region)) == len(expected)


@pytest.mark.parametrize("region", [1, 2, 3])
@pytest.mark.parametrize("licence", [None, *LicenceClass])
def test_bands_carry_adif_names_lie_inside_adif_edges_and_rise(
    tables: BandTables, region: int, licence: LicenceClass | None
) -> None:
    bands = tables.bands(region, licence)

    assert [band.name for band in bands] == list(ADIF_MHZ)
    assert list(bands) == sorted(bands, key=lambda band: band.low_hz)
    for band in bands:
        low_mhz, high_mhz = ADIF_MHZ[band.name]
        assert round(low_mhz * 1e6) <= band.low_hz < band.high_hz <= round(high_mhz * 1e6), band


@pytest.mark.parametrize("licence", [LicenceClass.US_GENERAL, LicenceClass.US_ADVANCED, LicenceClass.US_EXTRA])
def test_us_licences_with_60m_channels_widen_60m_to_their_envelope(tables: BandTables, licence: LicenceClass) -> None:
    """47 CFR 97.303(h)(3) writes the envelope of channels and segment as 5330.5-5406.4 kHz (checked)."""
    plan, widened = tables.bands(2), tables.bands(2, licence)

    assert set(widened) - set(plan) == {Band("60m", 5_330_500, 5_406_400)}
    assert set(plan) - set(widened) == {Band("60m", 5_351_500, 5_366_500)}


def test_technician_without_60m_leaves_the_plan_alone(tables: BandTables) -> None:
    assert tables.bands(2, LicenceClass.US_TECHNICIAN) == tables.bands(2)


@pytest.mark.parametrize("region", [1, 3])
@pytest.mark.parametrize("licence", list(LicenceClass))
def test_outside_region_2_a_us_licence_does_not_widen_the_plan(
    tables: BandTables, region: int, licence: LicenceClass
) -> None:
    assert tables.bands(region, licence) == tables.bands(region)


@pytest.mark.parametrize("region", [0, 4, -1])
def test_a_region_that_does_not_exist_is_refused_in_a_sentence(tables: BandTables, region: int) -> None:
    with pytest.raises(ValueError, match=rf"^there is no ITU region {region}; it is 1, 2 or 3$"):
        tables.bands(region)


def test_both_band_edges_belong_to_the_band() -> None:
    """ADIF limits are inclusive (checked)."""
    band = Band("20m", 14_000_000, 14_350_000)

    assert [hz in band for hz in (13_999_999, 14_000_000, 14_350_000, 14_350_001)] == [False, True, True, False]


def test_tables_are_read_once_and_carry_a_date(tables: BandTables) -> None:
    """The newest text behind them is the US rules as issued in July 2026."""
    assert load_band_tables() is tables
    assert tables.as_of == "2026-07"


def _document() -> dict[str, object]:
    text = files("qsyd_rules").joinpath("data", "bands.yaml").read_text(encoding="utf-8")
    document = yaml.safe_load(text)
    assert isinstance(document, dict)
    return document


def _rows_with_edges(value: object) -> list[dict[str, object]]:
    """Every mapping of the document that states a frequency, at any depth."""
    if isinstance(value, list):
        return [row for item in value for row in _rows_with_edges(item)]
    if not isinstance(value, dict):
        return []
    own = [value] if "low_hz" in value else []
    return own + [row for item in value.values() for row in _rows_with_edges(item)]


def test_every_row_of_the_data_names_a_listed_source_and_how_well_it_is_known() -> None:
    document = _document()
    sources = document["sources"]
    assert isinstance(sources, dict)
    rows = _rows_with_edges(document)

    named = set()
    for row in rows:
        source = row.get("source")
        names = source if isinstance(source, list) else [source]
        assert names, row
        assert set(names) <= set(sources), row
        assert row.get("status") in {"checked", "computed", "from memory", "common practice, no source"}, row
        named |= set(names)

    assert len(rows) > 100
    assert named == set(sources), "a source that no row uses"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"as_of": "2026-07"', '"as_on": "2026-07"', "band tables: as_of is missing"),
        ('"low_hz": 1810000', '"low_hz": "1810"', "regions: 1 row 1: low_hz is '1810', and must be a whole number"),
        ('"low_hz": 1810000', '"low_hz": true', "low_hz is True, and must be a whole number"),
        ('"low_hz": 1810000', '"low_hz": 2000000', "low_hz 2000000 must be below high_hz 2000000"),
        ('"band": "160m"', '"band": 160', "band is 160, and must be a word"),
        ('"emissions": ["cw"]', '"emissions": ["morse"]', "emissions has 'morse'; known are cw, data, phone, ssb, usb"),
        ('"emissions": ["cw"]', '"emissions": "cw"', "emissions is 'cw', and must be a list of words"),
        ('"us":', '"usa":', "band tables: us is missing"),
    ],
)
def test_a_damaged_document_is_refused_by_place(old: str, new: str, message: str) -> None:
    text = json.dumps(_document())
    assert old in text
    damaged = json.loads(text.replace(old, new, 1))

    with pytest.raises(ValueError, match="band tables") as refusal:
        BandTables.from_document(damaged)

    assert message in str(refusal.value)


@pytest.mark.parametrize(
    ("frequency_hz", "text"),
    [
        (14_160_000, "14.160 MHz"),
        (5_330_500, "5.3305 MHz"),
        (14_147_200, "14.1472 MHz"),
        (7_000_001, "7.000001 MHz"),
        (0, "0.000 MHz"),
    ],
)
def test_frequencies_are_written_exactly_with_three_decimals_or_more(frequency_hz: int, text: str) -> None:
    assert megahertz(frequency_hz) == text
