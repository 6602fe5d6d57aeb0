"""The gate's account of the station: what each event makes it believe, and what it must not.

The gate trusts nothing that was not said. Times at which evidence lapses are those of `gate_known`.
"""

from typing import Any

import pytest
from station_bench import S, station

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Report
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeviceRead,
    Event,
    FaultAcknowledged,
    KeySensed,
    Lockout,
    LockoutChanged,
    LoopStalled,
    OperatorAsked,
    OutputAnswer,
    OutputConnected,
    OutputLost,
    RigLinkClosed,
    RigRead,
)
from qsyd_rules.fault import FaultCode
from qsyd_rules.gate_account import Account, observe, passed, told
from qsyd_rules.gate_known import HEATER_GAP_US, OFF_LASTS_US, PANEL_AFTER_US, RF_FLOOR_W
from qsyd_rules.notice import FaultCleared
from qsyd_rules.readings import Readings
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import AmplifierState, Result

NOW = 1_000 * S
OF = station()
WIRING = Wiring(
    {
        "switch": frozenset({CommandName.SELECT_ANTENNA}),
        "permit": frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT}),
        "amp": frozenset(
            {
                CommandName.AMPLIFIER_ON,
                CommandName.AMPLIFIER_OFF,
                CommandName.AMPLIFIER_STANDBY,
                CommandName.AMPLIFIER_OPERATE,
                CommandName.RECALL_PRESET,
            }
        ),
        "meter": frozenset(),
    },
    {"meter": Meters(frozenset({"forward_w"}), S), "amp": Meters(frozenset({"state"}), S)},
)
BY_HAND = Wiring({"amp": frozenset({CommandName.AMPLIFIER_STANDBY, CommandName.AMPLIFIER_OPERATE})})
TANK = RecallPreset("beam", "20m/1", 1, 2)
KNOWN = Account(
    now_us=NOW - S,
    rig_heard_us=NOW - S,
    transmit_hz=14_050_000,
    inhibited_since_us=NOW - 10 * S,
    standby_since_us=NOW - 10 * S,
    heater_on_us=NOW - 500 * S,
    antenna="beam",
    tank=TANK,
    asked_to_operate=True,
)


def seen(event: Event, account: Account = KNOWN, wiring: Wiring = WIRING) -> Account:
    return observe(account, event, OF, wiring)


def read(rig: str = "main", keyed: bool | None = False, at_us: int = NOW) -> RigRead:
    return RigRead(at_us, rig, 7_050_000, 7_050_000, False, None, keyed, at_us)


def amp(state: AmplifierState | None = None, at_us: int = NOW, output: str = "amp") -> DeviceRead:
    return DeviceRead(at_us, output, Readings(state=state))


def test_only_the_followed_rig_counts_quietly_or_keyed() -> None:
    assert seen(read()).transmit_hz == 7_050_000
    assert seen(read("other")).transmit_hz == 14_050_000
    assert seen(read(keyed=True)).keyed
    assert not seen(read("other", keyed=True)).keyed
    assert seen(RigLinkClosed(NOW, "main", "gone")).rig_heard_us is None
    assert seen(RigLinkClosed(NOW, "other", "gone")).rig_heard_us == NOW - S
    assert seen(KeySensed(NOW, "main", True)).keyed
    assert not seen(KeySensed(NOW, "other", True)).keyed


def test_heater_evidence_lapses_after_the_gap_even_while_polls_are_quiet() -> None:
    lost = KNOWN.but(lost_us=NOW - HEATER_GAP_US)
    assert seen(read(), lost).heater_on_us is None
    assert seen(read(), KNOWN.but(lost_us=NOW - HEATER_GAP_US + 1)).heater_on_us is not None


@pytest.mark.parametrize(
    ("output", "field", "kept"),
    [
        ("permit", "inhibited_since_us", ("standby_since_us", "antenna", "tank")),
        ("switch", "antenna", ("inhibited_since_us", "standby_since_us", "tank")),
        ("amp", "standby_since_us", ("inhibited_since_us", "antenna")),
        ("amp", "tank", ("inhibited_since_us", "antenna")),
    ],
)
def test_lost_device_is_believed_in_nothing_that_it_carried(output: str, field: str, kept: tuple[str, ...]) -> None:
    after = seen(OutputLost(NOW, output, "unplugged"))
    assert getattr(after, field) is None
    for other in kept:
        assert getattr(after, other) == getattr(KNOWN, other)


