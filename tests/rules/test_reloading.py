"""Another station file in force: what outlives it, what becomes unknown, and that nothing becomes bolder for a moment."""

from dataclasses import dataclass
from typing import Any

import pytest
from core_deeds import Deed as CoreDeed
from core_deeds import deeds as core_deeds
from core_deeds import pauses as core_pauses
from guarded_bench import LOCKOUT, WARM_UP_US, WIRINGS, warm_up
from guarded_deeds import Deed as GuardedDeed
from guarded_deeds import deeds as guarded_deeds
from guarded_deeds import flags
from guarded_deeds import pauses as guarded_pauses
from hypothesis import event, given
from hypothesis import strategies as st
from random_histories import lived_through
from reload_bench import VARIANTS, Reloading, ReloadObserver, variant
from station_bench import MS, S, every_preset

from qsyd_rules import reloading
from qsyd_rules.amplifier import Off
from qsyd_rules.command import CommandName, SelectAntenna
from qsyd_rules.event import AmplifierRequest, Hold, HoldChanged, LockoutChanged, TuningChanged
from qsyd_rules.fault import FaultCode
from qsyd_rules.rest import waits_for
from qsyd_rules.tuning import Tuning


def a_cold_bench(wiring: str = "two boxes", *, metered: bool = False) -> Reloading:
    """Just started."""
    of = variant("as it was")
    return Reloading(of, every_preset(of), outputs=WIRINGS[wiring], poll_us=100 * MS, metered=metered)


def a_bench(wiring: str = "two boxes", *, metered: bool = False) -> Reloading:
    """On the air barefoot on 20m/1."""
    bench = a_cold_bench(wiring, metered=metered)
    bench.run(S + 10 * MS)
    return bench


def operating(*, metered: bool = False) -> Reloading:
    """In operate on 20m/1."""
    bench = a_bench(metered=metered)
    warm_up(bench)
    assert bench.is_in_operate()
    return bench


def test_a_reload_that_changes_nothing_sends_nothing() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("as it was"))
    bench.run(5 * S)
    assert bench.names(before) == []
    assert [notice.event for at_us, notice in bench.notices[-1:]] == ["reloaded"]
    assert bench.is_in_operate()


def test_a_place_that_is_another_one_now_is_reached_by_a_change_over_in_the_safe_order() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("no beam on 20 m"))
    bench.run(3 * S)
    assert bench.names(before) == [
        "inhibit-transmit", "amplifier-standby", "select-antenna", "release-transmit"
    ]  # fmt: skip
    assert bench.told("amplifier")[-1].reason == "no preset for wire on 20m/1"  # type: ignore[union-attr]


def test_an_antenna_on_another_port_is_selected_again() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("ports swapped"))
    bench.run(3 * S)
    moved = [command for _, command in bench.sent[before:] if isinstance(command, SelectAntenna)]
    assert [(command.antenna, command.port) for command in moved] == [("beam", 2)]
    assert bench.is_in_operate()


def test_a_preset_whose_segment_has_other_edges_now_is_stale_and_operate_ends() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("other segments"))
    bench.run(3 * S)
    assert bench.names(before) == ["inhibit-transmit", "amplifier-standby", "release-transmit"]
    assert bench.told("preset-missing")[-1].standing == "stale"  # type: ignore[union-attr]
    assert bench.reload(variant("as it was"))
    bench.run(3 * S)
    assert bench.is_in_operate(), "the wish was never taken back"
    assert bench.times(CommandName.RECALL_PRESET, before), "nobody knows whether the tank was left alone"


def test_an_inhibiting_rule_holds_at_once_and_its_going_releases() -> None:
    bench = operating()
    assert bench.reload(variant("20 m inhibited"))
    assert bench.reasons == ("a beacon",)
    assert bench.names(len(bench.sent) - 1) == ["inhibit-transmit"]
    bench.run(S)
    assert bench.reload(variant("as it was"))
    bench.run(S)
    assert bench.is_released()


def test_a_longer_warm_up_counts_from_the_real_heater_on() -> None:
    bench = operating()  # heater on at 1.01 s
    heated_us = bench.times(CommandName.AMPLIFIER_ON)[0] + bench.answer_us
    before = len(bench.sent)
    assert bench.reload(variant("a longer warm-up"))
    bench.run(S)
    assert bench.names(before)[:2] == ["inhibit-transmit", "amplifier-standby"]
    assert bench.ask(AmplifierRequest.OPERATE).accepted is False
    bench.run(60 * S)
    assert bench.is_in_operate(), "the wish has outlived it"
    assert bench.times(CommandName.AMPLIFIER_OPERATE, before)[0] >= heated_us + 3 * WARM_UP_US
    assert bench.times(CommandName.AMPLIFIER_OPERATE, before)[0] < heated_us + 3 * WARM_UP_US + S


