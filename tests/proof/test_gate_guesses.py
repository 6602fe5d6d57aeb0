"""The gate where operate rests on an estimate or a tune-up, and while links are exchanged: each single change that counts."""

from dataclasses import replace
from typing import Any

import pytest
from proof_station import (
    ATLAS,
    BARE,
    EDGES,
    GUARD_US,
    GUESS_W,
    GUESSED,
    GUESSES,
    HYSTERESIS_HZ,
    OUTPUTS,
    PRESETS,
    STATION,
    TUNINGS,
    WARM_UP_US,
    WIRING,
    S,
)

from qsyd_rules.command import (
    AmplifierOperate,
    Command,
    CommandName,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import FRESH_US, Account
from qsyd_rules.gate_note import Note
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.station import WithoutPreset
from qsyd_rules.tuning import Tuning
from qsyd_rules.wiring import Wiring

NOW_US = 1000 * S
GATE = Gate(ATLAS, WIRING)
OPERATE = AmplifierOperate()
GUESS = RecallPreset("loop", "15m/4", *GUESSES["loop", "15m/4"], estimate=True)
ON_A_GUESS = Account(
    now_us=NOW_US,
    rig_heard_us=NOW_US,
    rig_told_from_us=NOW_US - FRESH_US,
    transmit_hz=GUESSED,
    unkeyed_since_us=NOW_US - GUARD_US,
    inhibited_since_us=NOW_US - GUARD_US,
    standby_since_us=NOW_US - S,
    heater_on_us=NOW_US - WARM_UP_US,
    antenna="loop",
    antenna_settles_us=NOW_US,
    tank=GUESS,
    tank_settles_us=NOW_US,
    drive_w=GUESS_W,
    note=Note(1, NOW_US, durable=True),
    asked_to_operate=True,
    presets=PRESETS,
)
IN_OPERATE = ON_A_GUESS.but(standby_since_us=None)
STORED_THERE = {
    **PRESETS,
    ("loop", "15m/4"): Preset("loop", "15m/4", 5, 6, low_hz=EDGES["15m/4"][0], high_hz=EDGES["15m/4"][1]),
}


def refused(gate: Gate, account: Account, command: Command, invariant: str) -> None:
    with pytest.raises(RefusedError) as error:
        gate.judge(account, command)
    assert error.value.invariant == invariant


def test_operate_passes_on_what_the_presets_beside_it_give() -> None:
    GATE.judge(ON_A_GUESS, OPERATE)


@pytest.mark.parametrize(
    "change",
    [
        {"drive_w": None},
        {"drive_w": GUESS_W + 1},
        {"tank": replace(GUESS, tune=GUESS.tune + 1)},
        {"tank": replace(GUESS, load=GUESS.load - 1)},
        {"tank": replace(GUESS, matching=(1,))},
        {"tank": replace(GUESS, estimate=False)},
        {"tank": replace(GUESS, segment="15m/9")},
        {"presets": STORED_THERE},
        {"presets": {}},
    ],
)
def test_an_estimate_that_is_not_so_carries_no_operate(change: dict[str, Any]) -> None:
    refused(GATE, ON_A_GUESS.but(**change), OPERATE, "I9")


@pytest.mark.parametrize("policy", [WithoutPreset.STANDBY, WithoutPreset.ESTIMATE])
def test_only_a_file_that_allows_it_lets_an_estimate_pass(policy: WithoutPreset) -> None:
    assert STATION.amplifier is not None
    gate = Gate(Atlas(replace(STATION, amplifier=replace(STATION.amplifier, without_preset=policy))), WIRING)
    if policy is WithoutPreset.ESTIMATE:
        gate.judge(ON_A_GUESS, OPERATE)
    else:
        refused(gate, ON_A_GUESS, OPERATE, "I9")


def test_where_no_drive_is_known_an_estimate_carries_nothing() -> None:
    untold = {key: replace(preset, drive_w=None) for key, preset in PRESETS.items()}
    refused(GATE, ON_A_GUESS.but(presets=untold, drive_w=1), OPERATE, "I9")


def test_the_drive_on_an_estimate_is_never_raised_past_its_bound() -> None:
    GATE.judge(IN_OPERATE.but(drive_w=5), LimitDrive(GUESS_W))
    refused(GATE, IN_OPERATE.but(drive_w=5), LimitDrive(GUESS_W + 1), "I9")
    refused(GATE, IN_OPERATE.but(drive_w=None), LimitDrive(GUESS_W + 1), "I9")
    GATE.judge(IN_OPERATE.but(drive_w=None), LimitDrive(GUESS_W))
    GATE.judge(IN_OPERATE.but(drive_w=40), LimitDrive(40))  # never the gate's doing: what stands is not raised
    GATE.judge(IN_OPERATE.but(drive_w=40), LimitDrive(39))


def test_on_a_preset_in_standby_or_with_an_empty_tank_any_drive_may_be_limited_to() -> None:
    GATE.judge(ON_A_GUESS, LimitDrive(100))
    GATE.judge(IN_OPERATE.but(tank=None), LimitDrive(100))
    GATE.judge(IN_OPERATE.but(tank=RecallPreset("loop", "15m/3", 920, 1240)), LimitDrive(100))


# A tune-up


TUNED = TUNINGS["10m/1"]
TUNING_UP = ON_A_GUESS.but(transmit_hz=BARE, tank=RecallPreset("loop", "10m/1", 31, 41), tuning=TUNED)
LOW_HZ, HIGH_HZ = EDGES["10m/1"]


def test_a_tune_up_lets_operate_pass_without_a_preset_there() -> None:
    GATE.judge(TUNING_UP, OPERATE)
    refused(GATE, TUNING_UP.but(tuning=None), OPERATE, "I9")


@pytest.mark.parametrize(
    ("tuning", "antenna"),
    [(Tuning("beam", "10m/1"), "loop"), (Tuning("loop", "10m/9"), "loop"), (Tuning("loop", "15m/4"), "loop")],
)
def test_it_waives_the_preset_for_its_own_place_alone(tuning: Tuning, antenna: str) -> None:
    refused(GATE, TUNING_UP.but(tuning=tuning, antenna=antenna), OPERATE, "I9")


@pytest.mark.parametrize(
    ("frequency_hz", "passes"),
    [(LOW_HZ, True), (HIGH_HZ, True), (LOW_HZ - HYSTERESIS_HZ - 1, False), (HIGH_HZ + HYSTERESIS_HZ + 1, False)],
)
def test_its_place_ends_where_the_segment_does(frequency_hz: int, passes: bool) -> None:
    account = TUNING_UP.but(transmit_hz=frequency_hz)
    if passes:
        GATE.judge(account, OPERATE)
    else:
        with pytest.raises(RefusedError):
            GATE.judge(account, OPERATE)


@pytest.mark.parametrize("past_hz", [0, 1])
def test_its_place_reaches_just_the_hysteresis_past_both_edges(past_hz: int) -> None:
    """15m/2 has neighbours on both sides, so that the amplifier serves there too."""
    for hz in (EDGES["15m/2"][0] - HYSTERESIS_HZ - past_hz, EDGES["15m/2"][1] + HYSTERESIS_HZ + past_hz):
        account = ON_A_GUESS.but(transmit_hz=hz, tank=None, tuning=Tuning("loop", "15m/2"))
        if past_hz:
            refused(GATE, account, OPERATE, "I9")
        else:
            GATE.judge(account, OPERATE)


def test_a_tune_up_where_no_antenna_is_switched_asks_for_none() -> None:
    unswitched = Wiring({output: carried - {CommandName.SELECT_ANTENNA} for output, carried in OUTPUTS.items()})
    Gate(ATLAS, unswitched).judge(TUNING_UP.but(antenna=None), OPERATE)


# Links that are exchanged


@pytest.mark.parametrize("command", [OPERATE, ReleaseTransmit()], ids=lambda command: command.name)
def test_while_links_are_exchanged_nothing_bold_leaves(command: Command) -> None:
    GATE.judge(ON_A_GUESS, command)
    refused(GATE, ON_A_GUESS.but(exchanging=True), command, "I20")


def test_fifteen_antenna_commands_at_once_and_no_more() -> None:
    """The backstop is stated here apart from the code: the sequencer's own care is stricter."""
    from qsyd_rules.relay_care import REFILL_US

    account = ON_A_GUESS.but(antenna_spent_us=NOW_US + 14 * REFILL_US)
    GATE.judge(account, SelectAntenna("main", "loop", 3))
    refused(GATE, account.but(antenna_spent_us=NOW_US + 14 * REFILL_US + 1), SelectAntenna("main", "loop", 3), "I25")