@pytest.mark.parametrize(("output", "since"), [("amp", NOW), ("switch", None), ("permit", None)])
def test_only_the_amplifiers_own_link_carries_heater_evidence(output: str, since: int | None) -> None:
    assert seen(OutputLost(NOW, output, "unplugged")).lost_us == since
    again = seen(OutputLost(NOW + S, "amp", "unplugged"), seen(OutputLost(NOW, "amp", "unplugged")))
    assert again.lost_us == NOW  # from the first loss
    assert seen(OutputConnected(NOW, "amp"), KNOWN.but(lost_us=NOW - S)).lost_us is None
    assert seen(OutputConnected(NOW, "switch"), KNOWN.but(lost_us=NOW - S)).lost_us == NOW - S


@pytest.mark.parametrize("carried", [CommandName.INHIBIT_TRANSMIT, CommandName.RELEASE_TRANSMIT])
def test_either_half_of_the_permit_on_a_lost_device_ends_the_inhibit(carried: CommandName) -> None:
    wiring = Wiring({"half": frozenset({carried})})
    assert seen(OutputLost(NOW, "half", "unplugged"), KNOWN, wiring).inhibited_since_us is None


@pytest.mark.parametrize("carried", [CommandName.AMPLIFIER_STANDBY, CommandName.AMPLIFIER_OPERATE])
def test_either_half_of_the_transfer_relay_on_a_lost_device_ends_standby(carried: CommandName) -> None:
    wiring = Wiring({"half": frozenset({carried})})
    assert seen(OutputLost(NOW, "half", "unplugged"), KNOWN, wiring).standby_since_us is None


def test_power_of_a_lost_meter_counts_no_more_and_that_of_others_does() -> None:
    shown = seen(DeviceRead(NOW, "meter", Readings(forward_w=RF_FLOOR_W + 0.1)))
    assert shown.keyed
    assert not seen(OutputLost(NOW, "meter", "unplugged"), shown).keyed
    assert seen(OutputLost(NOW, "switch", "unplugged"), shown).keyed
    assert not seen(DeviceRead(NOW, "meter", Readings(forward_w=RF_FLOOR_W))).keyed
    assert not seen(DeviceRead(NOW, "meter", Readings(forward_w=0.0)), shown).keyed
    late = shown.but(now_us=NOW + S + 1)
    assert not late.keyed


def test_amplifier_that_says_off_for_long_has_no_warm_tube() -> None:
    first = seen(amp(AmplifierState.OFF))
    assert first.off_since_us == NOW
    assert first.heater_on_us is not None
    at = seen(amp(AmplifierState.OFF, NOW + OFF_LASTS_US), first)
    assert at.heater_on_us is not None
    beyond = seen(amp(AmplifierState.OFF, NOW + OFF_LASTS_US + 1), at)
    assert beyond.heater_on_us is None
    assert beyond.off_since_us == NOW
    assert seen(amp(AmplifierState.STANDBY), first).off_since_us is None


@pytest.mark.parametrize(
    ("state", "fault", "since"),
    [
        (AmplifierState.WARM_UP, None, NOW),
        (AmplifierState.STANDBY, None, NOW),
        (AmplifierState.OPERATE, None, NOW),
        (AmplifierState.FAULT, None, None),
        (AmplifierState.COOL_DOWN, None, None),
        (AmplifierState.STANDBY, 7, None),
    ],
)
def test_heater_found_on_counts_from_then_unless_a_fault_stands(
    state: AmplifierState, fault: int | None, since: int | None
) -> None:
    cold = KNOWN.but(heater_on_us=None, fault=fault)
    assert seen(amp(state), cold).heater_on_us == since
    assert seen(amp(state)).heater_on_us == KNOWN.heater_on_us  # what is known already is left alone


def test_what_other_devices_say_of_a_state_tells_nothing_of_the_amplifier() -> None:
    cold = KNOWN.but(heater_on_us=None)
    assert seen(amp(AmplifierState.STANDBY, output="meter"), cold).heater_on_us is None
    assert seen(amp(None), cold).heater_on_us is None


