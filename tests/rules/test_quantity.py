"""Quantities as written: what they are in the small unit, and what is said of those that are none.

SI spelling of units: SI Brochure, 9th edition, chapters 2, 3 and 5 (from memory).
"""

import contextlib
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_rules import quantity
from qsyd_rules.quantity import QuantityError


@pytest.mark.parametrize(
    ("text", "hz"),
    [
        ("14.205 MHz", 14_205_000),
        ("14.205MHz", 14_205_000),
        ("7100 kHz", 7_100_000),
        ("7100500 Hz", 7_100_500),
        ("0 Hz", 0),
        ("0.000001 MHz", 1),
        ("  7.1 MHz ", 7_100_000),
        ("010 kHz", 10_000),
        ("5.3305\tMHz", 5_330_500),
    ],
)
def test_frequencies_are_whole_hertz(text: str, hz: int) -> None:
    assert quantity.frequency_hz(text) == hz


@pytest.mark.parametrize(
    ("text", "us"),
    [
        ("180 s", 180_000_000),
        ("30 ms", 30_000),
        ("3 min", 180_000_000),
        ("1 h", 3_600_000_000),
        ("2.5 min", 150_000_000),
        ("7 us", 7),
    ],
)
def test_times_are_whole_microseconds(text: str, us: int) -> None:
    assert quantity.duration_us(text) == us


def test_powers_currents_and_voltages() -> None:
    assert (quantity.power_w("600 W"), quantity.power_w("1.5 kW")) == (600, 1500)
    assert (quantity.current_ma("120 mA"), quantity.current_ma("1.0 A")) == (120, 1000)
    assert (quantity.voltage_v("3.5 kV"), quantity.voltage_v("800 V")) == (3500, 800)


def test_temperatures_in_either_spelling() -> None:
    assert (quantity.temperature_c("90 C"), quantity.temperature_c("90°C")) == (90, 90)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("90", "add C or °C: 90 C"),
        ("90 K", "`K` is not a unit of temperature"),
        ("90 c", "did you mean C?"),
        ("90 °", "is not a unit of temperature"),
        ("90 °°C", "is not a temperature"),
        ("-5 C", "is not a temperature"),
    ],
)
def test_temperatures_that_are_none(text: str, words: str) -> None:
    with pytest.raises(QuantityError) as caught:
        quantity.temperature_c(text)

    assert words in str(caught.value)


def test_ranges_of_voltages_and_ratios() -> None:
    assert quantity.voltage_range_v("2.5 kV..4.2 kV") == quantity.voltage_range_v("2.5..4.2 kV") == (2500, 4200)
    assert quantity.voltage_range_v("800 V..4.2 kV") == (800, 4200)
    assert quantity.ratio_range("15..40") == (Fraction(15), Fraction(40))
    assert quantity.ratio_range(" 1.5 .. 2.25 ") == (Fraction(3, 2), Fraction(9, 4))


@pytest.mark.parametrize("text", ["15", "15..", "..40", "15..x", "15...40", "40..15", "15..15", "-1..2", "15 W..40 W"])
def test_ratios_that_are_no_range(text: str) -> None:
    with pytest.raises(QuantityError):
        quantity.ratio_range(text)


