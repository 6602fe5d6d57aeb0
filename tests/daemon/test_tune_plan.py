"""What a tune-up takes in hand and what it leaves out, by station files as operators write them."""

from pathlib import Path

import pytest

from qsyd_daemon.station_file.load import station_from_text
from qsyd_rules.event import Hold
from qsyd_rules.placement import Atlas
from qsyd_rules.tune_plan import TunePlan, lacking, plan_tune_up, tunable
from qsyd_rules.wiring import Wiring

STATION = """
station: Marsh End
region: 2
{more}
rigs:
  main: {{link: simulated}}
antennas:
  long-wire: {{port: 1, bands: [80m, 60m, 40m]}}
  low-loop: {{port: 2, bands: [40m], max_power: 500 W}}
  attic: {{port: 3, bands: [40m]}}
amplifier: {{bands: {bands}, warm_up: 180 s, output: 1450 W}}
segments:
  80m: [3.500 MHz, 3.550 MHz, 3.600 MHz, 3.800 MHz, 4.000 MHz]
  40m: 1
rules:
  - name: the beacon's own
    when: {{frequency: 3.570..3.580 MHz}}
    then: {{inhibit: our beacon is on here}}
  - name: rest at night
    when: {{band: 40m, between: 22:00..06:00}}
    then: {{amplifier: standby}}
"""


def planned(
    *,
    bands: str = "[80m, 40m]",
    more: str = "",
    minute: int | None = 12 * 60,
    held: Hold | None = None,
    antenna: str = "long-wire",
) -> TunePlan:
    atlas = Atlas(station_from_text(STATION.format(bands=bands, more=more), Path("station.yaml")).station)
    chosen = [key for key in lacking(atlas, {}) if key[0] == antenna]
    return plan_tune_up(atlas, Wiring({}), {}, chosen, minute=minute, held=held)


def dials(plan: TunePlan) -> dict[str, int]:
    return {place.segment.name: place.dial_hz for place in plan.places}


def test_centre_is_the_dial_where_nothing_forbids_it() -> None:
    plan = planned()
    assert dials(plan)["80m/1"] == 3_525_000
    assert dials(plan)["40m/1"] == 7_150_000
    assert plan.left_out == ()


def test_centre_under_a_rule_that_inhibits_gives_way_to_the_nearest_frequency() -> None:
    """80m/2 reaches from 3.550 to 3.600 MHz: its centre is the beacon's; 3.570 to 3.580 is inhibited."""
    plan = planned()
    (place,) = [each for each in plan.places if each.segment.name == "80m/2"]
    assert place.dial_hz in {3_569_000, 3_580_000}
    assert place.elsewhere_because == "our beacon is on here"


def test_centre_outside_the_licence_gives_way_and_a_closed_segment_is_left_out() -> None:
    """47 CFR 97.301(d): General class has 3.525 to 3.600 and 3.800 to 4.000 MHz on 80 m; CW takes 75 Hz on either side."""
    plan = planned(more="privileges: us-general")
    assert dials(plan)["80m/1"] == 3_526_000
    assert "80m/3" not in dials(plan), "3.600 to 3.800 MHz is not General's at all"
    assert [text.split(":")[0] for text in plan.left_out] == ["long-wire on 80m/3"]
    assert dials(plan)["80m/4"] == 3_900_000


def test_60_m_is_left_out_with_why() -> None:
    """47 CFR 97.303(h) and 97.313(i): channels and a power limit, so the amplifier has nothing to do there."""
    plan = planned(bands="[80m, 60m, 40m]", more="privileges: us-extra")
    assert [text.split(":")[0] for text in plan.left_out] == ["long-wire on 60m/1"]
    assert not any(name.startswith("60m") for name in dials(plan))


def test_rule_that_keeps_the_amplifier_in_standby_leaves_out_for_as_long_as_it_holds() -> None:
    assert "40m/1" in dials(planned(minute=12 * 60))
    plan = planned(minute=23 * 60)
    assert "40m/1" not in dials(plan)
    assert plan.left_out == ("long-wire on 40m/1: rule “rest at night”",)


def test_antenna_that_an_operator_holds_keeps_others_off_its_bands() -> None:
    held = Hold("attic", 1, "later", "jo")
    plan = planned(held=held)
    assert plan.left_out == ("long-wire on 40m/1: attic is held by jo",)
    assert "80m/1" in dials(plan)
    assert "40m/1" in dials(planned(held=Hold("long-wire", 1, "later", "jo")))


def test_nothing_left_is_said_with_why() -> None:
    with pytest.raises(ValueError, match="nothing can be tuned now: attic on 40m/1: rule “rest at night”"):
        planned(antenna="attic", minute=23 * 60)


def test_antenna_that_bears_less_has_nothing_to_tune() -> None:
    atlas = Atlas(station_from_text(STATION.format(bands="[80m, 40m]", more=""), Path("s")).station)
    assert "low-loop" not in {antenna for (antenna, _), _ in tunable(atlas)}
