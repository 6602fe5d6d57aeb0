"""The tune-up by itself, against a station that is only looked at: each step, each way out, and what is never saved."""

from dataclasses import replace
from typing import Any

import pytest
from station_bench import S
from tune_desk import METERS, SEGMENTS, Desk, place, plan

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.tune_up import Ask, ChangeTuning, TuneStep, TuneWord
from qsyd_rules.tune_up_steps import (
    IDLE_US,
    TuneRefusedError,
    begin,
    left_us,
    saved,
    wake_at_us,
)
from qsyd_rules.words import AmplifierState


def test_four_steps_of_the_drive_lead_to_a_preset_with_its_readings() -> None:
    desk = Desk(plan())
    assert "dial to 14.0875 MHz" in desk.text
    desk.to_key()
    for forward_w, drive_w in ((360.0, 12.0), (700.0, 24.0), (1050.0, 36.0)):
        desk.one_good_step(forward_w, drive_w)
        assert desk.step() is TuneStep.DRIVE
        desk.say(TuneWord.NEXT)
    desk.one_good_step(1400.0, 48.0)

    (save,) = desk.kept
    made = save.preset
    assert (made.antenna, made.segment, made.tune, made.load) == ("beam", "20m/1", 300, 410)
    assert (made.drive_w, made.forward_w, made.reflected_w, made.grid_ma) == (48, 1400, 2, 20)
    assert (made.low_hz, made.high_hz) == (SEGMENTS["20m/1"].low_hz, SEGMENTS["20m/1"].high_hz)
    assert desk.step() is TuneStep.SAVE
    assert desk.it is not None
    desk.take(saved(desk.it, made, None, desk.sight))
    assert desk.text == "done: 1 of 1 segments saved"
    assert desk.acts[-1] == ChangeTuning(None)
    assert Ask(AmplifierRequest.STANDBY) in desk.acts


def test_next_step_never_aims_past_the_target() -> None:
    """At 24 W there are 1000 W: the next step is what the same gain takes to 1450 W, not three quarters of 48 W."""
    desk = Desk(plan())
    desk.to_key()
    desk.one_good_step(480.0, 12.0)
    assert desk.it is not None
    assert desk.it.drive_w == 24
    desk.say(TuneWord.NEXT)
    desk.one_good_step(1000.0, 24.0)
    assert desk.it.drive_w == 35


def test_without_meters_the_operator_is_asked_and_what_is_told_is_judged() -> None:
    desk = Desk(plan(meters=frozenset({"tune", "load"})))
    desk.to_key()
    desk.see(keyed=True)
    desk.wait(2 * S)
    desk.see(keyed=False)
    assert desk.step() is TuneStep.NUMBERS
    assert "forward_w" in desk.text
    assert "tune" not in desk.text.split(":")[1].replace("tuned", "")
    with pytest.raises(TuneRefusedError, match="forward_w"):
        desk.give(grid_ma=10)
    desk.give(forward_w=380, reflected_w=3, grid_ma=10, drive_w=12)
    assert desk.step() is TuneStep.DRIVE

    desk.say(TuneWord.NEXT)
    desk.see(keyed=True)
    desk.wait(2 * S)
    desk.see(keyed=False)
    desk.give(forward_w=600, grid_ma=130)
    assert desk.step() is TuneStep.STOPPED
    assert "grid current 130 mA, limit 120 mA" in desk.text
    assert not desk.kept


