"""The gate by itself: from an account in which a command may pass, each single change that has to make it refuse.

At every limit in time the last value that passes stands beside the first that does not.
"""

from dataclasses import replace
from typing import Any

import pytest
from proof_station import (
    ATLAS,
    FAR,
    GUARD_US,
    HYSTERESIS_HZ,
    LOST_US,
    LOWER,
    OTHER,
    OUTPUTS,
    OUTSIDE,
    PRESETS,
    STATION,
    UPPER,
    WARM_UP_US,
    WIRING,
    S,
)

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.gate import BURST, Gate, RefusedError
from qsyd_rules.gate_account import FRESH_US, Account
from qsyd_rules.gate_note import HANGS_AFTER_US, Note
from qsyd_rules.placement import Atlas
from qsyd_rules.relay_care import REFILL_US
from qsyd_rules.station import Rig, WithoutPreset
from qsyd_rules.wiring import Wiring

NOW_US = 1000 * S
SELECT = SelectAntenna("main", "wire", 2)
RECALL = RecallPreset("wire", "40m/1", 13, 23)
OPERATE = AmplifierOperate()
RELEASE = ReleaseTransmit()
BOLD: tuple[Command, ...] = (SELECT, RECALL, OPERATE)
GATE = Gate(ATLAS, WIRING)
SOUND = Account(
    now_us=NOW_US,
    rig_heard_us=NOW_US,
    rig_told_from_us=NOW_US - FRESH_US,
    transmit_hz=OTHER,
    unkeyed_since_us=NOW_US - GUARD_US,
    inhibited_since_us=NOW_US - GUARD_US,
    standby_since_us=NOW_US - S,
    heater_on_us=NOW_US - WARM_UP_US,
    antenna="wire",
    antenna_settles_us=NOW_US,
    antenna_spent_us=NOW_US + (BURST - 1) * REFILL_US,
    tank=RECALL,
    tank_settles_us=NOW_US,
    note=Note(1, NOW_US, durable=True),
    asked_to_operate=True,
    presets=PRESETS,
)
"""Everything allows everything, and every time is at its limit."""
UNDER_WAY = {7: AmplifierStandby()}


def _without(*names: CommandName) -> Wiring:
    return Wiring({output: carried - set(names) for output, carried in OUTPUTS.items()})


def _station(**amplifier: Any) -> Atlas:
    assert STATION.amplifier is not None
    return Atlas(replace(STATION, amplifier=replace(STATION.amplifier, **amplifier)))


def _bears(max_power_w: int) -> Atlas:
    beam, wire, *others = STATION.antennas
    return Atlas(replace(STATION, antennas=(beam, replace(wire, max_power_w=max_power_w), *others)))


@pytest.mark.parametrize("command", [*BOLD, RELEASE], ids=lambda command: command.name)
def test_a_sound_account_lets_everything_pass(command: Command) -> None:
    GATE.judge(SOUND, command)


