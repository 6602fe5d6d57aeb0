"""The antenna switch and the amplifier, in virtual time. Their lines are this project's own; figures are invented."""

import pytest

from qsyd_simulators.amplifier_box import AmplifierBox
from qsyd_simulators.amplifier_wire import AmplifierWire
from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.heard import Heard
from qsyd_simulators.switch_box import SwitchBox
from qsyd_simulators.switch_wire import SwitchWire


def test_contacts_travel_for_15_ms() -> None:
    box = SwitchBox()
    wire = SwitchWire(box)
    assert wire.received(b"PORT?\nPORT 2\nPORT?\n", 1_000_000) == b"PORT 1\nOK\nPORT 0\n"
    assert wire.received(b"PORT?\n", 1_014_999) == b"PORT 0\n"
    assert wire.received(b"PORT?\n", 1_015_000) == b"PORT 2\n"
    assert (box.port, box.moves) == (2, 1)


def test_port_that_is_connected_moves_nothing() -> None:
    box = SwitchBox()
    box.set_rf(True, 0)
    assert SwitchWire(box).received(b"PORT 1\n", 10) == b"OK\n"

    assert (box.moves, box.moved_under_power, box.port_at(10)) == (0, False, 1)


@pytest.mark.parametrize(
    ("rf", "harmed"),
    [
        ([(True, 0)], True),  # on before the move
        ([(True, 0), (False, 9_999)], False),  # gone in time
        ([(True, 24_999)], True),  # comes while contacts travel
        ([(True, 25_000)], False),  # comes when they rest
    ],
)
def test_switch_remembers_being_moved_under_power(rf: list[tuple[bool, int]], harmed: bool) -> None:
    box = SwitchBox()
    for present, at_us in [change for change in rf if change[1] <= 10_000]:
        box.set_rf(present, at_us)
    box.select(4, 10_000)
    for present, at_us in [change for change in rf if change[1] > 10_000]:
        box.set_rf(present, at_us)

    assert box.moved_under_power is harmed


def test_switch_says_what_it_does_not_understand() -> None:
    box = SwitchBox(ports=4)
    wire = SwitchWire(box)
    assert wire.received(b"PORT 5\n", 0) == b"ERR no port 5; there are 1 to 4\n"
    assert wire.received(b"PORT 0\n", 0) == b"ERR no port 0; there are 1 to 4\n"
    assert wire.received(b"PORT two\r\n", 0) == b"ERR two is not a whole number\n"
    assert wire.received(b"\xff\n", 0) == b"ERR lines are: PORT 1 to PORT 4, PORT?\n"
    assert wire.received(b"x" * 300, 0) == b"ERR a line has at most 256 bytes\n"
    assert wire.received(b"PORT?\n", 0) == b"PORT 1\n"


def test_line_may_come_in_pieces_and_is_logged_with_its_time() -> None:
    box = SwitchBox()
    wire = SwitchWire(box)
    assert [wire.received(bytes((byte,)), at_us) for at_us, byte in enumerate(b"PORT 2\r\n")][-1] == b"OK\n"

    assert box.heard == [Heard(7, b"PORT 2\r\n")]
    assert box.heard[0].text == "PORT 2"


def test_faults_of_the_switch() -> None:
    box = SwitchBox(faults=BoxFaults(stuck=True))
    wire = SwitchWire(box)
    assert wire.received(b"PORT 2\n", 0) == b"OK\n"
    assert wire.received(b"PORT?\n", 50_000) == b"PORT 1\n"

    box.faults.stuck = False
    box.faults.refuse = {"PORT 2"}
    assert wire.received(b"PORT 2\nPORT 3\n", 60_000) == b"ERR refused\nOK\n"
    box.faults.refuse = {""}
    assert wire.received(b"PORT?\n", 90_000) == b"ERR refused\n"

    box.faults.refuse = set()
    box.faults.silent = True
    assert wire.received(b"PORT 4\n", 100_000) == b""
    assert box.port_at(200_000) == 4

    box.faults.slow_ack_s = 0.25
    assert wire.answer_delay_s == 0.25


def test_heater_clock_is_the_boxes_own() -> None:
    box = AmplifierBox()
    wire = AmplifierWire(box)
    assert (box.heater_on_us(5), box.is_ready(5)) == (0, False)

    wire.received(b"HEAT 1\n", 1_000_000)
    wire.received(b"HEAT 1\n", 100_000_000)
    assert box.heater_on_us(101_000_000) == 100_000_000
    assert not box.is_ready(180_999_999)
    assert box.is_ready(181_000_000)  # common practice, no source: three minutes

    wire.received(b"HEAT 0\nHEAT 1\n", 200_000_000)
    assert box.heater_on_us(200_000_001) == 1