def test_positions_that_nothing_tells_are_asked_for_before_anything_is_saved() -> None:
    desk = Desk(plan(meters=METERS - {"tune", "load"}))
    desk.to_key()
    desk.see(keyed=True)
    desk.show(12, S // 10, forward_w=1400, drive_w=14, grid_ma=30)  # full output at once
    assert desk.step() is TuneStep.UNKEY
    desk.see(keyed=False)
    assert desk.step() is TuneStep.NUMBERS
    with pytest.raises(TuneRefusedError, match="tune, load"):
        desk.give(grid_ma=30)
    desk.give(tune=300, load=410)
    assert (desk.kept[0].preset.tune, desk.kept[0].preset.load) == (300, 410)


def test_short_key_down_tells_nothing_and_asks_again() -> None:
    desk = Desk(plan(meters=frozenset()))
    desk.to_key()
    desk.see(keyed=True)
    desk.wait(S // 2)
    desk.see(keyed=False)
    assert desk.step() is TuneStep.KEY
    assert "too short" in desk.text


def test_key_held_past_its_time_is_stopped_with_what_was_not_right() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(keyed=True)
    desk.show(99, S // 10, forward_w=60, drive_w=12, grid_ma=5, tune=1, load=2)
    assert desk.step() is TuneStep.KEY
    assert "gain is 5 times" in desk.text
    desk.show(2, S // 10, forward_w=60, drive_w=12, grid_ma=5, tune=1, load=2)
    assert desk.step() is TuneStep.STOPPED
    assert "keyed for 10 s on one step; gain is 5 times" in desk.text
    held = [act.tuning.hold for act in desk.acts if isinstance(act, ChangeTuning) and act.tuning is not None]
    assert held[-1] is not None
    # Operate goes when the key is up, or half a second later as the lesser harm; the permit comes back unkeyed.
    assert desk.acts[-1] != Ask(AmplifierRequest.STANDBY)
    desk.wait(S)
    assert Ask(AmplifierRequest.STANDBY) in desk.acts[-1:]
    desk.see(keyed=False)
    assert desk.it is not None
    assert desk.it.hold is None
    assert not desk.kept


def test_station_that_cannot_inhibit_goes_to_standby_at_once() -> None:
    desk = Desk(plan(inhibits=False))
    desk.to_key()
    desk.see(keyed=True)
    desk.show(1, S // 10, forward_w=300, drive_w=60, grid_ma=5)
    assert desk.step() is TuneStep.STOPPED
    assert desk.acts[-1] == Ask(AmplifierRequest.STANDBY)


def test_readings_that_swing_or_a_tank_that_moves_are_not_believed() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(keyed=True)
    for number in range(40):
        desk.show(1, S // 10, forward_w=360 + 40 * (number % 2), drive_w=13, grid_ma=10, tune=300, load=410)
    assert desk.step() is TuneStep.KEY
    for number in range(20):
        desk.show(1, S // 10, forward_w=360, drive_w=13, grid_ma=10, tune=300 + number, load=410)
    assert desk.step() is TuneStep.KEY


def test_dial_that_strays_while_unkeyed_leads_back_to_the_dial_in_standby() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(transmit_hz=14_200_000, segment="20m/2")
    assert desk.step() is TuneStep.DIAL
    assert "it stands at 14.200 MHz" in desk.text
    assert Ask(AmplifierRequest.STANDBY) in desk.acts[-3:]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"fault": "fault swr: SWR 3.0"}, "fault swr"),
        ({"lockout": "maintenance lockout by a rigger"}, "maintenance lockout"),
        ({"rig_up": False}, "the rig is not heard"),
        ({"stopping": True}, "the daemon is stopping"),
        ({"wish": False, "amplifier": AmplifierState.STANDBY}, "standby was asked for elsewhere"),
    ],
)
def test_what_ends_it_leaves_standby_and_no_tuning(changed: dict[str, Any], told: str) -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(**changed)
    assert desk.step() is TuneStep.ENDED
    assert told in desk.text
    assert desk.acts[-2:] == [Ask(AmplifierRequest.STANDBY), ChangeTuning(None)]
    assert not desk.kept
    with pytest.raises(TuneRefusedError, match="has ended"):
        desk.say(TuneWord.AGAIN)


@pytest.mark.parametrize("state", [AmplifierState.OFF, AmplifierState.COOL_DOWN])
def test_cold_amplifier_is_refused_before_anything_begins(state: AmplifierState) -> None:
    desk = Desk(plan())
    with pytest.raises(TuneRefusedError, match="the amplifier is off"):
        begin(plan(), replace(desk.sight, amplifier=state))


def test_nobody_there_for_a_quarter_of_an_hour_ends_it() -> None:
    desk = Desk(plan())
    assert desk.it is not None
    assert wake_at_us(desk.it) == desk.it.moved_us + IDLE_US
    desk.wait(IDLE_US)
    assert desk.step() is TuneStep.ENDED
    assert wake_at_us(desk.it) is None


def test_skipping_and_stopping_count_and_the_time_left_follows_from_what_was_done() -> None:
    desk = Desk(plan(place("20m/1"), place("20m/2"), place("15m/1")))
    assert desk.it is not None
    before_us = left_us(desk.it, 0)
    desk.wait(30 * S)
    desk.say(TuneWord.SKIP)
    assert "dial to 14.2625 MHz" in desk.text
    assert left_us(desk.it, desk.sight.at_us) == pytest.approx(60 * S, abs=S)
    assert before_us > 60 * S
    desk.say(TuneWord.STOP)
    assert desk.step() is TuneStep.ENDED
    assert desk.it.saved == 0


def test_preset_that_cannot_be_stored_is_said_and_not_counted() -> None:
    desk = Desk(plan())
    desk.to_key()
    for forward_w, drive_w in ((360.0, 12.0), (700.0, 24.0), (1050.0, 36.0)):
        desk.one_good_step(forward_w, drive_w)
        desk.say(TuneWord.NEXT)
    desk.one_good_step(1400.0, 48.0)
    assert desk.it is not None
    desk.take(saved(desk.it, desk.kept[0].preset, "disk full", desk.sight))
    assert desk.step() is TuneStep.STOPPED
    assert "could not be stored: disk full" in desk.text
    assert desk.it.saved == 0


def test_too_little_output_at_full_drive_is_no_setting_to_save() -> None:
    desk = Desk(plan())
    desk.to_key()
    for forward_w, drive_w in ((200.0, 12.0), (400.0, 24.0), (600.0, 36.0)):
        desk.one_good_step(forward_w, drive_w)
        desk.say(TuneWord.NEXT)
    desk.one_good_step(800.0, 48.0)
    assert desk.step() is TuneStep.STOPPED
    assert "only 800 W of 1450 W" in desk.text
    assert not desk.kept


def test_next_says_what_is_waited_for_instead() -> None:
    desk = Desk(plan())
    with pytest.raises(TuneRefusedError, match="not yet: dial to"):
        desk.say(TuneWord.NEXT)
    desk.see(transmit_hz=14_087_500, keyed=True)
    with pytest.raises(TuneRefusedError):
        desk.say(TuneWord.NEXT)


@pytest.mark.parametrize(
    ("numbers", "told"),
    [
        ({"forward_w": 14_000, "drive_w": 12}, "look at the meter again"),
        ({"forward_w": 350, "reflected_w": 350, "drive_w": 12}, "cannot reach the forward power"),
        ({"forward_w": 350, "drive_w": 1}, "is a gain of 350 times, and 200 is the most it can be"),
    ],
)
def test_told_numbers_that_cannot_be_are_asked_for_again(numbers: dict[str, float], told: str) -> None:
    """A passive load gives back less than it gets; a gain of 350 times would be 25 dB (from memory: no stage has it)."""
    desk = Desk(plan(meters=frozenset()))
    desk.to_key()
    desk.see(keyed=True)
    desk.wait(2 * S, keyed=False)
    assert desk.step() is TuneStep.NUMBERS
    with pytest.raises(TuneRefusedError, match=told):
        desk.give(None, **numbers)
    assert desk.step() is TuneStep.NUMBERS
    desk.give(forward_w=350, reflected_w=2, drive_w=12)
    assert desk.step() is TuneStep.DRIVE


def test_amplifier_that_leaves_operate_under_the_key_stops_it_and_says_what_is_silent() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(keyed=True)
    desk.see(amplifier=AmplifierState.STANDBY, silent=("amp",), released=False)
    assert desk.step() is TuneStep.STOPPED
    assert "the amplifier has left operate: amp: no answer" in desk.text


def test_amplifier_that_leaves_operate_before_the_key_is_waited_for_again() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(amplifier=AmplifierState.STANDBY, released=False, refusal="changing over")
    assert desk.step() is TuneStep.OPERATE
    assert "do not key" in desk.text


def test_antenna_that_an_operator_takes_hold_of_ends_it_on_that_band() -> None:
    desk = Desk(plan())
    desk.to_key()
    desk.see(held="attic", held_by="jo", held_bands=frozenset({"40m"}))
    assert desk.step() is TuneStep.KEY
    desk.see(held="beam", held_by="jo", held_bands=frozenset({"20m"}))
    assert desk.step() is TuneStep.KEY, "it is the very one that is tuned"
    desk.see(held="attic", held_by="jo", held_bands=frozenset({"20m"}))
    assert desk.step() is TuneStep.ENDED
    assert desk.text == "attic is held on 20m by jo; `qsyd hold off` ends that"


def test_place_that_is_closed_to_this_mode_says_what_would_help() -> None:
    desk = Desk(plan())
    desk.see(transmit_hz=14_087_500, released=False, reasons_here=("USB is not permitted on 14.0875 MHz",))
    assert desk.step() is TuneStep.CHANGE_OVER
    assert desk.text.startswith("not here: USB is not permitted")
    assert "Another mode (a carrier is CW) may do, or `skip`" in desk.text
