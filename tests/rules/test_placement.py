"""Where a frequency places the station, and what keeps the amplifier out or transmit inhibited there."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from station_bench import BANDS, MS, Bench, S, every_preset, live, segments, station, when

from qsyd_daemon.band_data import load_band_tables
from qsyd_rules.command import RecallPreset, SelectAntenna
from qsyd_rules.notice import Placed
from qsyd_rules.placement import Atlas, Placement
from qsyd_rules.preset import Presets, PresetStanding
from qsyd_rules.rulebook import Situation
from qsyd_rules.station import Rule, Station, Then, WithoutPreset
from qsyd_rules.words import AmplifierState, LicenceClass, Mode


def placed(
    frequency_hz: int,
    *rules: Rule,
    of: Station | None = None,
    presets: Presets | None = None,
    mode: Mode | None = Mode.CW,
    rig: str = "main",
) -> Placement:
    of = station(*rules) if of is None else of
    presets = every_preset(of) if presets is None else presets
    return Atlas(of).place(Situation(rig, frequency_hz, mode, AmplifierState.STANDBY, False, 0), presets)


@pytest.mark.parametrize(
    ("frequency_hz", "band", "segment", "antenna"),
    [
        (0, None, None, None),
        (3_499_999, None, None, None),
        (3_500_000, "80m", "80m/1", "wire"),  # the low edge is in
        (4_000_000, "80m", "80m/5", "wire"),  # and so is the high one
        (4_000_001, None, None, None),
        (7_050_000, "40m", "40m/1", "wire"),  # the first antenna in file order that covers the band
        (10_150_000, "30m", "30m/1", "wire"),
        (14_174_999, "20m", "20m/1", "beam"),
        (14_175_000, "20m", "20m/2", "beam"),  # an edge between two belongs to the upper
        (60_000_000, None, None, None),
    ],
)
def test_each_frequency_has_its_band_segment_and_antenna(
    frequency_hz: int, band: str | None, segment: str | None, antenna: str | None
) -> None:
    place = placed(frequency_hz)

    assert (place.band.name if place.band else None) == band
    assert (place.segment.name if place.segment else None) == segment
    assert (place.antenna.name if place.antenna else None) == antenna
    assert place.served is (antenna is not None)


@settings(max_examples=300)
@given(st.integers(0, 60_000_000), st.none() | st.sampled_from(list(Mode)))
def test_a_place_is_total_and_agrees_with_the_bands(frequency_hz: int, mode: Mode | None) -> None:
    place = placed(frequency_hz, mode=mode)
    band = next((band for band in BANDS if frequency_hz in band), None)

    assert place.band == band
    assert place.served is (band is not None)
    assert bool(place.inhibits) is (band is None)
    if place.preset is not None:
        assert (place.preset.antenna, place.preset.segment) == place.key[:2]


def test_a_band_without_an_antenna_is_inhibited_and_says_so() -> None:
    of = replace(station(), antennas=station().antennas[1:])

    assert placed(14_050_000, of=of).inhibits == ("no antenna serves 20m",)


def test_outside_every_band_is_inhibited_and_says_so() -> None:
    assert placed(5_000_000).inhibits == ("5.000 MHz is outside every band of region 2",)


@pytest.mark.parametrize(
    ("frequency_hz", "rules", "because"),
    [
        (10_120_000, (), "the amplifier does not serve 30m"),
        (7_050_000, (Rule("loop", when(), Then(antenna="loop")),), "loop bears 500 W, the amplifier gives 1450 W"),
        (14_050_000, (Rule("rest", when(), Then(amplifier_standby=True)),), "rule “rest”"),
        (0, (), "nothing serves this frequency"),
        (14_050_000, (), None),
    ],
)
def test_what_keeps_the_amplifier_out_is_said(frequency_hz: int, rules: tuple[Rule, ...], because: str | None) -> None:
    assert placed(frequency_hz, *rules).barefoot_because == because


def test_an_antenna_that_bears_just_the_amplifiers_output_may_have_it() -> None:
    of = station()
    enough = replace(of, antennas=(replace(of.antennas[0], max_power_w=1450), *of.antennas[1:]))
    short = replace(of, antennas=(replace(of.antennas[0], max_power_w=1449), *of.antennas[1:]))

    assert placed(14_050_000, of=enough).barefoot_because is None
    assert placed(14_050_000, of=short).barefoot_because == "beam bears 1449 W, the amplifier gives 1450 W"


def test_a_rig_that_the_amplifier_does_not_follow_is_barefoot() -> None:
    assert placed(14_050_000, rig="other").barefoot_because == "the amplifier follows main"


def test_a_stale_preset_is_never_recalled() -> None:
    presets = every_preset(station())
    stale = {**presets, ("beam", "20m/1"): replace(presets["beam", "20m/1"], high_hz=14_174_999)}
    place = placed(14_050_000, presets=stale)

    assert place.preset is None
    assert place.preset_standing is PresetStanding.STALE
    assert place.barefoot_because == "only a stale preset for beam on 20m/1"


def test_a_preset_without_edges_is_as_good_as_one_of_this_segment() -> None:
    presets = every_preset(station())
    bare = {**presets, ("beam", "20m/1"): replace(presets["beam", "20m/1"], low_hz=None, high_hz=None)}
    place = placed(14_050_000, presets=bare)

    assert place.preset == presets["beam", "20m/1"]


def test_without_a_preset_it_is_barefoot_unless_the_station_file_says_otherwise() -> None:
    of = station()
    assert of.amplifier is not None
    bold = replace(of, amplifier=replace(of.amplifier, without_preset=WithoutPreset.OPERATE))

    assert placed(14_050_000, presets={}).barefoot_because == "no preset for beam on 20m/1"
    assert placed(14_050_000, of=bold, presets={}).barefoot_because is None


def test_the_drive_is_the_lowest_of_rule_preset_and_amplifier() -> None:
    presets = every_preset(station())
    at_40_w = {**presets, ("beam", "20m/1"): replace(presets["beam", "20m/1"], drive_w=40)}
    rule = Rule("cool", when(modes={Mode.DATA}), Then(drive_w=25))

    assert placed(14_050_000, rule, of=station(rule, drive_w=75), presets=at_40_w, mode=Mode.DATA).drive_w == 25
    assert placed(14_050_000, rule, of=station(rule, drive_w=75), presets=at_40_w).drive_w == 40
    assert placed(14_050_000, of=station(drive_w=30), presets=at_40_w).drive_w == 30
    assert placed(14_250_000, of=station(drive_w=75), presets=at_40_w).drive_w == 75
    assert placed(14_050_000).drive_w is None


def test_every_inhibit_rule_that_matches_is_a_reason() -> None:
    rules = [Rule(name, when(bands={"20m"}), Then(inhibit=name)) for name in ("one", "two")]

    assert placed(14_050_000, *rules).inhibits == ("one", "two")


# Licences. Powers: 47 CFR 97.313, see test_privileges.


def licensed(licence: LicenceClass, output_w: int = 1450) -> Station:
    tables = load_band_tables()
    of = station()
    assert of.amplifier is not None
    amplifier = replace(of.amplifier, bands=(*of.amplifier.bands, "30m"), output_w=output_w)
    return replace(of, privileges=tables.privileges(licence), amplifier=amplifier)


def test_the_power_limit_of_30_m_keeps_the_amplifier_in_standby() -> None:
    """47 CFR 97.313(c)(1): 200 W PEP on 10.1-10.15 MHz."""
    place = placed(10_120_000, of=licensed(LicenceClass.US_EXTRA))

    assert place.barefoot_because == "the power limit here is 200 W"
    assert place.inhibits == ()


def test_an_amplifier_within_the_power_limit_may_operate_there() -> None:
    assert placed(10_120_000, of=licensed(LicenceClass.US_EXTRA, output_w=200)).barefoot_because is None


def test_outside_the_privileges_is_inhibited_though_the_band_goes_on() -> None:
    """47 CFR 97.301(d): a General has 20 m from 14.025 MHz."""
    assert "14.020 MHz" in placed(14_020_000, of=licensed(LicenceClass.US_GENERAL)).inhibits[0]
    assert placed(14_030_000, of=licensed(LicenceClass.US_GENERAL)).inhibits == ()


def test_a_sideband_that_reaches_past_the_band_is_forbidden_by_a_licence_and_advised_against_without() -> None:
    """NCVEC Extra pool, E1A01: a 3 kHz upper sideband on 14.348 MHz reaches past the band."""
    assert placed(14_348_000, of=licensed(LicenceClass.US_EXTRA), mode=Mode.USB).inhibits
    plain = placed(14_348_000, mode=Mode.USB)
    assert plain.inhibits == ()
    assert ["past the band's edge" in advice.text for advice in plain.advice] == [True]


# The same through the core


def test_a_mode_may_choose_the_antenna() -> None:
    bench = live(Rule("data on the loop", when(bands={"40m"}, modes={Mode.DATA}), Then(antenna="loop")))
    bench.tune(7_050_000)
    bench.run(S)
    number = len(bench.sent)
    bench.rig.mode = Mode.DATA
    bench.run(S)

    assert SelectAntenna("main", "loop", 3) in [command for _, command in bench.sent[number:]]
    assert [place.rules for place in bench.told("placed") if isinstance(place, Placed)][-1] == ("data on the loop",)


def night() -> Rule:
    return Rule("loop at night", when(bands={"40m"}, between=((1320, 360),)), Then(antenna="loop"))


def selected(bench: Bench, number: int) -> list[str]:
    return [command.antenna for _, command in bench.sent[number:] if isinstance(command, SelectAntenna)]


def at_dusk(*, keyed: bool) -> tuple[Bench, int]:
    """On 40 m for ten seconds, the last unkey just now or still keyed, when the clock turns to 22:00."""
    bench = live(night(), minute=1319)
    bench.tune(7_050_000)
    bench.run(10 * S)
    bench.key()
    bench.run(S)
    if not keyed:
        bench.unkey()
    number = len(bench.sent)
    bench.turn_minute(1320)
    return bench, number


def test_an_hour_that_turns_moves_nothing_before_sixty_seconds_unkeyed() -> None:
    bench, number = at_dusk(keyed=False)
    bench.run(60 * S - 1)
    assert bench.names(number) == []

    bench.run(S)

    assert selected(bench, number) == ["loop"]


def test_an_hour_that_turns_is_taken_over_by_the_next_movement_of_the_dial() -> None:
    bench, number = at_dusk(keyed=False)
    bench.run(5 * S)
    bench.tune(7_050_010)
    bench.run(S)

    assert selected(bench, number) == ["loop"]


def test_an_hour_that_turns_waits_for_who_is_keyed() -> None:
    bench, number = at_dusk(keyed=True)
    bench.run(150 * S)
    assert bench.names(number) == []

    bench.unkey()
    bench.run(59 * S)
    assert bench.names(number) == []
    bench.run(2 * S)

    assert selected(bench, number) == ["loop"]


def test_an_hour_that_no_rule_cares_for_changes_nothing() -> None:
    bench = live()
    number = len(bench.sent)
    for minute in range(1440):
        bench.turn_minute(minute)
    bench.run(120 * S)

    assert bench.names(number) == []


def test_every_segment_of_the_station_is_reached_and_gets_its_own_preset() -> None:
    bench = live()
    for segment in segments():
        if segment.band == "30m":
            continue
        number = len(bench.sent)
        bench.tune(segment.centre_hz)
        bench.run(S)
        if segment.name != "20m/1":
            recalled = [command for _, command in bench.sent[number:] if isinstance(command, RecallPreset)]
            assert [command.segment for command in recalled] == [segment.name] or not recalled
        assert bench.is_released()
        assert bench.state.spot is not None
        assert bench.state.spot.segment == segment.name


def test_an_inhibit_rule_inhibits_at_once_and_releases_at_once() -> None:
    bench = live(Rule("beacon", when(frequencies_hz=((14_099_000, 14_101_000),)), Then(inhibit="a beacon listens")))
    start_us = bench.now_us
    bench.tune(14_100_000, push=True)
    assert bench.reasons == ("a beacon listens",)
    bench.run(10 * MS)
    bench.tune(14_101_000, push=True)
    bench.run(10 * MS)

    sent = [(at_us - start_us, str(command.name)) for at_us, command in bench.sent if at_us >= start_us]
    assert sent == [(0, "inhibit-transmit"), (10 * MS, "release-transmit")]