def test_standby_at_the_panel_is_believed_after_a_while_and_never_while_operate_is_under_way() -> None:
    operating = KNOWN.but(standby_since_us=None, line_settles_us=NOW - PANEL_AFTER_US)
    assert seen(amp(AmplifierState.STANDBY), operating).standby_since_us == NOW
    assert seen(amp(AmplifierState.OPERATE), operating).standby_since_us is None
    soon = operating.but(line_settles_us=NOW - PANEL_AFTER_US + 1)
    assert seen(amp(AmplifierState.STANDBY), soon).standby_since_us is None
    under_way = operating.but(under_way={3: AmplifierOperate()})
    assert seen(amp(AmplifierState.STANDBY), under_way).standby_since_us is None
    assert seen(amp(AmplifierState.STANDBY)).standby_since_us == KNOWN.standby_since_us


def finished(command: Command, *others: Command, result: Result = Result.ACKNOWLEDGED) -> Account:
    under_way = dict(enumerate((command, *others), start=1))
    answer = (OutputAnswer("any", result),)
    return seen(CommandFinished(NOW, 1, answer), Account(now_us=NOW - S, under_way=under_way))


@pytest.mark.parametrize(
    ("command", "field", "value"),
    [
        (InhibitTransmit(()), "inhibited_since_us", NOW),
        (AmplifierStandby(), "standby_since_us", NOW),
        (AmplifierOperate(), "line_settles_us", NOW + OF.change_over.relay_settle_us),
        (SelectAntenna("main", "beam", 1), "antenna", "beam"),
        (SelectAntenna("main", "beam", 1), "antenna_settles_us", NOW + OF.change_over.relay_settle_us),
        (TANK, "tank", TANK),
        (TANK, "tank_settles_us", NOW + OF.change_over.preset_settle_us),
        (AmplifierOn(), "heater_on_us", NOW),
    ],
)
def test_answer_is_what_makes_a_command_believed(command: Command, field: str, value: Any) -> None:
    assert getattr(finished(command), field) == value
    failed = finished(command, result=Result.FAILED)
    assert getattr(failed, field) != value
    assert not failed.under_way


@pytest.mark.parametrize(
    ("command", "field"),
    [
        (InhibitTransmit(()), "inhibited_since_us"),
        (ReleaseTransmit(), "inhibited_since_us"),
        (AmplifierStandby(), "standby_since_us"),
        (AmplifierOperate(), "standby_since_us"),
        (SelectAntenna("main", "beam", 1), "antenna"),
        (TANK, "tank"),
    ],
)
def test_command_that_failed_leaves_its_thing_nowhere(command: Command, field: str) -> None:
    answer = (OutputAnswer("any", Result.FAILED),)
    assert getattr(seen(CommandFinished(NOW, 1, answer), KNOWN.but(under_way={1: command})), field) is None


def test_safe_answer_counts_only_when_the_bold_command_that_it_overtook_has_ended() -> None:
    assert finished(InhibitTransmit(()), ReleaseTransmit()).inhibited_since_us is None
    assert finished(AmplifierStandby(), AmplifierOperate()).standby_since_us is None
    assert finished(InhibitTransmit(()), AmplifierOperate()).inhibited_since_us == NOW


@pytest.mark.parametrize(
    ("command", "field"),
    [
        (ReleaseTransmit(), "inhibited_since_us"),
        (AmplifierOperate(), "standby_since_us"),
        (SelectAntenna("main", "wire", 2), "antenna"),
        (RecallPreset("beam", "20m/2", 3, 4), "tank"),
        (AmplifierOff(), "heater_on_us"),
        (HighVoltageOff(), "heater_on_us"),
    ],
)
def test_command_that_leaves_ends_what_was_believed(command: Command, field: str) -> None:
    after = passed(KNOWN, 9, command)
    assert getattr(after, field) is None
    assert after.under_way[9] == command


def test_fault_is_over_only_upon_its_own_acknowledgement() -> None:
    cleared = (Report(FaultCleared(4, FaultCode.SWR, "operator", None)),)
    latched = KNOWN.but(fault=4)
    assert told(latched, cleared).fault == 4
    assert told(seen(FaultAcknowledged(NOW, 1, None, "operator"), latched), cleared).fault is None


