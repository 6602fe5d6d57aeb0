"""An operator's hold of an antenna: before the rules, within everything else, and over by itself."""

from hypothesis import given, settings
from hypothesis import strategies as st
from station_bench import BANDS, MS, Bench, S, every_preset, live, operating, station, when

from qsyd_rules.command import CommandName, SelectAntenna
from qsyd_rules.event import Hold, HoldChanged
from qsyd_rules.notice import HoldEnded, HoldStarted, Placed
from qsyd_rules.placement import Atlas
from qsyd_rules.rulebook import Situation
from qsyd_rules.station import Rule, Then
from qsyd_rules.words import AmplifierState, Mode

WIRE_RULE = Rule("wire on 40", when(bands={"40m"}), Then(antenna="wire"))
UNTIL = "2026-05-01T10:30:00Z"


def hold(bench: Bench, antenna: str | None, for_us: int = 1800 * S, reason: str | None = "a comparison") -> None:
    held = None if antenna is None else Hold(antenna, bench.now_us + for_us, UNTIL, "jo", reason)
    bench.tell(HoldChanged(bench.now_us, held, "jo"))


def selected(bench: Bench, since: int) -> list[str]:
    return [command.antenna for _, command in bench.sent[since:] if isinstance(command, SelectAntenna)]


def on_40() -> tuple[Bench, int]:
    """At rest on the wire, where the rule wants it."""
    bench = live(WIRE_RULE)
    bench.tune(7_050_000)
    bench.run(2 * S)
    assert bench.is_released()
    return bench, len(bench.sent)


def test_a_held_antenna_goes_before_the_rules_until_its_time_is_over() -> None:
    bench, number = on_40()
    hold(bench, "loop", 100 * S)
    bench.run(2 * S)

    assert selected(bench, number) == ["loop"]
    assert bench.is_released()
    assert bench.told("hold-started") == [HoldStarted("loop", UNTIL, "jo", "a comparison")]
    placed = bench.told("placed")[-1]
    assert isinstance(placed, Placed)
    assert (placed.antenna, placed.rules) == ("loop", ())
    assert placed.because == f"held by jo until {UNTIL}: a comparison"

    bench.run(97 * S)
    assert selected(bench, number) == ["loop"]
    bench.run(3 * S)

    assert selected(bench, number) == ["loop", "wire"]
    assert bench.told("hold-ended") == [HoldEnded("loop", "jo", "its time is over")]
    assert bench.state.hold is None


def test_a_hold_says_nothing_on_bands_that_its_antenna_does_not_cover() -> None:
    bench, number = on_40()
    hold(bench, "loop")
    bench.run(2 * S)
    bench.tune(14_050_000)
    bench.run(2 * S)
    assert bench.is_released()
    bench.tune(7_060_000)
    bench.run(2 * S)

    assert selected(bench, number) == ["loop", "beam", "loop"]


def test_a_held_antenna_that_bears_less_than_the_amplifier_gives_is_used_barefoot() -> None:
    bench = operating(WIRE_RULE)
    bench.tune(7_050_000)
    bench.run(2 * S)
    assert bench.is_in_operate()
    number = len(bench.sent)
    hold(bench, "loop")
    bench.run(2 * S)

    assert selected(bench, number) == ["loop"]
    assert not bench.is_in_operate()
    assert bench.state.wish
    order = [
        each for each in bench.names(number) if each in {"inhibit-transmit", "amplifier-standby", "select-antenna"}
    ]
    assert order == ["inhibit-transmit", "amplifier-standby", "select-antenna"]
    hold(bench, None)
    bench.run(3 * S)
    assert selected(bench, number) == ["loop", "wire"]
    assert bench.is_in_operate()


def test_a_hold_waits_for_whoever_is_keyed() -> None:
    bench, number = on_40()
    bench.key()
    hold(bench, "loop")
    bench.run(20 * S)
    assert selected(bench, number) == []
    bench.unkey()
    bench.run(S)

    assert selected(bench, number) == ["loop"]


def test_a_hold_whose_time_is_over_cuts_into_no_transmission() -> None:
    bench, number = on_40()
    hold(bench, "loop", 10 * S)
    bench.run(5 * S)
    bench.key()
    bench.run(70 * S)
    assert bench.is_released()
    bench.unkey()
    bench.run(59 * S)
    assert selected(bench, number) == ["loop"]
    bench.run(2 * S)

    assert selected(bench, number) == ["loop", "wire"]


def test_a_hold_whose_time_is_over_ends_with_the_next_movement_of_the_dial() -> None:
    bench, number = on_40()
    hold(bench, "loop", 10 * S)
    bench.run(5 * S)
    bench.key()
    bench.unkey()
    bench.run(10 * S)
    assert not bench.told("hold-ended")
    bench.tune(7_050_010)
    bench.run(S)

    assert len(bench.told("hold-ended")) == 1
    assert selected(bench, number) == ["loop", "wire"]


def test_a_second_hold_takes_the_place_of_the_first_and_off_ends_it() -> None:
    bench, number = on_40()
    hold(bench, "loop")
    bench.run(S)
    hold(bench, "wire", reason=None)
    bench.run(S)
    hold(bench, None)
    hold(bench, None)
    bench.run(S)

    assert selected(bench, number) == ["loop", "wire"]
    assert [ended.because for ended in bench.told("hold-ended") if isinstance(ended, HoldEnded)] == [
        "jo holds wire now",
        "ended by jo",
    ]


def test_a_hold_without_a_rig_ends_all_the_same() -> None:
    bench, _ = on_40()
    hold(bench, "loop", 10 * S)
    bench.cut_rig()
    bench.run(80 * S)

    assert bench.state.hold is None
    assert not bench.is_released()


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 60_000_000),
    st.none() | st.sampled_from(list(Mode)),
    st.sampled_from(["beam", "wire", "loop", "gone"]),
)
def test_a_hold_changes_the_antenna_where_it_covers_the_band_and_nothing_elsewhere(
    frequency_hz: int, mode: Mode | None, held: str
) -> None:
    of = station(WIRE_RULE)
    atlas, presets = Atlas(of), every_preset(of)
    free = Situation("main", frequency_hz, mode, AmplifierState.STANDBY, False, 0)
    place = atlas.place(Situation("main", frequency_hz, mode, AmplifierState.STANDBY, False, 0, held=held), presets)
    band = next((band.name for band in BANDS if frequency_hz in band), None)
    covers = any(antenna.name == held and band in antenna.bands for antenna in of.antennas)

    assert place.held is covers
    if covers:
        assert place.antenna is not None
        assert place.antenna.name == held
        assert place.inhibits == atlas.place(free, presets).inhibits
    else:
        assert place == atlas.place(free, presets)


def test_holds_move_nothing_that_the_place_does_not_need() -> None:
    bench, number = on_40()
    hold(bench, "wire")
    bench.run(100 * MS)
    hold(bench, None)
    bench.run(S)

    assert bench.times(CommandName.SELECT_ANTENNA, number) == []
