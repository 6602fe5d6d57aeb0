"""A whole simulated station tuned up by the real tune-up, gate and monitor, and what its presets are worth then.

The plant is physics of its own (see `plant/`); what is judged here is its ground truth, not what its meters say.
"""

from dataclasses import replace
from statistics import fmean

import pytest
from plant_station import station_of

from qsyd_rules.estimate import estimate
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.preset import Preset
from qsyd_rules.tune_plan import KEY_DOWN_US, lacking, plan_tune_up, tunable
from qsyd_rules.tune_up import TuneStep
from qsyd_rules.tune_up_steps import begin
from qsyd_simulators.plant.antenna import Resonance
from qsyd_simulators.plant.recall_trial import random_dial, with_recall, without_recall
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.stations import HERON_POINT, heron_point, plover_sands
from qsyd_simulators.plant.unattended import WIRING, Keying, UnattendedStation
from qsyd_simulators.plant.weather import CALM

SEED = 1
Missed = tuple[float, float]
"""By how many steps, tune and load together, and the mismatch that the tube would see."""


@pytest.fixture(scope="module")
def tuned() -> UnattendedStation:
    """Heron Point after its whole worksheet: three antennas, seven bands."""
    plant = heron_point(SEED)
    unattended = UnattendedStation(station_of(plant, "Heron Point"), plant)
    unattended.warm_up()
    unattended.tune_up()
    return unattended


def test_every_segment_of_the_worksheet_is_tuned(tuned: UnattendedStation) -> None:
    session = tuned.session
    assert session is not None
    expected = [key for key, _ in tunable(tuned.core.atlas)]
    assert len(expected) >= 15
    assert session.text == f"done: {len(expected)} of {len(expected)} segments saved"
    assert sorted(tuned.state.station.presets) == sorted(expected)
    assert not lacking(tuned.core.atlas, tuned.state.station.presets)


def test_nothing_was_harmed_on_the_way(tuned: UnattendedStation) -> None:
    plant = tuned.plant
    assert not plant.amplifier.operated_cold
    assert not plant.amplifier.switched_in_under_power
    assert not plant.switch.moved_under_power
    assert {notice.event for _, notice in tuned.told}.isdisjoint({"fault"})


def test_key_was_never_down_longer_than_a_step_may_take(tuned: UnattendedStation) -> None:
    keyed = [at_us for at_us, notice in tuned.told if notice.event == "keyed"]
    unkeyed = [at_us for at_us, notice in tuned.told if notice.event == "unkeyed"]
    assert len(keyed) >= 3 * 15  # from a quarter of the drive upwards, each segment
    assert max(up - down for down, up in zip(keyed, unkeyed, strict=True)) < KEY_DOWN_US


def test_presets_hold_a_tank_that_is_right(tuned: UnattendedStation) -> None:
    """Common practice, no source: a mismatch of 1.2 at the tube costs under 1 % of the output."""
    for (antenna, name), preset in tuned.state.station.presets.items():
        segment = tuned.core.atlas.segments_by_name[name]
        assert mismatch(tuned, antenna, segment.centre_hz, preset.tune, preset.load) <= 1.2, (antenna, name)
        assert 1300 <= (preset.forward_w or 0) <= 1_500
        assert 35 <= (preset.drive_w or 0) <= 60
        assert 10 <= (preset.grid_ma or 0) <= 120
        assert (preset.low_hz, preset.high_hz) == (segment.low_hz, segment.high_hz)


def test_recall_beats_no_recall_at_the_first_key_down_and_in_time_to_a_good_tune(tuned: UnattendedStation) -> None:
    dial = random_dial(tuned.station, seed=7, jumps=40)

    recalled = with_recall(tuned.station, heron_point(SEED), tuned.state.station.presets, dial)
    left = without_recall(tuned.station, heron_point(SEED), dial)

    assert recalled.trips == 0
    assert left.trips >= 5  # a tank of another band trips the protections
    assert recalled.mismatch_median < 1.3 < left.mismatch_median
    assert recalled.mismatch_worst < 2.0
    assert recalled.tuned_worst_s < left.tuned_median_s


def cage_dipole(resonant_hz: int, quality: float) -> StationPlant:
    """Heron Point with its thick dipole cut for another part of the band."""
    run = HERON_POINT[2]
    _, on_40m = run.antenna.resonances
    antenna = replace(run.antenna, resonances=(Resonance(55.0, resonant_hz, quality), on_40m))
    return StationPlant({**HERON_POINT, 2: replace(run, antenna=antenna)})


def test_estimate_beats_a_straight_line_when_each_preset_is_left_out() -> None:
    """On tanks tuned exactly at their segments' centres; in steps, and in the mismatch that the tube would see.

    Dipoles that serve all of 80m. On a thin one, past an SWR of 2.5 at the band's ends, the antenna's own reactance
    outweighs the tank's law, and neither helps: but there the amplifier may not be used without a matching unit.
    """
    law, line = list[Missed](), list[Missed]()
    for resonant_hz in (3_650_000, 3_700_000, 3_740_000, 3_800_000):
        for quality in (3.0, 4.5):
            plant = cage_dipole(resonant_hz, quality)
            for into, found in zip(
                (law, line), left_out(UnattendedStation(station_of(plant, "a"), plant)), strict=True
            ):
                into += found
    assert len(law) >= 30
    assert fmean(steps for steps, _ in law) < 0.95 * fmean(steps for steps, _ in line)
    assert fmean(swr for _, swr in law) < fmean(swr for _, swr in line)
    assert max(swr for _, swr in law) < 1.2


