"""RF in the simulated station, and that its claims can fail: a truth that cannot be broken is none."""

import pytest

from qsyd_simulators.amplifier_wire import AmplifierWire
from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.shack import Shack

HEATER_US = 4_000_000


class Clock:
    """Virtual microseconds."""

    def __init__(self) -> None:
        self.now_us = 0

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def shack(clock: Clock) -> Shack:
    shack = Shack(14_085_000, RigMode.FSK, HEATER_US, 1000, clock)
    shack.rig.set_power(True)
    return shack


def heat(shack: Shack, clock: Clock) -> None:
    shack.amplifier.set_heater(True, clock.now_us)
    clock.now_us += HEATER_US


def broken(shack: Shack) -> list[str]:
    return [claim.text for claim in shack.claims() if not claim.holds]


def treat_well(shack: Shack, clock: Clock) -> None:
    """An evening without fault: three overs with the amplifier, two moves of the switch, all in safe order."""
    heat(shack, clock)
    shack.amplifier.limit_drive(40)
    for port in (2, 1, 1):
        shack.amplifier.hold_transmit()
        shack.amplifier.set_operate(False, clock.now_us)
        shack.switch.select(port, clock.now_us)
        shack.amplifier.move_tank(100 * port, 200, clock.now_us)
        clock.now_us += 1_000_000
        shack.amplifier.set_operate(True, clock.now_us)
        shack.amplifier.free_transmit()
        shack.rig.key()
        clock.now_us += 1_000_000
        shack.rig.unkey()
    shack.amplifier.hold_transmit()
    shack.amplifier.set_heater(False, clock.now_us)


def test_there_is_rf_while_keyed_and_not_held(shack: Shack) -> None:
    seen = [shack.path.is_on]
    for doing in (
        shack.rig.key,
        shack.amplifier.hold_transmit,
        shack.amplifier.free_transmit,
        shack.rig.unkey,
        shack.amplifier.hold_transmit,
        shack.rig.key,
    ):
        doing()
        seen.append(shack.path.is_on)

    assert seen == [False, True, False, True, False, False, False]
    assert shack.path.bursts == 2


def test_the_drive_limit_counts(shack: Shack, clock: Clock) -> None:
    heat(shack, clock)
    shack.amplifier.set_operate(True, clock.now_us)
    shack.amplifier.limit_drive(30)

    shack.rig.key()

    assert shack.amplifier.meters(clock.now_us).forward_w == 900
    assert shack.path.forward_w_max == 900


def test_a_station_treated_well_bears_out_every_claim(shack: Shack, clock: Clock) -> None:
    treat_well(shack, clock)

    assert broken(shack) == []
    assert shack.claims()[0].text == "put to the test: 3 overs up to 1200 W, 2 antenna changes"


def test_an_evening_on_which_nothing_happened_proves_nothing(shack: Shack) -> None:
    shack.amplifier.hold_transmit()

    assert broken(shack) == ["put to the test: 0 overs up to 0 W, 0 antenna changes"]


def move_antenna_under_power(shack: Shack, clock: Clock) -> None:
    shack.amplifier.free_transmit()
    shack.rig.key()
    shack.switch.select(3, clock.now_us)
    shack.rig.unkey()
    shack.amplifier.hold_transmit()


def key_while_contacts_travel(shack: Shack, clock: Clock) -> None:
    shack.switch.select(3, clock.now_us)
    shack.amplifier.free_transmit()
    shack.rig.key()
    shack.rig.unkey()
    shack.amplifier.hold_transmit()


def move_tank_under_power(shack: Shack, clock: Clock) -> None:
    shack.amplifier.free_transmit()
    shack.rig.key()
    shack.amplifier.move_tank(900, 900, clock.now_us)
    shack.rig.unkey()
    shack.amplifier.hold_transmit()


def operate_cold(shack: Shack, clock: Clock) -> None:
    shack.amplifier.set_heater(True, clock.now_us)
    shack.amplifier.set_operate(True, clock.now_us)
    shack.amplifier.set_heater(False, clock.now_us)


def operate_under_power(shack: Shack, clock: Clock) -> None:
    heat(shack, clock)
    shack.amplifier.free_transmit()
    shack.rig.key()
    shack.amplifier.set_operate(True, clock.now_us)
    shack.rig.unkey()
    shack.amplifier.hold_transmit()
    shack.amplifier.set_heater(False, clock.now_us)


def key_by_command(shack: Shack, _clock: Clock) -> None:
    shack.rig.key_by_command()
    shack.rig.unkey_by_command()


def leave_it_free(shack: Shack, _clock: Clock) -> None:
    shack.amplifier.free_transmit()


@pytest.mark.parametrize(
    ("harm", "claim"),
    [
        (move_antenna_under_power, "no antenna contact moved under power"),
        (key_while_contacts_travel, "no antenna contact moved under power"),
        (move_tank_under_power, "no tank capacitor moved under power"),
        (operate_cold, "the amplifier was never put into the signal path cold"),
        (operate_under_power, "nor put into it while there was RF on its relay"),
        (key_by_command, "the rig was never keyed by a command"),
        (leave_it_free, "left safe: transmit held, amplifier out, heater off"),
    ],
)
def test_each_harm_breaks_its_own_claim(shack: Shack, clock: Clock, harm: object, claim: str) -> None:
    treat_well(shack, clock)
    assert callable(harm)
    harm(shack, clock)

    assert broken(shack) == [claim]


def test_a_jump_is_measured_to_the_next_hold(shack: Shack, clock: Clock) -> None:
    wire = AmplifierWire(shack.amplifier)
    wire.received(b"HOLD\n", 500)
    clock.now_us = 1_000
    shack.jump(7_047_000)
    wire.received(b"LINE 0\nHOLD\nHOLD\n", 2_500)
    clock.now_us = 9_000
    shack.jump(3_599_000)

    assert shack.rig.vfo_a_hz == 3_599_000
    assert shack.held_after_ms() == [1.5], "the second jump was met by no hold"