@pytest.mark.parametrize(("at_us", "cold"), [(179_999_999, True), (180_000_000, False)])
def test_amplifier_remembers_operating_cold(at_us: int, cold: bool) -> None:
    box = AmplifierBox()
    wire = AmplifierWire(box)
    wire.received(b"HEAT 1\n", 0)

    assert wire.received(b"LINE 1\n", at_us) == b"OK\n"
    assert (box.operate, box.operated_cold, box.switched_in_under_power) == (True, cold, False)


def test_plate_supply_off_keeps_the_heater_and_leaves_the_path() -> None:
    box = AmplifierBox(heater_needs_us=0)
    wire = AmplifierWire(box)
    wire.received(b"HEAT 1\nLINE 1\nHV 0\n", 0)
    assert (box.heater_on, box.high_voltage_on, box.operate) == (True, False, False)

    wire.received(b"HEAT 1\n", 5_000_000)
    assert (box.high_voltage_on, box.heater_on_us(6_000_000)) == (True, 6_000_000)


def test_capacitors_travel_at_their_rate_and_may_turn_round() -> None:
    box = AmplifierBox(tank_steps_per_s=500)
    wire = AmplifierWire(box)
    assert wire.received(b"TANK 120 88\nMETERS\n", 0) == b"OK\nF0 R0 G0 T0 L0\n"
    assert wire.received(b"METERS\n", 100_000) == b"F0 R0 G0 T50 L50\n"
    assert wire.received(b"METERS\n", 176_000) == b"F0 R0 G0 T88 L88\n"
    assert box.is_travelling(239_999)
    assert not box.is_travelling(240_000)
    assert wire.received(b"METERS\n", 240_000) == b"F0 R0 G0 T120 L88\n"

    wire.received(b"TANK 20 188\n", 1_000_000)
    wire.received(b"TANK 120 88\n", 1_100_000)
    assert wire.received(b"METERS\n", 1_150_000) == b"F0 R0 G0 T95 L113\n"
    assert wire.received(b"METERS\n", 1_200_000) == b"F0 R0 G0 T120 L88\n"


def test_meters_amplify_only_in_operate() -> None:
    """Gain 30 and 50 mA of grid current at full output: common practice, no source."""
    box = AmplifierBox(heater_needs_us=0)
    wire = AmplifierWire(box)
    box.reflected_per_mille = 40
    wire.received(b"HEAT 1\n", 0)
    box.set_drive(50, 10)
    assert wire.received(b"METERS\n", 20) == b"F50 R2 G0 T0 L0\n"

    box.set_drive(0, 30)
    wire.received(b"LINE 1\n", 40)
    box.set_drive(50, 50)
    assert wire.received(b"METERS\n", 60) == b"F1500 R60 G50 T0 L0\n"
    assert not box.switched_in_under_power


def test_amplifier_remembers_what_was_done_under_power() -> None:
    box = AmplifierBox(heater_needs_us=0)
    wire = AmplifierWire(box)
    wire.received(b"HEAT 1\nHOLD\nTANK 0 0\n", 0)
    box.set_drive(10, 10)
    wire.received(b"TANK 0 0\n", 15)
    assert (box.driven_while_held, box.moved_under_power, box.switched_in_under_power) == (True, False, False)

    wire.received(b"FREE\nTANK 1 0\nLINE 1\n", 20)
    assert (box.transmit_held, box.moved_under_power, box.switched_in_under_power) == (False, True, True)


def test_rf_that_comes_while_a_capacitor_travels_is_remembered() -> None:
    box = AmplifierBox()
    box.move_tank(500, 0, 0)
    box.set_drive(10, 999_999)

    assert box.moved_under_power
    assert not box.driven_while_held


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        (b"TANK 1000 0", b"ERR tune 1000: positions are 0 to 999"),
        (b"TANK 0 1000", b"ERR load 1000: positions are 0 to 999"),
        (b"TANK 5", b"ERR lines are: HOLD"),
        (b"TANK -5 0", b"ERR -5 is not a whole number"),
        (b"HV 1", b"ERR lines are: HOLD"),
        (b"HEAT 2", b"ERR lines are: HOLD"),
        (b"", b"ERR lines are: HOLD"),
    ],
)
def test_amplifier_says_what_it_does_not_understand(line: bytes, answer: bytes) -> None:
    box = AmplifierBox()

    assert AmplifierWire(box).received(line + b"\n", 0).startswith(answer)
    assert not box.is_travelling(1)


def test_stuck_amplifier_acknowledges_and_does_not_move() -> None:
    box = AmplifierBox(heater_needs_us=0)
    wire = AmplifierWire(box)
    wire.received(b"HEAT 1\nLINE 1\n", 0)
    box.faults.stuck = True

    assert wire.received(b"LINE 0\nTANK 10 10\nDRIVE 25\n", 10) == b"OK\nOK\nOK\n"
    assert (box.operate, box.tune_at(10_000_000), box.drive_limit_w) == (True, 0, 25)