REFUSED: list[tuple[tuple[Command, ...], str, dict[str, Any]]] = [
    (BOLD, "I2", {"rig_keyed": True}),
    (BOLD, "I2", {"line_keyed": True}),
    (BOLD, "I2", {"rf": {"amp": NOW_US}}),
    (BOLD, "I1", {"unkeyed_since_us": NOW_US - GUARD_US + 1}),
    (BOLD, "I1", {"inhibited_since_us": NOW_US - GUARD_US + 1}),
    (BOLD, "I1", {"inhibited_since_us": None}),
    (BOLD, "I8", {"rig_heard_us": None}),
    (BOLD, "I8", {"rig_told_from_us": NOW_US - FRESH_US - 1}),
    (BOLD, "I14", {"note": Note(1, NOW_US - HANGS_AFTER_US + 1)}),
    (BOLD, "I14", {"note": Note()}),
    ((OPERATE,), "I14", {"note": Note(1, NOW_US, disk_dead=True)}),
    ((OPERATE,), "I14", {"note": Note(1, NOW_US - HANGS_AFTER_US)}),
    ((SELECT, RECALL), "I3", {"standby_since_us": None}),
    ((SELECT,), "I25", {"antenna_spent_us": NOW_US + (BURST - 1) * REFILL_US + 1}),
    ((SELECT,), "I10", {"transmit_hz": None}),
    ((SELECT,), "I10", {"transmit_hz": FAR}),
    ((SELECT,), "I10", {"transmit_hz": OUTSIDE}),
    ((RECALL,), "I10", {"antenna": None}),
    ((RECALL,), "I10", {"antenna": "beam"}),
    ((OPERATE,), "I5", {"heater_on_us": None}),
    ((OPERATE,), "I5", {"heater_on_us": NOW_US - WARM_UP_US + 1}),
    ((OPERATE,), "I5", {"off_since_us": NOW_US}),
    ((OPERATE,), "I6", {"fault": 3}),
    ((OPERATE,), "I7", {"acknowledging": True}),
    ((OPERATE,), "I24", {"locked_out": True}),
    ((OPERATE,), "I24", {"asked_to_operate": False}),
    ((OPERATE,), "I10", {"transmit_hz": None}),
    ((OPERATE,), "I10", {"transmit_hz": OUTSIDE}),
    ((OPERATE,), "I10", {"transmit_hz": FAR}),
    ((OPERATE,), "I10", {"antenna": None}),
    ((OPERATE,), "I10", {"antenna": "gone"}),
    ((OPERATE,), "I10", {"antenna_settles_us": NOW_US + 1}),
    ((OPERATE,), "I9", {"tank": None}),
    ((OPERATE,), "I9", {"tank_settles_us": NOW_US + 1}),
    ((OPERATE,), "I9", {"tank": replace(RECALL, tune=14)}),
    ((OPERATE,), "I9", {"presets": {}}),
    ((OPERATE,), "I9", {"tank": RecallPreset("beam", "20m/1", 11, 21)}),
    ((RELEASE,), "I24", {"locked_out": True}),
    ((RELEASE,), "I4", {"antenna_settles_us": NOW_US + 1}),
    ((RELEASE,), "I4", {"tank_settles_us": NOW_US + 1}),
    ((RELEASE,), "I4", {"line_settles_us": NOW_US + 1}),
    ((RELEASE,), "I4", {"under_way": {7: SELECT}}),
    ((RELEASE,), "I4", {"under_way": {7: RECALL}}),
    ((RELEASE,), "I4", {"under_way": {7: OPERATE}}),
    ((RELEASE,), "I4", {"under_way": UNDER_WAY}),
    ((RELEASE,), "I8", {"rig_heard_us": None}),
    ((RELEASE,), "I8", {"transmit_hz": None}),
    ((RELEASE,), "I8", {"rig_heard_us": NOW_US - LOST_US}),
    ((RELEASE,), "I4", {"antenna": None}),
    ((RELEASE,), "I4", {"antenna": "beam"}),
    ((RELEASE,), "I4", {"transmit_hz": OUTSIDE}),
]


@pytest.mark.parametrize(
    ("command", "invariant", "changed"),
    [(command, invariant, changed) for commands, invariant, changed in REFUSED for command in commands],
    ids=lambda it: getattr(it, "name", None),
)
def test_one_thing_wrong_is_enough(command: Command, invariant: str, changed: dict[str, Any]) -> None:
    with pytest.raises(RefusedError) as refused:
        GATE.judge(SOUND.but(**changed), command)

    assert refused.value.invariant == invariant


@pytest.mark.parametrize(
    ("antenna", "words"),
    [(None, "I10: the tank of wire on an unknown antenna"), ("beam", "I10: the tank of wire on beam")],
)
def test_a_refusal_says_in_words_what_is_wrong(antenna: str | None, words: str) -> None:
    with pytest.raises(RefusedError) as refused:
        GATE.judge(SOUND.but(antenna=antenna), RECALL)

    assert str(refused.value) == words


@pytest.mark.parametrize(
    "command",
    [*(AmplifierOn(), AmplifierOff(), AmplifierStandby(), HighVoltageOff(), InhibitTransmit(("x",)), LimitDrive(10))],
    ids=lambda command: command.name,
)
def test_the_safe_direction_passes_whatever_is_known(command: Command) -> None:
    """An account of nothing, with everything against it."""
    GATE.judge(Account(rig_keyed=True, fault=1, locked_out=True), command)


@pytest.mark.parametrize("changed", [{"antenna": "beam"}, {"port": 1}, {"antenna": "gone"}])
def test_an_antenna_that_is_not_of_this_station_and_place_is_refused(changed: dict[str, Any]) -> None:
    with pytest.raises(RefusedError, match="I10"):
        GATE.judge(SOUND, replace(SELECT, **changed))


def test_a_rig_counts_until_it_has_been_silent_for_its_time() -> None:
    GATE.judge(SOUND.but(rig_heard_us=NOW_US - LOST_US + 1), RELEASE)


def test_the_rig_that_counts_is_the_one_that_the_amplifier_follows() -> None:
    two = replace(STATION, rigs=(Rig("other", 10 * LOST_US), *STATION.rigs))
    silent = SOUND.but(rig_heard_us=NOW_US - LOST_US)
    with pytest.raises(RefusedError, match="silent for too long"):
        Gate(Atlas(two), WIRING).judge(silent, RELEASE)

    Gate(Atlas(replace(two, amplifier=None)), WIRING).judge(silent, RELEASE)