@pytest.mark.parametrize("text", ["3.5 kV", "2.5..4.2", "4.2..2.5 kV", "2.5 kV..4.2 A", "kV..kV"])
def test_voltages_that_are_no_range(text: str) -> None:
    with pytest.raises(QuantityError):
        quantity.voltage_range_v(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("14.205", "add Hz, kHz or MHz: 14.205 MHz"),
        ("14.205 mhz", "did you mean MHz?"),
        ("14.205 s", "write it in Hz, kHz or MHz"),
        ("7100000.5 Hz", "not a whole number of hertz"),
        ("7.1000005 MHz", "not a whole number of hertz"),
        ("7.100.000 Hz", "no separators"),
        ("7,100 kHz", "no separators"),
        ("7_100 kHz", "is not a frequency"),
        ("-7 MHz", "is not a frequency"),
        ("+7 MHz", "is not a frequency"),
        ("inf Hz", "is not a frequency"),
        ("NaN MHz", "is not a frequency"),
        ("1e400 Hz", "is not a frequency"),
        ("1" + "0" * 400 + " Hz", "is not a frequency"),
        (".5 MHz", "is not a frequency"),
        ("5. MHz", "is not a frequency"),
        ("\u0667 MHz", "is not a frequency"),  # an Arabic-Indic digit
        ("7\u00a0MHz", "is not a frequency"),  # a no-break space
        ("MHz", "is not a frequency"),
        ("", "is not a frequency"),
        ("7 MHz 8 MHz", "is not a frequency"),
    ],
)
def test_what_is_no_frequency_is_refused_with_what_would_do(text: str, words: str) -> None:
    with pytest.raises(QuantityError) as caught:
        quantity.frequency_hz(text)

    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("14.347..14.351 MHz", (14_347_000, 14_351_000)),
        ("14.347 MHz..14.351 MHz", (14_347_000, 14_351_000)),
        ("14347 kHz .. 14.351 MHz", (14_347_000, 14_351_000)),
        ("0..1 Hz", (0, 1)),
    ],
)
def test_frequency_ranges(text: str, expected: tuple[int, int]) -> None:
    assert quantity.frequency_range_hz(text) == expected


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("14.351..14.347 MHz", "is empty"),
        ("14.347..14.347 MHz", "is empty"),
        ("14.347-14.351 MHz", "write a range such as"),
        ("14.347..14.351", "add Hz, kHz or MHz"),
        ("14.347 MHz..14.351", "add Hz, kHz or MHz"),
        ("..14.351 MHz", "is not a frequency"),
        ("14.347...14.351 MHz", "is not a frequency"),
    ],
)
def test_ranges_that_are_none(text: str, words: str) -> None:
    with pytest.raises(QuantityError) as caught:
        quantity.frequency_range_hz(text)

    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("22:00..06:00", (1320, 360)),
        ("00:00..24:00", (0, 1440)),
        ("06:30 .. 07:00", (390, 420)),
    ],
)
def test_spans_of_the_day_may_wrap_midnight(text: str, expected: tuple[int, int]) -> None:
    assert quantity.minute_range(text) == expected


@pytest.mark.parametrize(
    "text", ["22:00", "22:00-06:00", "24:00..06:00", "22:60..23:00", "7:00..8:00", "07:00..07:00", ""]
)
def test_spans_that_are_none(text: str) -> None:
    with pytest.raises(QuantityError):
        quantity.minute_range(text)


@pytest.mark.parametrize(
    ("hz", "text"),
    [(14_205_000, "14.205 MHz"), (7_000_000, "7.000 MHz"), (7_100_500, "7.1005 MHz"), (1, "0.000001 MHz")],
)
def test_frequencies_are_shown_with_three_decimals_or_what_it_takes(hz: int, text: str) -> None:
    assert quantity.format_frequency(hz) == text


@given(st.integers(min_value=0, max_value=10**12))
def test_what_is_shown_reads_back(hz: int) -> None:
    assert quantity.frequency_hz(quantity.format_frequency(hz)) == hz


@given(st.decimals(min_value=0, max_value=10**6, places=3))
def test_times_in_milliseconds_are_exact(milliseconds: Decimal) -> None:
    assert quantity.duration_us(f"{milliseconds:f} ms") == int(milliseconds * 1000)


@given(st.text(max_size=50))
def test_any_text_is_a_quantity_or_an_error_in_words(text: str) -> None:
    for read in (quantity.frequency_hz, quantity.duration_us, quantity.frequency_range_hz, quantity.minute_range):
        with contextlib.suppress(QuantityError):
            assert read(text) is not None