def test_lockout_ends_the_wish_and_its_end_does_not_bring_it_back() -> None:
    locked = seen(LockoutChanged(NOW, Lockout("a rigger", "the mast", "2026-01-01T00:00:00Z")))
    assert locked.locked_out
    assert not locked.asked_to_operate
    free = seen(LockoutChanged(NOW, None), locked)
    assert not free.locked_out
    assert not free.asked_to_operate
    assert seen(LockoutChanged(NOW, None)).asked_to_operate


def test_stall_voids_the_warm_up_only_beyond_the_gap() -> None:
    assert seen(LoopStalled(NOW, HEATER_GAP_US)).heater_on_us is not None
    stalled = seen(LoopStalled(NOW, HEATER_GAP_US + 1))
    assert stalled.heater_on_us is None
    assert not stalled.asked_to_operate


def asked(request: AmplifierRequest, account: Account = KNOWN, wiring: Wiring = WIRING) -> Account:
    return seen(OperatorAsked(NOW, 1, request, "operator"), account, wiring)


def test_wish_is_as_last_asked_and_never_under_a_fault() -> None:
    quiet = KNOWN.but(asked_to_operate=False)
    for request in (AmplifierRequest.OPERATE, AmplifierRequest.OPERATE_WHEN_READY):
        assert asked(request, quiet).asked_to_operate
        assert not asked(request, quiet.but(fault=1)).asked_to_operate
    for request in (AmplifierRequest.STANDBY, AmplifierRequest.OFF, AmplifierRequest.OFF_NOW):
        assert not asked(request).asked_to_operate
    assert asked(AmplifierRequest.ON).asked_to_operate
    assert asked(AmplifierRequest.OFF_NOW).heater_on_us is None


def test_heater_switched_by_hand_counts_from_the_first_word_and_anew_after_the_cool_down() -> None:
    assert OF.amplifier is not None
    cool_us = OF.amplifier.cool_down_us
    cold = KNOWN.but(heater_on_us=None)
    assert asked(AmplifierRequest.ON, cold).heater_on_us is None  # its own command will be answered
    assert asked(AmplifierRequest.ON, cold, BY_HAND).heater_on_us == NOW
    assert asked(AmplifierRequest.ON, KNOWN, BY_HAND).heater_on_us == KNOWN.heater_on_us
    going = asked(AmplifierRequest.OFF, KNOWN, BY_HAND)
    assert going.off_asked_us == NOW
    assert going.heater_on_us == KNOWN.heater_on_us
    still_warm = observe(going, OperatorAsked(NOW + cool_us - 1, 1, AmplifierRequest.ON, "operator"), OF, BY_HAND)
    assert still_warm.heater_on_us == KNOWN.heater_on_us
    assert still_warm.off_asked_us is None
    gone = observe(going, OperatorAsked(NOW + cool_us, 1, AmplifierRequest.ON, "operator"), OF, BY_HAND)
    assert gone.heater_on_us == NOW + cool_us


@pytest.mark.parametrize(
    ("names", "matching", "settle_us"),
    [
        ({"tune", "load"}, (), 0),
        ({"tune", "load"}, (12, 40), OF.change_over.preset_settle_us),
        ({"tune"}, (), OF.change_over.preset_settle_us),
    ],
)
def test_tank_moves_for_its_settle_time_where_no_reading_tells_of_it(
    names: set[str], matching: tuple[int, ...], settle_us: int
) -> None:
    """Positions that are told end the wait for the tank; of a matching unit nothing is told."""
    wiring = Wiring({"amp": frozenset(CommandName)}, {"amp": Meters(frozenset(names), S)}, matches=True)
    command = RecallPreset("beam", "20m/1", 1, 2, matching)
    before = Account(now_us=NOW - S, under_way={1: command})
    account = seen(CommandFinished(NOW, 1, (OutputAnswer("amp", Result.ACKNOWLEDGED),)), before, wiring)

    assert account.tank_settles_us == NOW + settle_us
    assert account.moving(NOW) is (settle_us > 0)
    assert not account.but(tank=None).moving(NOW), "a tank that is lost is not waited for"