def left_out(of: UnattendedStation) -> tuple[list[Missed], list[Missed]]:
    """For each preset left out: the miss of the tune capacitor in steps, and the mismatch, by the law and by a line."""
    ports = {antenna.name: int(antenna.port) for antenna in of.station.antennas}
    law, line = list[Missed](), list[Missed]()
    for antenna, port in ports.items():
        for band in ("80m",):
            segments = [
                segment for (name, _), segment in tunable(of.core.atlas) if (name, segment.band) == (antenna, band)
            ]
            if len(segments) < 4:
                continue
            presets = {}
            for segment in segments:
                right = of.plant.solve(port, segment.centre_hz, 1)
                presets[antenna, segment.name] = Preset(antenna, segment.name, right.tune, right.load)
            for segment in segments:
                own = presets[antenna, segment.name]
                rest = {key: each for key, each in presets.items() if each is not own}
                fitted = estimate(rest, antenna, segment, of.station.segments)
                if fitted is None:
                    continue  # it says so where it would be no better than the band's whole span
                tune, load = straight(
                    [(each.centre_hz, presets[antenna, each.name]) for each in segments if each != segment],
                    segment.centre_hz,
                )
                for into, at in ((law, (fitted.tune, fitted.load)), (line, (tune, load))):
                    swr = mismatch(of, antenna, segment.centre_hz, *at)
                    into.append((abs(at[0] - own.tune) + abs(at[1] - own.load), swr))
    return law, line


def straight(presets: list[tuple[int, Preset]], hz: int) -> tuple[int, int]:
    """The straight line through the two presets nearest in frequency."""
    (one_hz, one), (other_hz, other) = sorted(presets, key=lambda each: abs(each[0] - hz))[:2]
    share = (hz - one_hz) / (other_hz - one_hz)
    return round(one.tune + share * (other.tune - one.tune)), round(one.load + share * (other.load - one.load))


def mismatch(of: UnattendedStation, antenna: str, hz: int, tune: int, load: int) -> float:
    """What the tube would see, from the plant's own network."""
    port = next(int(each.port) for each in of.station.antennas if each.name == antenna)
    stage = of.plant.amplifier.make
    return stage.tank.swr_at(hz, tune, load, of.plant.antenna_ohm(port, hz, 1), stage.tube.plate_load_ohm)


# Wrong moves


def warm(keying: Keying | None = None) -> UnattendedStation:
    plant = heron_point(SEED)
    unattended = UnattendedStation(station_of(plant, "Heron Point"), plant, keying or Keying())
    unattended.warm_up()
    return unattended


def begun(unattended: UnattendedStation, antenna: str, segment: str) -> UnattendedStation:
    """A tune-up of one segment, as far as the first key-down that it asks for."""
    plan = plan_tune_up(unattended.core.atlas, WIRING, {}, [(antenna, segment)])
    unattended.plant.auto_tune(True, unattended.now_us)
    unattended.move(begin(plan, unattended.sight()))
    return unattended


def reached(unattended: UnattendedStation, *steps: TuneStep) -> None:
    reached_within(unattended, 60_000_000, *steps)


def reached_within(unattended: UnattendedStation, most_us: int, *steps: TuneStep) -> None:
    unattended.run(lambda: unattended.session is not None and unattended.session.step in steps, most_us)


def nothing_saved(unattended: UnattendedStation) -> bool:
    return not unattended.state.station.presets


def test_full_drive_on_the_first_step_is_stopped_before_anything_else() -> None:
    """The rig takes no notice of the limit: the meter at the amplifier's input tells it."""
    unattended = begun(warm(Keying(drive_times=3.0, ignores_limit=True)), "reed-beam", "20m/1")
    reached(unattended, TuneStep.STOPPED)
    assert "this step allows 19 W" in unattended.texts[-1]
    assert "turn the rig down to 19 W" in unattended.texts[-1]
    assert unattended.plant.truth(unattended.now_us + 100_000).held
    assert nothing_saved(unattended)


def test_key_held_after_being_told_to_unkey_loses_the_permit() -> None:
    unattended = begun(warm(Keying(too_long_us=14_000_000)), "reed-beam", "20m/1")
    reached(unattended, TuneStep.STOPPED)
    assert "the key is still down" in unattended.texts[-1]
    assert unattended.plant.truth(unattended.now_us + 100_000).held
    assert nothing_saved(unattended)


