"""The parts of the simulated world: the virtual clock, a device and its link, the disk, the true hardware and its watch."""

from dataclasses import replace
from random import Random
from typing import Any

import pytest

from qsyd_rules.command import (
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    InhibitTransmit,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.core import StationCore
from qsyd_rules.effect import Effect, RecordIntent, Report
from qsyd_rules.event import AmplifierRequest, CommandFinished, Event, RigRead
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.notice import TransmitInhibited
from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState, Result
from qsyd_simulators.world.agenda import MS, Agenda, S
from qsyd_simulators.world.device import Device
from qsyd_simulators.world.faults import FaultKind
from qsyd_simulators.world.happening import Dial, Key, Relief, Trouble, Unkey
from qsyd_simulators.world.layout import DevicePlan, Layout
from qsyd_simulators.world.liveness import heal, what_lacks
from qsyd_simulators.world.mischief import Mischief
from qsyd_simulators.world.plant import CONTACTS_MOVE_US
from qsyd_simulators.world.stations import AMPLIFIER, PERMIT, layouts
from qsyd_simulators.world.store import Store
from qsyd_simulators.world.world import World

WIRE, BEAM = SelectAntenna("main", "wire", 2), SelectAntenna("main", "beam", 1)


def layout_named(name: str) -> Layout:
    return next(layout for layout in layouts() if layout.name == name)


def world_of(name: str = "permit on the amplifier") -> tuple[World, Mischief]:
    """A world that has come to rest on 20 m."""
    world = World(layout_named(name), GuardedStation, "test")
    mischief = Mischief(world, "test")
    world.run(2 * S)
    return world, mischief


def operating(name: str = "permit on the amplifier") -> tuple[World, Mischief]:
    """The same, with the amplifier in operate."""
    world, mischief = world_of(name)
    amplifier = world.layout.station.amplifier
    assert amplifier is not None
    world.ask(AmplifierRequest.ON)
    world.ask(AmplifierRequest.OPERATE_WHEN_READY)
    world.run(world.now_us + amplifier.warm_up_us + 2 * S)
    assert world.plant.in_operate
    return world, mischief


# The clock


def test_agenda_keeps_time_and_order() -> None:
    agenda = Agenda()
    happened: list[tuple[int, str]] = []
    for at_us, name in ((5, "c"), (1, "a"), (5, "d"), (3, "b")):
        agenda.at(at_us, lambda what: happened.append((agenda.now_us, what)), name)

    for _ in range(4):
        agenda.take()

    assert happened == [(1, "a"), (3, "b"), (5, "c"), (5, "d")]
    agenda.at(2, happened.append)
    assert agenda.next_us == 5, "what is past happens now"


# A device and its link


class Line:
    """One device with its ends recorded."""

    def __init__(self, **plan: Any) -> None:
        carries = frozenset({SelectAntenna.name}) | PERMIT | AMPLIFIER
        self.agenda = Agenda()
        self.obeyed: list[tuple[int, Command]] = []
        self.ended: list[tuple[int, int, Result, str | None]] = []
        self.lost: list[str] = []
        self.device = Device(replace(DevicePlan("box", carries), **plan), self.agenda, Random("line"), self._obey)
        self.device.finished = lambda ticket, answer: self.ended.append(
            (self.agenda.now_us, ticket, answer.result, answer.error)
        )
        self.device.lost = lambda name, reason: self.lost.append(reason)
        self.device.start()
        self.run(S)

    def _obey(self, name: str, command: Command) -> None:
        self.obeyed.append((self.agenda.now_us, command))

    def run(self, duration_us: int) -> None:
        end_us = self.agenda.now_us + duration_us
        while self.agenda.next_us <= end_us:
            self.agenda.take()
        self.agenda.now_us = end_us


def test_device_obeys_and_answers_after_its_latencies() -> None:
    line = Line(latency_us=1_000, jitter_us=0, work_us=500)
    line.device.submit(1, WIRE)
    line.run(S)

    assert line.obeyed == [(S + 1_500, WIRE)]
    assert line.ended == [(S + 2_500, 1, Result.ACKNOWLEDGED, None)]


def test_silent_device_ends_every_command_in_its_time_and_loses_its_link() -> None:
    line = Line()
    line.device.troubles.silent = True
    line.device.submit(1, WIRE)
    line.device.submit(2, BEAM)
    line.run(5 * S)

    assert [(at_us - S, ticket, result) for at_us, ticket, result, _ in line.ended] == [
        (1_500 * MS, 1, Result.FAILED),
        (1_500 * MS, 2, Result.FAILED),
    ]
    assert line.lost[0] == "no acknowledgement"


def test_safe_command_overtakes_what_would_undo_it() -> None:
    """Under way: an antenna; waiting: a release. The inhibit passes both, and the release never goes out."""
    line = Line(work_us=100 * MS)
    line.device.submit(1, WIRE)
    line.device.submit(2, ReleaseTransmit())
    line.device.submit(3, InhibitTransmit(()))
    line.run(S)

    assert [command for _, command in line.obeyed] == [WIRE, InhibitTransmit(())]
    assert {ticket: result for _, ticket, result, _ in line.ended} == {
        1: Result.FAILED,
        2: Result.FAILED,
        3: Result.ACKNOWLEDGED,
    }


def test_half_open_link_carries_nothing_either_way() -> None:
    line = Line()
    line.device.troubles.half_open = True
    line.device.submit(1, WIRE)
    line.run(2 * S)

    assert line.obeyed == []
    assert line.ended[0][2] is Result.FAILED


def test_device_that_answers_nothing_is_assumed_once_sent() -> None:
    line = Line(acknowledges=False)
    line.device.submit(1, WIRE)

    assert line.ended == [(S, 1, Result.ASSUMED, None)]


def test_what_was_on_a_cut_wire_is_lost() -> None:
    line = Line(latency_us=10 * MS)
    line.device.submit(1, WIRE)
    line.device.cut("closed by the other end")
    line.run(100 * MS)

    assert line.obeyed == []


# The disk


def test_disk_that_hangs_answers_when_it_comes_round() -> None:
    agenda = Agenda()
    store = Store({}, agenda, Random("disk"))
    answered: list[tuple[int, str | None]] = []
    store.recorded = lambda number, error: answered.append((number, error))
    store.troubles.hangs = True
    store.record(RecordIntent(7, "a", "b"))
    assert agenda.next_us > S

    store.come_round()
    agenda.take()

    assert answered == [(7, None)]
    assert store.durable == {7}


def test_full_disk_says_so_and_keeps_nothing() -> None:
    agenda = Agenda()
    store = Store({}, agenda, Random("disk"))
    answered: list[tuple[int, str | None]] = []
    store.recorded = lambda number, error: answered.append((number, error))
    store.troubles.full = True
    store.record(RecordIntent(7, "a", "b"))
    agenda.take()

    assert answered == [(7, "no space left on device")]
    assert store.durable == set()


# The true hardware, and the watch on it: each harm is done by hand, past the station


def invariants(world: World) -> list[str]:
    return [violation.invariant for violation in world.verdict.violations]


def test_contacts_that_move_under_rf_are_seen() -> None:
    world, mischief = world_of()
    mischief.do(Key())
    world.run(world.now_us + 100 * MS)
    assert world.plant.rf
    assert invariants(world) == []

    world.plant.obey("switch", WIRE)

    assert invariants(world) == ["W1"]


@pytest.mark.parametrize(("after_us", "seen"), [(CONTACTS_MOVE_US - 1, ["W1"]), (CONTACTS_MOVE_US, [])])
def test_rf_that_comes_while_contacts_move_is_seen(after_us: int, seen: list[str]) -> None:
    world, _ = world_of()
    world.plant.obey("switch", SelectAntenna("main", "beam", 9))
    world.agenda.now_us += after_us
    world.plant.set_rig(keyed=True, transmit_hz=14_050_000)

    assert invariants(world) == seen


def test_operate_on_a_cold_cathode_is_seen() -> None:
    world, _ = world_of()
    world.plant.obey("amplifier", AmplifierOn())
    world.run(world.now_us + 5 * S)
    assert 0.6 < world.plant.warmth < 0.8, "5 s of a time constant of 4 s: 71 %"

    world.plant.obey("amplifier", AmplifierOperate())

    assert invariants(world) == ["W2"]


def test_cathode_has_95_percent_after_its_warm_up() -> None:
    """Three time constants: 1 - exp(-3) = 0.9502."""
    world, _ = operating()

    assert world.plant.warmth >= 0.9502
    assert invariants(world) == []


def test_rf_into_the_wrong_antenna_is_seen_after_the_time_to_react() -> None:
    world, mischief = world_of()
    mischief.do(Key())
    world.run(world.now_us + 100 * MS)
    world.plant.port = 2  # the wire bears no 20 m
    world.truth.look()
    world.run(world.now_us + 800 * MS)
    assert invariants(world) == []

    world.run(world.now_us + 200 * MS)

    assert invariants(world) == ["W3"]


def test_rf_through_another_places_tank_is_seen() -> None:
    world, mischief = operating()
    mischief.do(Key())
    world.plant.obey("amplifier", RecallPreset("beam", "20m/1", 1, 2))
    world.run(world.now_us + 3 * S)

    assert invariants(world) == ["W3"]


def test_rf_under_a_lockout_is_seen() -> None:
    world, _ = world_of()
    world.lock_out(True)
    world.run(world.now_us + 2 * S)
    assert not world.plant.rf

    for name in world.plant.held:
        world.plant.hold(name, False)
    world.plant.set_rig(keyed=True, transmit_hz=14_050_000)

    assert invariants(world) == ["W4"]


def test_unguarded_harm_is_counted_apart() -> None:
    world, mischief = world_of("unguarded")
    mischief.do(Key())
    world.plant.obey("switch", WIRE)

    assert invariants(world) == []
    assert world.verdict.exposures["contacts moved under RF, unguarded"] == 1


def test_permit_without_supply_holds() -> None:
    world, mischief = world_of("permit apart")
    mischief.do(Key())
    assert world.plant.rf

    mischief.do(Trouble(FaultKind.PERMIT_SUPPLY_LOST, S))

    assert not world.plant.rf


def test_meters_tell_the_truth() -> None:
    world, mischief = operating("meters")
    assert world.plant.readings(AMPLIFIER).state is AmplifierState.OPERATE
    mischief.do(Key())

    assert world.plant.readings(AMPLIFIER).forward_w == 1_200
    assert world.plant.readings(PERMIT) == Readings(forward_w=1_200, reflected_w=12)


# The whole


def test_daemon_that_is_killed_starts_with_what_is_durable() -> None:
    world, mischief = operating()
    before = world.store.highest_id

    mischief.do(Trouble(FaultKind.DAEMON_KILLED, 500 * MS))
    life = [world.is_alive]
    world.run(world.now_us + 3 * S)
    life.append(world.is_alive)

    assert life == [False, True]
    assert not world.plant.in_operate
    assert not world.observer.account.wished
    assert world.store.highest_id > before
    assert invariants(world) == []


def test_stalled_loop_hears_everything_afterwards() -> None:
    world, mischief = world_of()
    heard: list[Event] = []
    world.watchers.append(lambda event, effects: heard.append(event))
    world.stall(S)
    mischief.do(Dial(7_050_000))
    world.run(world.now_us + 900 * MS)
    assert heard == []

    world.run(world.now_us + 200 * MS)

    told = next(event for event in heard if isinstance(event, RigRead))
    assert told.frequency_hz == 7_050_000
    assert told.at_us == 3 * S


def test_fault_goes_on_until_its_relief_and_does_not_begin_twice() -> None:
    world, mischief = world_of()
    mischief.do(Trouble(FaultKind.SWITCH_SILENT, None))
    mischief.do(Trouble(FaultKind.SWITCH_SILENT, 100 * MS))
    world.run(world.now_us + S)
    assert world.devices["switch"].troubles.silent

    mischief.do(Relief(FaultKind.SWITCH_SILENT))

    assert not world.devices["switch"].troubles.silent


@pytest.mark.parametrize("kind", list(FaultKind))
def test_every_fault_begins_ends_and_heals(kind: FaultKind) -> None:
    """Over a change of band, from operate, and with a key-down: nothing is violated, and everything comes back."""
    world, mischief = operating("permit apart")
    mischief.do(Trouble(kind, 7 * S))
    world.run(world.now_us + 300 * MS)
    mischief.do(Dial(7_050_000))
    world.run(world.now_us + S)
    mischief.do(Key())
    world.run(world.now_us + S)
    mischief.do(Unkey())
    world.run(world.now_us + 10 * S)

    mischief.heal()
    heal(world)

    assert [str(violation) for violation in world.verdict.violations] == []
    assert what_lacks(world) is None


def test_clock_on_the_wall_changes_no_command() -> None:
    """I22: where no rule asks for the hour, the same run with the clock set sends the same commands."""

    def commands(jumps: bool) -> list[tuple[int, str]]:
        world = World(layout_named("permit on the amplifier"), GuardedStation, "wall")
        mischief = Mischief(world, "wall")
        sent: list[tuple[int, str]] = []

        def watch(event: Event, effects: tuple[Effect, ...]) -> None:
            if isinstance(event, CommandFinished):
                sent.append((event.at_us, str(event.command_id)))

        world.watchers.append(watch)
        for number in range(20):
            world.run(world.now_us + S)
            mischief.do(Dial((7_050_000, 14_050_000, 3_600_000)[number % 3]))
            if jumps:
                world.jump_clock(700)
        return sent

    assert commands(jumps=True) == commands(jumps=False) != []


def test_any_station_with_the_cores_interface_will_do() -> None:
    reasons: list[tuple[str, ...]] = []

    def watch(event: Event, effects: tuple[Effect, ...]) -> None:
        reasons.extend(
            effect.notice.reasons
            for effect in effects
            if isinstance(effect, Report) and isinstance(effect.notice, TransmitInhibited)
        )

    for make in (StationCore, GuardedStation):
        world = World(layout_named("permit on the amplifier"), make, "same")
        world.watchers.append(watch)
        world.run(2 * S)
        assert what_lacks(world) is None
    half = len(reasons) // 2
    assert reasons[:half] == reasons[half:] != []


def test_standby_under_rf_is_the_lesser_harm_and_counted() -> None:
    world, mischief = operating()
    mischief.do(Key())
    world.plant.obey("amplifier", AmplifierStandby())

    assert invariants(world) == []
    assert world.verdict.exposures["transfer relay opened under RF, the lesser harm"] == 1
