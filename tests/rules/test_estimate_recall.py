"""Operating on an estimate: only where the file allows it, with reduced drive, and core, gate and monitor of one mind."""

from dataclasses import replace

import pytest
from guarded_bench import WARM_UP_US, WIRINGS, Guarded, a_station, warm_up
from guarded_deeds import Deed, histories
from hypothesis import given
from hypothesis import strategies as st
from random_histories import lived_through
from station_bench import MS, S, every_preset
from true_tank import TrueTank

from qsyd_rules.command import AmplifierOperate, CommandName, LimitDrive, RecallPreset
from qsyd_rules.estimate import estimate
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import Account
from qsyd_rules.gate_note import Note
from qsyd_rules.notice import Placed, event_fields
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.rulebook import Situation
from qsyd_rules.station import Station, WithoutPreset
from qsyd_rules.wiring import Wiring
from qsyd_rules.words import AmplifierState, Mode

HZ = 3_750_000
"""In 80m/3, which has no preset here."""
GAP = ("wire", "80m/3")
LIMIT_W, REDUCED_W = 72, 15
"""A quarter of the presets' 60 W is below a quarter of the limit."""


def an_estimating(policy: WithoutPreset = WithoutPreset.ESTIMATE, drive_w: int | None = LIMIT_W) -> Station:
    plain = a_station()
    assert plain.amplifier is not None
    limits = replace(plain.amplifier.limits, drive_w=drive_w)
    return replace(plain, amplifier=replace(plain.amplifier, without_preset=policy, limits=limits))


def stored(of: Station, *gaps: tuple[str, str], drive_w: int | None = 60) -> dict[tuple[str, str], Preset]:
    presets = every_preset(of) | TrueTank().presets("wire", [s for s in of.segments if s.band == "80m"])
    presets = {key: replace(preset, drive_w=drive_w) for key, preset in presets.items()}
    return {key: preset for key, preset in presets.items() if key not in (gaps or (GAP,))}


def bench_of(of: Station, presets: dict[tuple[str, str], Preset] | None = None, wiring: str = "two boxes") -> Guarded:
    bench = Guarded(of, stored(of) if presets is None else presets, outputs=WIRINGS[wiring], poll_us=100 * MS)
    bench.run(S + 10 * MS)
    warm_up(bench)
    return bench


def go(bench: Guarded, hz: int) -> int:
    """Turn the dial there; number of the first command that this led to."""
    since = len(bench.sent)
    bench.tune(hz, push=True)
    bench.run(2 * S)
    return since


def test_an_estimate_is_recalled_with_reduced_drive_and_marked_as_one() -> None:
    of = an_estimating()
    bench = bench_of(of)
    fitted = estimate(stored(of), "wire", bench.guard.atlas.segments_by_name["80m/3"], of.segments)
    assert fitted is not None

    since = go(bench, HZ)

    recall = RecallPreset("wire", "80m/3", fitted.tune, fitted.load, estimate=True)
    commands = [command for _, command in bench.sent[since:]]
    assert recall in commands
    assert commands.index(LimitDrive(REDUCED_W)) < commands.index(AmplifierOperate())
    assert bench.is_in_operate()
    bench.must_be_unobjected()
    placed = bench.told("placed")[-1]
    assert isinstance(placed, Placed)
    assert event_fields(placed)["preset"] == {
        "tune": fitted.tune,
        "load": fitted.load,
        "estimate": True,
        "tune_error": fitted.tune_error,
        "load_error": fitted.load_error,
    }
    recalled = [event_fields(each) for each in bench.told("command") if event_fields(each).get("estimate")]
    assert [each["command"] for each in recalled] == ["recall-preset"]


def test_back_on_a_preset_the_drive_is_the_presets_again() -> None:
    bench = bench_of(an_estimating())
    go(bench, HZ)

    since = go(bench, 3_550_000)

    assert LimitDrive(60) in [command for _, command in bench.sent[since:]]
    assert bench.is_in_operate()
    bench.must_be_unobjected()


@pytest.mark.parametrize("policy", [WithoutPreset.STANDBY, WithoutPreset.OPERATE])
def test_without_the_word_in_the_file_nothing_is_estimated(policy: WithoutPreset) -> None:
    bench = bench_of(an_estimating(policy))

    since = go(bench, HZ)

    assert CommandName.RECALL_PRESET not in [command.name for _, command in bench.sent[since:]]
    assert bench.is_in_operate() is (policy is WithoutPreset.OPERATE)
    bench.must_be_unobjected()


