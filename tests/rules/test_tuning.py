"""What a tune-up in force changes, and what it does not: core, gate and monitor on the virtual bench."""

import pytest
from guarded_bench import a_bench, warm_up
from monitor_trace import BEAM, OPERATE, WARM_UP_US, started
from station_bench import MS, Bench, S, live, station

from qsyd_rules.actuator import Resting
from qsyd_rules.command import AmplifierOn, AmplifierOperate, CommandName, RecallPreset
from qsyd_rules.event import AmplifierRequest, TuningChanged
from qsyd_rules.gate import Gate, RefusedError
from qsyd_rules.gate_account import Account, observe
from qsyd_rules.gate_note import Note
from qsyd_rules.monitor_account import took
from qsyd_rules.monitor_facts import Facts
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.tuning import Tuning
from qsyd_rules.wiring import Wiring

CENTRE_HZ = 14_087_500
HERE = Tuning("beam", "20m/1", drive_w=12)


def bare() -> Bench:
    """A bench without a single preset, warm, with operate wished for, on 20m/1."""
    bench = Bench(station())
    bench.tune(CENTRE_HZ)
    bench.operate()
    bench.run(2 * S)
    return bench


def test_amplifier_operates_without_a_preset_only_where_it_is_being_tuned() -> None:
    bench = bare()
    assert not bench.is_in_operate()

    bench.tell(TuningChanged(bench.now_us, HERE))
    bench.run(2 * S)
    assert bench.is_in_operate()

    bench.tune(14_300_000)
    bench.run(2 * S)
    assert not bench.is_in_operate()


def test_end_of_a_tune_up_takes_operate_away_where_nothing_is_stored() -> None:
    bench = bare()
    bench.tell(TuningChanged(bench.now_us, HERE))
    bench.run(2 * S)
    bench.tell(TuningChanged(bench.now_us, None))
    bench.run(S)
    assert not bench.is_in_operate()
    assert bench.is_released()  # barefoot


def test_hold_inhibits_with_its_reason_and_ends_with_it() -> None:
    bench = bare()
    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/1", 12, hold="grid current 130 mA")))
    bench.run(100 * MS)
    assert not bench.is_released()
    assert "tune-up: grid current 130 mA" in bench.reasons
    bench.tell(TuningChanged(bench.now_us, HERE))
    bench.run(2 * S)
    assert bench.is_released()


def test_tune_up_chooses_the_antenna_in_its_segment_and_keeps_the_drive_down() -> None:
    """The wire comes before the loop in the file, and the loop bears less than the amplifier: barefoot all the same."""
    bench = Bench(station(drive_w=60))
    bench.tune(7_075_000)
    bench.operate()
    bench.run(2 * S)
    bench.tell(TuningChanged(bench.now_us, Tuning("loop", "40m/1", 15)))
    bench.run(2 * S)
    placed = bench.state.target
    assert placed is not None
    assert placed.antenna is not None
    assert placed.antenna.name == "loop"
    assert placed.drive_w == 15
    assert not bench.is_in_operate()


def test_tank_begins_where_the_tune_up_says_and_is_set_to_what_is_saved_when_it_ends() -> None:
    bench = bare()
    start = Preset("beam", "20m/1", 300, 400)
    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/1", 12, start)))
    bench.run(2 * S)
    assert recalled(bench) == [(300, 400)]
    segment = bench.core.atlas.segments_by_name["20m/1"]
    saved = Preset("beam", "20m/1", 310, 390, low_hz=segment.low_hz, high_hz=segment.high_hz)
    bench.store({("beam", "20m/1"): saved}, ("beam", "20m/1"))
    bench.run(S)
    assert recalled(bench) == [(300, 400)]  # the operator's hand is on it
    bench.tell(TuningChanged(bench.now_us, None))
    bench.run(2 * S)
    assert bench.is_in_operate()
    assert recalled(bench) == [(300, 400), (310, 390)]


def recalled(bench: Bench) -> list[tuple[int, int]]:
    """Where the tank was sent, in order."""
    return [(command.tune, command.load) for _, command in bench.sent if isinstance(command, RecallPreset)]


@pytest.mark.parametrize(
    ("tuning", "passes"),
    [
        (HERE, True),
        (None, False),
        (Tuning("wire", "20m/1", 12), False),
        (Tuning("beam", "20m/2", 12), False),
        (Tuning("beam", "no such segment", 12), False),
    ],
)
def test_gate_lets_operate_pass_without_a_preset_only_where_it_is_being_tuned(
    tuning: Tuning | None, passes: bool
) -> None:
    of = station()
    wiring = Wiring({"all": frozenset(CommandName)})
    account = Account(
        now_us=300 * S,
        rig_heard_us=300 * S,
        rig_told_from_us=300 * S,
        transmit_hz=CENTRE_HZ,
        inhibited_since_us=200 * S,
        standby_since_us=200 * S,
        heater_on_us=1,
        antenna="beam",
        note=Note(1, 299 * S, durable=True),
        asked_to_operate=True,
        tuning=tuning,
    )
    gate = Gate(Atlas(of), wiring)
    if passes:
        gate.judge(account, AmplifierOperate())
    else:
        with pytest.raises(RefusedError, match="I9"):
            gate.judge(account, AmplifierOperate())


