"""Motors: travel time, end stops, play. Speeds are common practice, no source: 1 to 10 s for the whole travel."""

import pytest

from qsyd_simulators.plant.motor import Motor

MOTOR = Motor()


def test_whole_travel_takes_two_seconds_and_is_counted_on_the_way() -> None:
    way = MOTOR.sent(MOTOR.resting(0), 3_999, 1_000_000)

    assert MOTOR.arrives_us(way) == 1_000_000 + 1_999_500
    counted = [MOTOR.position_at(way, 1_000_000 + ms * 1000) for ms in (0, 500, 1000, 1999, 2000, 9000)]
    assert counted == [0, 1000, 2000, 3998, 3999, 3999]


def test_a_motor_sent_elsewhere_turns_back_from_where_it_is() -> None:
    way = MOTOR.sent(MOTOR.resting(1000), 3000, 0)
    back = MOTOR.sent(way, 900, 500_000)

    assert (back.start, MOTOR.position_at(back, 500_000)) == (2000, 2000)
    assert MOTOR.position_at(back, 1_050_000) == 900


@pytest.mark.parametrize("position", [-1, 4_000])
def test_there_is_nothing_beyond_the_end_stops(position: int) -> None:
    with pytest.raises(ValueError, match=f"tune {position}: positions are 0 to 3999"):
        MOTOR.checked("tune", position)
    assert MOTOR.stopped(position) in (0, 3_999)


def test_backlash_puts_the_shaft_on_either_side_of_the_same_position() -> None:
    from_below = MOTOR.sent(MOTOR.resting(100), 500, 0)
    from_above = MOTOR.sent(MOTOR.resting(900), 500, 0)
    late_us = 5_000_000

    assert MOTOR.position_at(from_below, late_us) == MOTOR.position_at(from_above, late_us) == 500
    assert (MOTOR.shaft_at(from_below, late_us), MOTOR.shaft_at(from_above, late_us)) == (498, 502)


def test_a_reversal_within_the_play_does_not_move_the_shaft() -> None:
    arrived = MOTOR.sent(MOTOR.resting(100), 500, 0)
    back = MOTOR.sent(arrived, 497, 1_000_000)

    assert MOTOR.shaft_at(back, 2_000_000) == MOTOR.shaft_at(arrived, 1_000_000) == 498
    further = MOTOR.sent(back, 490, 3_000_000)
    assert MOTOR.shaft_at(further, 4_000_000) == 492