def test_too_few_presets_beside_it_leave_the_amplifier_in_standby() -> None:
    of = an_estimating()
    bench = bench_of(of, stored(of, *((GAP[0], f"80m/{number}") for number in (2, 3, 4))))

    go(bench, HZ)

    assert not bench.is_in_operate()
    assert bench.state.here is not None
    assert bench.state.here.barefoot_because == ("no preset for wire on 80m/3, and too few beside it for an estimate")
    bench.must_be_unobjected()


def test_without_a_figure_for_the_drive_there_is_no_operate_on_an_estimate() -> None:
    of = an_estimating(drive_w=None)
    bench = bench_of(of, stored(of, drive_w=None))

    go(bench, HZ)

    assert not bench.is_in_operate()
    bench.must_be_unobjected()


def test_where_nothing_lowers_the_drive_there_is_no_operate_on_an_estimate() -> None:
    of = an_estimating()
    outputs = {name: carried - {CommandName.LIMIT_DRIVE} for name, carried in WIRINGS["two boxes"].items()}
    bench = Guarded(of, stored(of), outputs=outputs, poll_us=100 * MS)
    bench.run(S + 10 * MS)
    warm_up(bench)
    assert bench.is_in_operate()

    go(bench, HZ)

    assert not bench.is_in_operate()
    bench.must_be_unobjected()


def test_a_stale_preset_is_estimated_for_too_and_never_recalled() -> None:
    of = an_estimating()
    old = replace(every_preset(of)[GAP], low_hz=3_690_000)
    bench = bench_of(of, stored(of) | {GAP: old})

    since = go(bench, HZ)

    recalls = [command for _, command in bench.sent[since:] if isinstance(command, RecallPreset)]
    assert recalls
    assert all(each.estimate and (each.tune, each.load) != (old.tune, old.load) for each in recalls)
    assert bench.is_in_operate()
    bench.must_be_unobjected()


def test_saving_the_preset_ends_the_estimate_by_way_of_standby() -> None:
    of = an_estimating()
    bench = bench_of(of)
    go(bench, HZ)
    since = len(bench.sent)

    bench.store(stored(of) | {GAP: Preset(*GAP, 700, 300, drive_w=60)}, GAP)
    bench.run(2 * S)

    names = bench.names(since)
    assert names.index("amplifier-standby") < names.index("recall-preset") < names.index("amplifier-operate")
    assert RecallPreset(*GAP, 700, 300) in [command for _, command in bench.sent[since:]]
    assert LimitDrive(60) in [command for _, command in bench.sent[since:]]
    assert bench.is_in_operate()
    bench.must_be_unobjected()


# The gate and the monitor by themselves

OF = an_estimating()
ATLAS = Atlas(OF)
GATE = Gate(ATLAS, Wiring(WIRINGS["two boxes"]))
FITTED = estimate(stored(OF), "wire", ATLAS.segments_by_name["80m/3"], OF.segments)
assert FITTED is not None
TANK = RecallPreset("wire", "80m/3", FITTED.tune, FITTED.load, estimate=True)
SOUND = Account(
    now_us=1000 * S,
    rig_heard_us=1000 * S,
    rig_told_from_us=1000 * S,
    transmit_hz=HZ,
    inhibited_since_us=1,
    standby_since_us=1,
    heater_on_us=1000 * S - WARM_UP_US,
    antenna="wire",
    tank=TANK,
    drive_w=REDUCED_W,
    note=Note(1, 1000 * S, durable=True),
    asked_to_operate=True,
    presets=stored(OF),
)


def test_the_gate_lets_an_estimate_pass_that_is_right_in_every_way() -> None:
    GATE.judge(SOUND, AmplifierOperate())


@pytest.mark.parametrize(
    "account",
    [
        SOUND.but(drive_w=REDUCED_W + 1),
        SOUND.but(drive_w=None),
        SOUND.but(tank=replace(TANK, tune=FITTED.tune + 1)),
        SOUND.but(tank=replace(TANK, estimate=False)),
        SOUND.but(tank=replace(TANK, matching=(1,))),
        SOUND.but(tank=replace(TANK, segment="80m/9")),
        SOUND.but(presets={}),
        SOUND.but(presets=stored(OF) | {GAP: Preset(*GAP, TANK.tune, TANK.load)}),
    ],
)
def test_the_gate_refuses_operate_on_an_estimate_with_one_thing_wrong(account: Account) -> None:
    with pytest.raises(RefusedError, match="I9"):
        GATE.judge(account, AmplifierOperate())


