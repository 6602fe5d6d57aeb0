"""Which rules decide: the compiled index against the plain reading of every rule, over random rule sets."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from station_bench import BANDS, segments, station, when

from qsyd_rules.interval_index import EVERYWHERE, IntervalIndex, intersect, merged
from qsyd_rules.rulebook import Rulebook, Selections, Situation
from qsyd_rules.station import Rule, Send, Then, When
from qsyd_rules.words import AmplifierState, Mode

TOP_HZ = 60_000_000
EDGES = sorted(
    {edge for band in BANDS for edge in (band.low_hz, band.high_hz)}
    | {edge for segment in segments() for edge in (segment.low_hz, segment.high_hz)}
    | {0, 1, TOP_HZ}
)
ANTENNAS = {antenna.name: antenna for antenna in station().antennas}


def situation(
    frequency_hz: int,
    mode: Mode | None = Mode.CW,
    amplifier: AmplifierState = AmplifierState.OFF,
    *,
    keyed: bool = False,
    minute: int | None = 0,
    rig: str = "main",
) -> Situation:
    return Situation(rig, frequency_hz, mode, amplifier, keyed, minute)


def read_plainly(book: Rulebook, at: Situation) -> Selections:
    """Every rule in file order, one by one, as an operator reads the file."""
    first: dict[str, int] = {}
    remarks = []
    band = next((band.name for band in BANDS if at.frequency_hz in band), None)
    for number, rule in enumerate(book.rules):
        if not book.matches(rule, at)[0]:
            continue
        then = rule.then
        if then.antenna is not None and band in ANTENNAS[then.antenna].bands:
            first.setdefault("antenna", number)
        if then.drive_w is not None:
            first.setdefault("drive", number)
        if then.amplifier_standby:
            first.setdefault("amplifier", number)
        if then.inhibit or then.warn or then.send:
            remarks.append(number)
    return Selections(first.get("antenna"), first.get("drive"), first.get("amplifier"), tuple(remarks))


near_edges = st.builds(lambda edge, by: min(TOP_HZ, max(0, edge + by)), st.sampled_from(EDGES), st.integers(-2, 2))
frequencies = st.one_of(near_edges, st.integers(0, TOP_HZ))
ranges = st.lists(st.tuples(frequencies, frequencies).map(lambda pair: (min(pair), max(pair))), min_size=1, max_size=3)
minutes = st.integers(0, 1439)
modes = st.sampled_from(list(Mode))


def some(of: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | st.frozensets(of, min_size=1, max_size=3)


whens = st.builds(
    When,
    rigs=some(st.sampled_from(["main", "other"])),
    bands=some(st.sampled_from([band.name for band in BANDS])),
    segments=some(st.sampled_from([segment.name for segment in segments()])),
    frequencies_hz=st.none() | ranges.map(tuple),
    modes=some(modes),
    amplifier=some(st.sampled_from(list(AmplifierState))),
    keyed=st.none() | st.booleans(),
    between=st.none() | st.lists(st.tuples(minutes, minutes), min_size=1, max_size=2).map(tuple),
    events=st.none() | st.none() | st.none() | st.just(frozenset({"keyed"})),
)
thens = st.builds(
    Then,
    antenna=st.none() | st.sampled_from(list(ANTENNAS)),
    drive_w=st.none() | st.integers(1, 100),
    amplifier_standby=st.booleans(),
    inhibit=st.none() | st.just("no"),
    warn=st.none() | st.just("mind"),
    send=st.none() | st.just(Send("journal", "x")),
)
rule_sets = st.lists(st.builds(lambda when_, then: (when_, then), whens, thens), max_size=12).map(
    lambda pairs: tuple(Rule(f"rule {number}", when_, then) for number, (when_, then) in enumerate(pairs))
)
situations = st.builds(
    Situation,
    rig=st.sampled_from(["main", "other"]),
    frequency_hz=frequencies,
    mode=st.none() | modes,
    amplifier=st.sampled_from(list(AmplifierState)),
    keyed=st.booleans(),
    minute=st.none() | minutes,
)


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(rules=rule_sets, places=st.lists(situations, min_size=1, max_size=12))
def test_the_index_decides_as_a_plain_reading_of_all_rules_does(
    rules: tuple[Rule, ...], places: list[Situation]
) -> None:
    book = Rulebook(station(*rules))

    for at in places:
        assert book.select(at) == read_plainly(book, at)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(rules=rule_sets)
def test_it_does_so_at_every_edge_that_any_rule_names_and_one_hertz_to_either_side(rules: tuple[Rule, ...]) -> None:
    book = Rulebook(station(*rules))
    named = {edge for rule in rules for interval in rule.when.frequencies_hz or () for edge in interval}

    for edge in {*named, *EDGES}:
        for frequency_hz in (max(0, edge - 1), edge, edge + 1):
            at = situation(frequency_hz, Mode.DATA, AmplifierState.STANDBY, minute=720)
            assert book.select(at) == read_plainly(book, at), frequency_hz


def test_every_frequency_from_nothing_to_60_mhz_has_an_answer() -> None:
    """Each kilohertz, and each hertz around every edge."""
    book = Rulebook(
        station(Rule("all", When(), Then(drive_w=50)), Rule("40", when(bands={"40m"}), Then(antenna="loop")))
    )
    around = [edge + by for edge in EDGES for by in range(-50, 51) if edge + by >= 0]

    for frequency_hz in (*range(0, TOP_HZ + 1, 1_000), *around):
        found = book.select(situation(frequency_hz))
        assert found.drive == 0
        assert (found.antenna == 1) is (7_000_000 <= frequency_hz <= 7_300_000)


def test_the_first_matching_rule_in_file_order_decides_each_setting_by_itself() -> None:
    book = Rulebook(
        station(
            Rule("a", when(modes={Mode.DATA}), Then(drive_w=25)),
            Rule("b", when(bands={"40m"}), Then(antenna="loop", drive_w=50)),
            Rule("c", When(), Then(antenna="wire", drive_w=75, amplifier_standby=True)),
        )
    )

    assert book.select(situation(7_050_000, Mode.DATA)) == Selections(1, 0, 2, ())
    assert book.select(situation(7_050_000)) == Selections(1, 1, 2, ())
    assert book.select(situation(3_550_000)) == Selections(2, 2, 2, ())


def test_a_rule_whose_antenna_does_not_cover_the_band_decides_only_its_other_settings() -> None:
    book = Rulebook(
        station(Rule("a", When(), Then(antenna="beam", drive_w=25)), Rule("b", When(), Then(antenna="loop")))
    )

    assert book.select(situation(7_050_000)) == Selections(1, 0, None, ())
    assert book.select(situation(14_050_000)) == Selections(0, 0, None, ())
    assert book.select(situation(3_550_000)) == Selections(None, 0, None, ())


def test_inhibits_warnings_and_texts_of_all_matching_rules_count_each_once() -> None:
    book = Rulebook(
        station(
            Rule("a", when(frequencies_hz=((0, 8_000_000), (7_000_000, 20_000_000))), Then(inhibit="x", warn="y")),
            Rule("b", When(), Then(warn="z")),
            Rule("c", when(modes={Mode.FM}), Then(inhibit="not here")),
        )
    )

    assert book.select(situation(7_050_000)).remarks == (0, 1)
    assert book.select(situation(7_050_000)).deciding == (0, 1)


@pytest.mark.parametrize(
    ("between", "minute", "holds"),
    [
        ((1320, 360), 1319, False),
        ((1320, 360), 1320, True),  # from is in
        ((1320, 360), 0, True),
        ((1320, 360), 359, True),
        ((1320, 360), 360, False),  # to is out
        ((360, 1320), 359, False),
        ((360, 1320), 360, True),
        ((360, 1320), 1319, True),
        ((360, 1320), 1320, False),
        ((600, 600), 0, True),  # the whole day
        ((0, 0), 1439, True),
        ((0, 1), None, False),  # an unknown hour is in no range
    ],
)
def test_hours_are_half_open_and_may_wrap_midnight(between: tuple[int, int], minute: int | None, holds: bool) -> None:
    book = Rulebook(station(Rule("at night", when(between=(between,)), Then(drive_w=25))))

    assert (book.select(situation(7_050_000, minute=minute)).drive == 0) is holds


@pytest.mark.parametrize(
    ("frequency_hz", "holds"),
    [(7_049_999, False), (7_050_000, True), (7_059_999, True), (7_060_000, False)],
)
def test_a_frequency_range_is_half_open(frequency_hz: int, holds: bool) -> None:
    book = Rulebook(station(Rule("here", when(frequencies_hz=((7_050_000, 7_060_000),)), Then(drive_w=25))))

    assert (book.select(situation(frequency_hz)).drive == 0) is holds


@pytest.mark.parametrize(
    ("frequency_hz", "band", "top_segment"),
    [(14_174_999, True, False), (14_175_000, True, True), (14_350_000, True, True), (14_350_001, False, False)],
)
def test_band_edges_belong_to_the_band_and_the_topmost_segment(
    frequency_hz: int, band: bool, top_segment: bool
) -> None:
    in_band = Rule("band", when(bands={"20m"}), Then(drive_w=25))
    in_segment = Rule("segment", When(segments=frozenset({"20m/2"})), Then(amplifier_standby=True))
    found = Rulebook(station(in_band, in_segment)).select(situation(frequency_hz))

    assert (found.drive == 0) is band
    assert (found.amplifier == 1) is top_segment


def test_a_condition_that_names_what_the_station_has_not_never_holds() -> None:
    book = Rulebook(station(Rule("gone", when(bands={"6m"}), Then(drive_w=25))))

    assert all(book.select(situation(hz)).drive is None for hz in (0, 7_050_000, 50_100_000))


@pytest.mark.parametrize(
    ("condition", "because"),
    [
        (when(bands={"20m"}), "the band is 40m"),
        (When(segments=frozenset({"20m/1"})), "the segment is 40m/1"),
        (when(frequencies_hz=((0, 1),)), "the frequency is outside its range"),
        (when(modes={Mode.FM}), "the mode is cw"),
        (when(amplifier={AmplifierState.OPERATE}), "the amplifier is in off"),
        (when(keyed=True), "the rig is not keyed"),
        (when(between=((60, 120),)), "the time is 00:00 UTC"),
        (When(rigs=frozenset({"other"})), "the rig is main"),
        (when(events={"keyed"}), "it answers an event, it does not hold for a while"),
    ],
)
def test_a_rule_that_does_not_hold_says_what_it_fails_on(condition: When, because: str) -> None:
    book = Rulebook(station())

    assert book.matches(Rule("r", condition, Then()), situation(7_050_000)) == (False, because)


def test_a_rule_that_holds_says_so() -> None:
    book = Rulebook(station())

    assert book.matches(Rule("r", When(), Then()), situation(0)) == (True, "it has no condition")
    assert book.matches(Rule("r", when(bands={"40m"}), Then()), situation(7_000_000)) == (True, "every condition holds")


# The index itself

intervals = st.tuples(st.integers(0, 60), st.integers(0, 60))


@given(st.lists(intervals, max_size=30))
def test_the_index_finds_exactly_the_intervals_that_hold_a_frequency(given_: list[tuple[int, int]]) -> None:
    index = IntervalIndex([(interval, number) for number, interval in enumerate(given_)])

    for frequency_hz in range(-1, 63):
        found = sorted(number for node in index.nodes_at(frequency_hz) for number in index.groups[node])
        assert found == [number for number, (low, high) in enumerate(given_) if low <= frequency_hz < high]


def test_an_interval_that_spans_all_the_others_is_stored_at_few_nodes() -> None:
    """Else the index would be quadratic in the number of rules."""
    narrow = [((at, at + 1), at) for at in range(0, 4_096, 2)]
    index = IntervalIndex([*narrow, (EVERYWHERE, -1)])

    assert sum(clause == -1 for group in index.groups.values() for clause in group) <= 26


@given(st.lists(intervals, max_size=8), st.lists(intervals, max_size=8))
def test_intervals_are_intersected_and_merged_point_by_point(
    first: list[tuple[int, int]], second: list[tuple[int, int]]
) -> None:
    kept = [(low, high) for low, high in first if low < high]
    both = intersect(kept, [(low, high) for low, high in second if low < high])

    for point in range(62):
        expected = any(low <= point < high for low, high in first) and any(low <= point < high for low, high in second)
        assert any(low <= point < high for low, high in both) is expected
        assert any(low <= point < high for low, high in merged(kept)) is any(low <= point < high for low, high in kept)