def test_a_dead_or_hanging_disk_lets_antenna_and_tank_move() -> None:
    for note in (Note(1, NOW_US, disk_dead=True), Note(1, NOW_US - HANGS_AFTER_US)):
        for command in (SELECT, RECALL):
            GATE.judge(SOUND.but(note=note), command)


def test_operate_needs_no_standby_before_it() -> None:
    GATE.judge(SOUND.but(standby_since_us=None), OPERATE)


@pytest.mark.parametrize(
    ("hz", "passes"),
    [(UPPER, True), (LOWER, True), (14_175_000 + HYSTERESIS_HZ, True), (14_175_000 + HYSTERESIS_HZ + 1, False)],
)
def test_a_tank_serves_as_far_as_the_hysteresis_past_its_edge(hz: int, passes: bool) -> None:
    tank = RecallPreset("beam", "20m/1", 11, 21)
    account = SOUND.but(transmit_hz=hz, antenna="beam", tank=tank)
    if passes:
        GATE.judge(account, OPERATE)
    else:
        with pytest.raises(RefusedError, match="I9"):
            GATE.judge(account, OPERATE)


@pytest.mark.parametrize(("past_hz", "passes"), [(0, True), (1, False)])
def test_a_tank_serves_as_far_below_its_edge_as_above(past_hz: int, passes: bool) -> None:
    tank = RecallPreset("beam", "20m/2", 12, 22)
    account = SOUND.but(transmit_hz=14_175_000 - HYSTERESIS_HZ - past_hz, antenna="beam", tank=tank)
    if passes:
        GATE.judge(account, OPERATE)
    else:
        with pytest.raises(RefusedError, match="I9"):
            GATE.judge(account, OPERATE)


def test_a_tank_for_a_segment_that_the_station_does_not_have_is_refused() -> None:
    tank = replace(RECALL, segment="40m/9")
    presets = {("wire", "40m/9"): replace(PRESETS["wire", "40m/1"], segment="40m/9")}
    with pytest.raises(RefusedError, match="I9"):
        GATE.judge(SOUND.but(tank=tank, presets=presets), OPERATE)


@pytest.mark.parametrize(("max_power_w", "passes"), [(1500, True), (1499, False)])
def test_an_antenna_has_to_bear_what_the_amplifier_gives(max_power_w: int, passes: bool) -> None:
    gate = Gate(_bears(max_power_w), WIRING)
    if passes:
        gate.judge(SOUND, OPERATE)
    else:
        with pytest.raises(RefusedError, match="I10"):
            gate.judge(SOUND, OPERATE)


def test_a_band_that_the_amplifier_does_not_serve_is_refused() -> None:
    with pytest.raises(RefusedError, match="I10"):
        Gate(_station(bands=("20m",)), WIRING).judge(SOUND, OPERATE)


def test_without_an_amplifier_nothing_operates() -> None:
    with pytest.raises(RefusedError, match="I5"):
        Gate(Atlas(replace(STATION, amplifier=None)), WIRING).judge(SOUND, OPERATE)


def test_a_file_that_allows_operate_without_a_preset_asks_for_no_tank() -> None:
    Gate(_station(without_preset=WithoutPreset.OPERATE), WIRING).judge(SOUND.but(tank=None), OPERATE)


def test_what_is_not_wired_is_not_asked_for() -> None:
    """No inhibit, no switch, no tank, no amplifier: what is not there cannot be wrong."""
    Gate(ATLAS, _without(CommandName.INHIBIT_TRANSMIT)).judge(SOUND.but(inhibited_since_us=None), SELECT)
    Gate(ATLAS, _without(CommandName.AMPLIFIER_STANDBY)).judge(SOUND.but(standby_since_us=None), SELECT)
    Gate(ATLAS, _without(CommandName.RECALL_PRESET)).judge(SOUND.but(tank=None), OPERATE)
    no_switch = Gate(ATLAS, _without(CommandName.SELECT_ANTENNA))
    for command in (RECALL, OPERATE, RELEASE):
        no_switch.judge(SOUND.but(antenna=None), command)
    with pytest.raises(RefusedError, match="I4"):
        no_switch.judge(SOUND.but(antenna=None, transmit_hz=OUTSIDE), RELEASE)


def test_the_guard_runs_from_key_up_where_nothing_inhibits() -> None:
    gate = Gate(ATLAS, _without(CommandName.INHIBIT_TRANSMIT))
    with pytest.raises(RefusedError, match="I1"):
        gate.judge(SOUND.but(unkeyed_since_us=NOW_US - GUARD_US + 1), SELECT)