def test_the_gate_refuses_an_estimate_that_the_file_does_not_allow() -> None:
    gate = Gate(Atlas(an_estimating(WithoutPreset.STANDBY)), Wiring(WIRINGS["two boxes"]))

    with pytest.raises(RefusedError, match="I9"):
        gate.judge(SOUND, AmplifierOperate())


def test_the_gate_keeps_the_drive_down_while_an_estimate_is_in_operate() -> None:
    operating = SOUND.but(standby_since_us=None)

    GATE.judge(operating, LimitDrive(REDUCED_W - 5))
    GATE.judge(SOUND, LimitDrive(60))  # in standby it harms nobody
    with pytest.raises(RefusedError, match="I9"):
        GATE.judge(operating, LimitDrive(60))


def _with_bug(bench: Guarded, wrong: Atlas, *, gate_off: bool) -> None:
    """The core believes in another station file; the monitor keeps the true one, and the gate too unless it is off."""
    bench.guard.core.atlas = wrong
    if gate_off:
        bench.guard.gate = Gate(wrong, bench.guard.wiring)


@pytest.mark.parametrize("gate_off", [False, True], ids=["gate", "monitor alone"])
@pytest.mark.parametrize("bug", ["full drive", "not allowed"])
def test_a_core_that_estimates_wrongly_is_caught(bug: str, gate_off: bool) -> None:
    """Full drive: a core that takes the limit for four times what it is. Not allowed: one that reads the file wrongly."""
    true = an_estimating(WithoutPreset.STANDBY if bug == "not allowed" else WithoutPreset.ESTIMATE)
    believed = an_estimating(drive_w=4 * LIMIT_W)
    presets = stored(true, drive_w=None if bug == "full drive" else 60)
    bench = bench_of(true, presets)
    assert bench.is_in_operate()
    _with_bug(bench, Atlas(believed), gate_off=gate_off)

    go(bench, HZ)

    assert {each.invariant for each in bench.tripped} & {"I9", "I10"}
    assert not bench.is_in_operate()


def test_drive_is_not_raised_on_an_estimate_that_the_amplifier_will_not_leave() -> None:
    """The amplifier refuses standby while the dial goes where no tank is needed: the drive stays reduced until it obeys."""
    bench = bench_of(an_estimating())
    go(bench, HZ)
    assert bench.is_in_operate()

    bench.refusing.add(CommandName.AMPLIFIER_STANDBY)
    since = go(bench, 10_120_000)
    assert bench.names(since).count("amplifier-standby") > 1
    assert "limit-drive" not in bench.names(since)
    bench.must_be_unobjected()

    bench.refusing.clear()
    bench.run(30 * S)
    assert bench.last(LimitDrive) == LimitDrive(LIMIT_W)
    bench.must_be_unobjected()


@lived_through(20)
@given(history=histories, metered=st.booleans())
def test_no_history_with_estimates_makes_gate_or_monitor_object(history: list[tuple[Deed, int]], metered: bool) -> None:
    """The same random histories as without; the dial comes by 80m/1 and back, which has no preset here."""
    of = an_estimating()
    gap = ("wire", "80m/1")
    bench = Guarded(of, stored(of, gap), outputs=WIRINGS["two boxes"], poll_us=100 * MS, metered=metered)
    bench.run(S + 10 * MS)
    warm_up(bench)
    go(bench, 3_550_000)
    for deed, pause_us in history:
        deed.do(bench)
        bench.run(pause_us)
        bench.must_be_unobjected()
        if bench.is_in_operate() and bench.state.target is not None and bench.state.target.estimate is not None:
            drive = bench.last(LimitDrive)
            assert isinstance(drive, LimitDrive)
            assert drive.drive_w <= REDUCED_W


def test_an_estimate_is_worked_out_once_for_each_state_of_the_store() -> None:
    presets = stored(OF)
    situation = Situation("main", HZ, Mode.CW, AmplifierState.STANDBY, False, 0)

    first, second = ATLAS.place(situation, presets), ATLAS.place(situation, presets)
    other = ATLAS.place(situation, {key: preset for key, preset in presets.items() if key[1] != "80m/1"})

    assert first.estimate is second.estimate
    assert other.estimate != first.estimate
    assert first.drive_w == REDUCED_W