def test_reloads_to_and_fro_neither_shorten_a_warm_up_nor_add_to_it() -> None:
    bench = a_bench()
    bench.ask(AmplifierRequest.ON)
    bench.run(S)
    for _ in range(3):
        assert bench.reload(variant("a longer warm-up"))
        bench.run(S)
        assert bench.reload(variant("a shorter warm-up"))
        bench.run(S)
    assert bench.ask(AmplifierRequest.OPERATE_WHEN_READY).accepted
    bench.run(3 * WARM_UP_US - 9 * S)
    assert not bench.is_in_operate()
    bench.run(4 * S)
    assert bench.is_in_operate()


def test_fault_lockout_and_hold_outlive_a_reload() -> None:
    bench = operating(metered=True)
    bench.tell(HoldChanged(bench.now_us, Hold("loop", 10**12, "later", "jo"), "jo"))
    bench.lie["fault"] = "F7"
    bench.run(S)
    assert bench.state.fault is not None
    bench.tell(LockoutChanged(bench.now_us, LOCKOUT))
    bench.run(S)
    before = bench.state.but()
    assert bench.reload(variant("drive rules"))
    after = bench.state
    assert (after.fault, after.lockout, after.hold) == (before.fault, LOCKOUT, before.hold)
    assert after.fault_history == before.fault_history
    assert after.care == before.care
    assert not after.wish
    bench.must_be_unobjected()


def test_a_hold_of_an_antenna_that_went_ends() -> None:
    bench = a_bench()
    bench.tell(HoldChanged(bench.now_us, Hold("loop", 10**12, "later", "jo"), "jo"))
    assert bench.reload(variant("no loop"))
    assert bench.state.hold is None
    assert bench.told("hold-ended")[-1].because == "this station has no such antenna any more"  # type: ignore[union-attr]


def test_tighter_limits_count_at_the_next_reading() -> None:
    bench = operating(metered=True)
    bench.key()
    bench.run(S)
    bench.unkey()
    bench.run(S)
    assert bench.told("fault") == []
    assert bench.reload(variant("short overs"))  # and 40 W of drive; the meter shows 60 W
    bench.run(S)
    bench.key()
    bench.run(S)
    assert [notice.code for notice in bench.told("fault")] == [FaultCode.DRIVE]  # type: ignore[union-attr]


def test_a_longer_settle_time_counts_for_what_has_just_come_to_rest() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("slow relays"), rig=True)
    bench.ask(AmplifierRequest.STANDBY)
    bench.run(S)
    (released_us,) = bench.times(CommandName.RELEASE_TRANSMIT, before)
    (stood_by_us,) = bench.times(CommandName.AMPLIFIER_STANDBY, before)
    assert released_us >= stood_by_us + bench.answer_us + 90 * MS
    bench.must_be_unobjected()


def test_an_amplifier_whose_link_is_opened_anew_is_made_safe_first_and_told_everything_again() -> None:
    bench = operating()
    before, at_us = len(bench.sent), bench.now_us
    assert bench.reload(variant("as it was"), cut=frozenset({"amp"}))
    assert bench.names(before)[:2] == ["inhibit-transmit", "amplifier-standby"]
    cut_us = next(at_us for at_us, notice in bench.notices if notice.event == "reloaded")
    assert all(each.at_us < cut_us for each in bench.answered if each.at_us >= at_us), "answered before the cut"
    bench.run(3 * S)
    assert "recall-preset" in bench.names(before)
    assert bench.is_in_operate(), "its heater was out of sight for a moment only"


def test_of_the_heater_of_another_device_nothing_is_known() -> None:
    bench = operating()
    assert bench.reload(variant("as it was"), others=frozenset({"amp"}))
    bench.run(3 * S)
    assert isinstance(bench.state.amplifier, Off)
    assert not bench.state.wish
    assert bench.is_released(), "barefoot"
    bench.must_be_unobjected()


def test_a_rig_whose_link_is_opened_anew_is_read_before_anything_bold() -> None:
    bench = operating()
    before = len(bench.sent)
    assert bench.reload(variant("as it was"), rig=True)
    assert bench.names(before) == ["inhibit-transmit", "amplifier-standby"]
    assert not bench.is_released()
    bench.run(3 * S)
    assert bench.is_in_operate()