def test_dial_on_another_band_while_keyed_is_stopped() -> None:
    unattended = begun(warm(), "reed-beam", "20m/1")
    reached(unattended, TuneStep.KEY)
    unattended.run(lambda: unattended.keyed, 10_000_000)
    unattended.turn_dial(7_100_000)
    reached(unattended, TuneStep.STOPPED)
    assert "the dial left 20m/1" in unattended.texts[-1]
    unattended.pass_time(1_000_000)
    assert unattended.sight().amplifier.value == "standby"
    assert not unattended.plant.switch.moved_under_power
    assert nothing_saved(unattended)


def test_dial_is_set_for_place_after_place_unkeyed_and_in_standby() -> None:
    plant = heron_point(SEED)
    unattended = UnattendedStation(station_of(plant, "Heron Point"), plant, sets_dial=True)
    unattended.warm_up()
    keys = [key for key, _ in tunable(unattended.core.atlas) if key[0] != "marsh-vertical"]
    plan = plan_tune_up(unattended.core.atlas, WIRING, {}, keys, sets_dial=True)
    plant.auto_tune(True, unattended.now_us)
    unattended.move(begin(plan, unattended.sight()))
    reached_within(unattended, 1_000_000_000, TuneStep.ENDED)
    assert unattended.texts[-1] == f"done: {len(keys)} of {len(keys)} segments saved"
    assert len(unattended.set_dials) == len(keys)
    assert {(keyed, state) for _, keyed, state in unattended.set_dials} == {(False, "standby")}
    assert not plant.harm


def test_rig_that_takes_no_setting_is_dialled_by_hand() -> None:
    plant = heron_point(SEED)
    unattended = UnattendedStation(station_of(plant, "Heron Point"), plant, sets_dial=True, dial_works=False)
    unattended.warm_up()
    plan = plan_tune_up(unattended.core.atlas, WIRING, {}, [("cage-dipole", "40m/1")], sets_dial=True)
    plant.auto_tune(True, unattended.now_us)
    unattended.move(begin(plan, unattended.sight()))
    reached(unattended, TuneStep.ENDED)
    assert len(unattended.set_dials) == 1
    assert any("the rig did not take the setting" in text for text in unattended.texts)
    assert unattended.texts[-1] == "done: 1 of 1 segments saved"
    assert not plant.harm


def unmatched(plant: StationPlant) -> StationPlant:
    """The same station, its matching units taken out."""
    aerials = {port: replace(run, unit=None) for port, run in plant.aerials.items()}
    return StationPlant(aerials, plant.amplifier.make, weather=plant.weather, meters=plant.amplifier.meters)


def test_matching_unit_is_set_before_the_amplifier_and_recalled_with_the_preset() -> None:
    """The dipole that is past 2.5 at the low end of 80m by itself, with its unit; positions come back with the dial."""
    plant = plover_sands(SEED, weather=CALM)
    unattended = UnattendedStation(station_of(plant, "Plover Sands"), plant)
    unattended.warm_up()
    wire = [key for key, _ in tunable(unattended.core.atlas) if key[0] == "shore-dipole"]
    plan = plan_tune_up(unattended.core.atlas, WIRING, {}, wire)
    assert {place.matching for place in plan.places} == {3}
    plant.auto_tune(True, unattended.now_us)
    unattended.move(begin(plan, unattended.sight()))
    unattended.run(lambda: unattended.session is not None and unattended.session.is_over, 20_000_000_000)
    plant.auto_tune(False, unattended.now_us)

    presets = unattended.state.station.presets
    assert sorted(presets) == sorted(wire)
    assert len({preset.matching for preset in presets.values()}) >= len(wire) - 1
    assert not plant.harm

    unattended.ask(AmplifierRequest.OPERATE)
    for key in (wire[0], wire[-1], wire[0]):
        segment = unattended.core.atlas.segments_by_name[key[1]]
        unattended.turn_dial(segment.centre_hz)
        unattended.pass_time(6_000_000)
        unattended.set_drive(presets[key].drive_w or 0)
        unattended.key(True)
        unattended.pass_time(1_000_000)
        truth = plant.truth(unattended.now_us)
        assert truth.forward_w > 1_250, key
        assert truth.swr < 1.2, key
        unattended.key(False)
        unattended.pass_time(1_000_000)
    assert not plant.harm


def test_antenna_with_an_swr_of_3_ends_it_with_what_to_look_at() -> None:
    plant = unmatched(plover_sands(SEED))  # its dipole is past 2.5 at the low end of 80m
    unattended = UnattendedStation(station_of(plant, "Plover Sands"), plant)
    unattended.warm_up()
    begun(unattended, "shore-dipole", "80m/1")
    reached(unattended, TuneStep.STOPPED, TuneStep.ENDED)
    assert "SWR 3." in unattended.texts[-1]
    assert "antenna" in unattended.texts[-1]
    assert nothing_saved(unattended)


def test_standby_asked_for_elsewhere_ends_it() -> None:
    unattended = begun(warm(), "reed-beam", "20m/1")
    reached(unattended, TuneStep.KEY)
    unattended.ask(AmplifierRequest.STANDBY)
    reached(unattended, TuneStep.ENDED)
    assert unattended.texts[-1] == "standby was asked for elsewhere"
    assert nothing_saved(unattended)