@pytest.mark.parametrize(
    ("tuning", "wrong"),
    [(HERE, []), (None, ["I10"]), (Tuning("wire", "20m/1"), ["I10"]), (Tuning("beam", "40m/1"), ["I10"])],
)
def test_monitor_wants_a_preset_except_where_it_is_being_tuned(tuning: Tuning | None, wrong: list[str]) -> None:
    trace = started()
    trace.do(AmplifierOn())
    trace.note()
    trace.do(BEAM)
    trace.wait(WARM_UP_US)
    trace.ask(AmplifierRequest.OPERATE)
    trace.then(TuningChanged(trace.at_us, tuning))
    trace.leave(OPERATE)
    assert trace.wrong == wrong


@pytest.mark.parametrize("antenna", ["wire", "no such antenna"])
def test_tune_up_on_an_antenna_that_does_not_cover_the_band_selects_none(antenna: str) -> None:
    bench = bare()
    bench.tell(TuningChanged(bench.now_us, Tuning(antenna, "20m/1", 12)))
    bench.run(S)
    placed = bench.state.target
    assert placed is not None
    assert placed.antenna is not None
    assert placed.antenna.name == "beam"
    assert bench.is_released()


STORED = Preset("beam", "20m/1", 108, 208, low_hz=14_000_000, high_hz=14_175_000)


def test_what_a_hand_has_moved_is_recalled_when_the_tune_up_ends_with_nothing_saved() -> None:
    """The preset that was there before the tune-up is not in the tank any more, whatever was recalled at its beginning."""
    bench = a_bench(metered=True)
    bench.store({**bench.presets, ("beam", "20m/1"): STORED})
    warm_up(bench)
    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/1", 12, STORED)))
    bench.run(S)
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    number = len(bench.sent)

    bench.tell(TuningChanged(bench.now_us, None))
    bench.ask(AmplifierRequest.OPERATE)
    bench.run(2 * S)

    names = bench.names(number)
    assert "amplifier-operate" in names
    assert names.index("recall-preset") < names.index("amplifier-operate")
    bench.must_be_unobjected()


def test_tank_moved_in_one_segment_is_not_taken_for_that_of_another_to_which_the_dial_goes_back() -> None:
    """With nothing to begin from, the tune-up leaves the belief of the segment before, and the hand moves the tank."""
    bench = a_bench()
    warm_up(bench)
    assert bench.state.tank.value.segment == "20m/1"  # type: ignore[union-attr]
    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/2", 12)))
    bench.tune(14_250_000, push=True)
    bench.run(2 * S)
    number = len(bench.sent)

    bench.tune(14_050_000, push=True)
    bench.run(2 * S)

    names = bench.names(number)
    assert "amplifier-operate" in names
    assert names.index("recall-preset") < names.index("amplifier-operate")
    bench.must_be_unobjected()


def test_gate_and_monitor_take_a_tank_that_was_tuned_for_unknown() -> None:
    bench = a_bench()
    warm_up(bench)
    bench.tell(TuningChanged(bench.now_us, HERE))
    bench.run(S)
    event = TuningChanged(bench.now_us, None)
    assert observe(bench.guarded.account, event, bench.station, bench.guard.wiring).tank is None
    facts = Facts(bench.station, bench.guard.wiring)
    assert took(bench.guarded.watched.account, event, bench.now_us, facts).tank is None
    same = TuningChanged(bench.now_us, Tuning("beam", "20m/1", 24))
    assert observe(bench.guarded.account, same, bench.station, bench.guard.wiring).tank is not None
    assert took(bench.guarded.watched.account, same, bench.now_us, facts).tank is not None


@pytest.mark.parametrize("matches", [True, False])
def test_matching_unit_has_its_settle_time_although_the_tank_tells_that_it_stands_there_already(matches: bool) -> None:
    """In the matching step tune and load stay, and only the unit moves; no reading tells of it. One set by hand is told
    of, and not waited for."""
    bench = a_bench(metered=True)
    warm_up(bench)
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    assert isinstance(bench.state.tank, Resting)
    tank = bench.state.tank.value
    bench.guard.wiring.matches = matches
    start = Preset("beam", "20m/1", tank.tune, tank.load, (12, 40))
    bench.run(190 * MS - (bench.now_us - 10 * MS - 40 * MS) % (200 * MS))
    number = len(bench.sent)

    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/1", 12, start)))
    bench.run(2 * S)

    (recall_us,) = bench.times(CommandName.RECALL_PRESET, number)
    (release_us,) = bench.times(CommandName.RELEASE_TRANSMIT, number)
    assert (release_us - recall_us >= bench.station.change_over.preset_settle_us) is matches
    bench.must_be_unobjected()


def test_a_tank_is_not_doubted_where_another_segment_is_being_tuned() -> None:
    bench = live()
    bench.tune(14_250_000)
    bench.run(S)
    bench.tell(TuningChanged(bench.now_us, Tuning("beam", "20m/1", 12)))
    bench.run(S)
    number = len(recalled(bench))
    bench.tune(10_120_000)
    bench.run(S)
    bench.tune(14_250_000)
    bench.run(S)

    assert recalled(bench)[number:] == []
    assert bench.is_released()