def test_what_is_under_way_is_waited_for() -> None:
    bench = operating()

    def waits() -> str | None:
        return waits_for(bench.guard, bench.state, bench.now_us)

    assert waits() is None
    bench.key()
    assert waits() == "rig main to unkey"
    assert not bench.reload(variant("no loop"))
    bench.unkey()
    assert waits() is None
    bench.tune(7_050_000, push=True)
    assert waits() == "the change-over to wire on 40m/1 to end"
    bench.run(3 * S)
    bench.ask(AmplifierRequest.OFF_NOW)
    assert waits() == "the answer to amplifier-off, amplifier-standby, inhibit-transmit"
    bench.run(S)
    bench.tell(TuningChanged(bench.now_us, Tuning("wire", "40m/1", 15, None, None)))
    assert waits() == "the tune-up to end"


@pytest.mark.parametrize(
    ("forgotten", "reload"),
    [
        ("_doubt_places", {"of": variant("ports swapped")}),
        ("_lengthen", {"of": variant("a longer warm-up")}),
        ("_doubt_outputs", {"of": variant("as it was"), "cut": frozenset({"switch"})}),
        ("_forget_heater", {"of": variant("as it was"), "others": frozenset({"amp"})}),
    ],
)
def test_gate_or_monitor_sees_what_the_core_forgets(
    forgotten: str, reload: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seeded bugs: each of the three has an account of its own of what a reload makes doubtful."""
    monkeypatch.setattr(reloading, forgotten, lambda *_: None)
    bench = operating()
    bench.reload(**reload)
    bench.run(2 * S)
    bench.tune(14_250_000, push=True)
    bench.run(2 * S)
    assert bench.tripped


@dataclass(frozen=True)
class Reload:
    """Another station file. `calm` lets the key up first and waits, so that it mostly comes into force."""

    name: str
    wiring: str | None
    cut: frozenset[str]
    others: frozenset[str]
    rig: bool
    calm: bool

    def do(self, bench: Reloading) -> None:
        if self.calm:
            bench.rig.keyed = False
            bench.run(3 * S)
        outputs = None if self.wiring is None else WIRINGS[self.wiring]
        bench.reload(variant(self.name), outputs, cut=self.cut, others=self.others, rig=self.rig)


names = st.frozensets(st.sampled_from(["switch", "amp", "permit", "box", "relay"]), max_size=2)
reloads = st.builds(
    Reload,
    st.sampled_from(sorted(VARIANTS)),
    st.sampled_from([None, None, None, *WIRINGS]),
    st.just(frozenset[str]()) | names,
    st.just(frozenset[str]()) | names,
    st.sampled_from([False, False, True]),
    st.sampled_from([True, True, False]),
)
histories = st.lists(st.tuples(guarded_deeds, guarded_pauses, st.none() | reloads), min_size=1, max_size=30)


@pytest.mark.parametrize("wiring", WIRINGS)
@lived_through(30)
@given(history=histories, metered=flags)
def test_no_history_with_reloads_makes_gate_or_monitor_object(
    wiring: str, history: list[tuple[GuardedDeed, int, Reload | None]], metered: bool
) -> None:
    """Whatever is changed, and whatever happens around it, the core asks for nothing that the other two would not have."""
    bench = a_bench(wiring, metered=metered)
    warm_up(bench)
    for deed, pause_us, reload in history:
        deed.do(bench)
        bench.run(pause_us)
        if reload is not None:
            reload.do(bench)
        bench.must_be_unobjected()
    event(f"reloads: {min(bench.reloads, 5)}")


observed = st.lists(st.tuples(core_deeds, core_pauses, st.none() | reloads), min_size=1, max_size=30)


@lived_through(120)
@given(history=observed, wiring=st.sampled_from(["two boxes", "permit apart", "one box"]))
def test_no_history_with_reloads_breaks_an_invariant(
    history: list[tuple[CoreDeed, int, Reload | None]], wiring: str
) -> None:
    """The same, watched by an observer that knows what a reload makes doubtful; gate and monitor look on too."""
    bench = a_cold_bench(wiring)
    observer = ReloadObserver(bench)
    bench.run(S)
    warm_up(bench)
    for deed, pause_us, reload in history:
        deed.do(bench)
        bench.run(pause_us)
        if reload is not None:
            reload.do(bench)
    observer.judge_relay_care()
    bench.must_be_unobjected()
    event(f"reloads: {min(bench.reloads, 5)}")
    event(f"operates: {min(observer.counts.operates, 5)}")
