"""Throws the switches that each named fault stands for, in the parts of a world."""

from collections.abc import Callable
from random import Random

from qsyd_rules.command import CommandName
from qsyd_rules.event import AmplifierRequest
from qsyd_rules.words import Mode
from qsyd_simulators.world.agenda import MS
from qsyd_simulators.world.device import Device
from qsyd_simulators.world.faults import AMPLIFIER, PERMIT, SWITCH, FaultKind
from qsyd_simulators.world.happening import Trouble
from qsyd_simulators.world.world import World

GAP_US = 5_500 * MS
"""A loss of supply shorter than this (T_gap, and the time to notice) leaves the heater's evidence in force."""
BANDS_HZ = (3_550_000, 7_050_000, 14_050_000, 14_250_000, 21_050_000)


class FaultSwitches:
    """One for a world. Whatever a fault leaves open (how late, how far) is drawn."""

    def __init__(self, world: World, random: Random) -> None:
        self._world, self._random = world, random
        self._on: dict[FaultKind, bool] = {}
        self._lives = 0
        self._life: dict[FaultKind, int] = {}
        """Which time of a fault it is that repeats something; an earlier one must not go on in it."""
        self._dark: dict[str, int] = {}
        """How many faults keep a device without supply."""
        self._dark_since_us: dict[str, int] = {}

    def throw(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        """Throw the switches of one fault, on or off."""
        part = kind.partition("-")[0]
        self._on[kind] = on
        match part:
            case "rig":
                self._rig(kind, trouble, on)
            case "key":
                self._key_fault(kind, trouble, on)
            case "switch" | "amplifier" | "permit":
                for device in self._devices(part):
                    self._device(device, kind, trouble, on)
            case "dial" | "split" | "mode" | "other" | "operator":
                self._dial(kind, trouble, on)
            case "disk":
                self._disk(kind, trouble, on)
            case _:
                self._rest(kind, trouble, on)

    def _rig(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        rig = self._world.rig
        troubles = rig.troubles
        match kind:
            case FaultKind.RIG_SILENT:
                troubles.silent = on
            case FaultKind.RIG_GARBLED:
                troubles.garbled_per_mille = (trouble.amount or 300) if on else 0
            case FaultKind.RIG_FALSE_BAND:
                troubles.false_hz = (trouble.amount or self._random.choice(BANDS_HZ)) if on else None
                self._world.verdict.exercised["I21"] += on
            case FaultKind.RIG_ANSWERS_LATE:
                troubles.late_us = (trouble.amount or self._random.randint(100, 900) * MS) if on else 0
            case FaultKind.RIG_LINK_CLOSED | FaultKind.RIG_LINK_REFUSED:
                troubles.refused = on
                if on:
                    rig.cut("closed by the other end")
            case FaultKind.RIG_LINK_FLAPS:
                self._repeat(kind, on, (100, 900), lambda: rig.cut("connection reset"))
            case FaultKind.RIG_POWER_CYCLED:
                troubles.silent = on
                rig.press(False)
                if not on:
                    rig.frequency_hz = self._random.choice(BANDS_HZ)
                    rig.changed()
            case _:
                raise ValueError(kind)

    def _key_fault(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        rig = self._world.rig
        troubles = rig.troubles
        match kind:
            case FaultKind.KEY_STUCK:
                troubles.key_stuck = on
                rig.changed()
            case FaultKind.KEY_UNKNOWN:
                troubles.key_unknown = on
            case FaultKind.KEY_EVIDENCE_LATE:
                troubles.key_late_us = (trouble.amount or self._random.randint(50, 500) * MS) if on else 0
            case FaultKind.KEY_EVIDENCE_LOST:
                troubles.key_denied = on
            case FaultKind.KEY_LINE_UNREADABLE:
                troubles.key_line_unreadable = on
                rig.sense(rig.keyed)
            case _:
                raise ValueError(kind)

    def _device(self, device: Device, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        troubles = device.troubles
        match kind.partition("-")[2]:
            case "silent":
                troubles.silent = on
            case "slow":
                troubles.slow_us = (trouble.amount or self._random.randint(50, 900) * MS) if on else 0
            case "refuses":
                self._refuse(device, CommandName.SELECT_ANTENNA, on)
            case "refuses-operate":
                self._refuse(device, CommandName.AMPLIFIER_OPERATE, on)
            case "refuses-standby":
                self._refuse(device, CommandName.AMPLIFIER_STANDBY, on)
            case "refuses-preset":
                self._refuse(device, CommandName.RECALL_PRESET, on)
            case "refuses-release":
                self._refuse(device, CommandName.RELEASE_TRANSMIT, on)
            case "answer-lost":
                troubles.answer_lost = on
            case "supply-lost" | "supply-dips":
                self._supply(device, on, for_long=kind is FaultKind.AMPLIFIER_SUPPLY_LOST)
            case "link-closed":
                troubles.unreachable = on
                if on:
                    device.cut("closed by the other end")
            case "link-half-open":
                troubles.half_open = on
            case "link-flaps":
                self._repeat(kind, on, (100, 900), lambda: device.cut("connection reset"))
            case _:
                raise ValueError(kind)

    def _supply(self, device: Device, on: bool, *, for_long: bool) -> None:
        """Without supply the link drops, unless it was half open already. After a dip the box goes on as it was told."""
        world = self._world
        if on:
            self._dark[device.name] = self._dark.get(device.name, 0) + 1
            self._dark_since_us.setdefault(device.name, world.now_us)
            device.troubles.unpowered = True
            world.plant.lose_supply(device.name, device.plan.carries, for_long=for_long)
            world.plant.unseen_cold |= for_long and device.is_open and device.troubles.half_open
            device.cut("closed by the other end")
            return
        self._dark[device.name] -= 1
        if self._dark[device.name]:
            return
        device.troubles.unpowered = False
        if world.now_us < self._dark_since_us.pop(device.name) + GAP_US and not world.plant.heater_on:
            world.plant.unseen_cold = True

    def _refuse(self, device: Device, name: CommandName, on: bool) -> None:
        if on:
            device.troubles.refuses.add(name)
        else:
            device.troubles.refuses.discard(name)

    def _dial(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        rig, choose = self._world.rig, self._random
        centre_hz = rig.frequency_hz

        def turn(frequency_hz: int) -> None:
            rig.frequency_hz = frequency_hz
            rig.changed()

        def flap_split() -> None:
            rig.split = not rig.split
            rig.changed()

        def flap_mode() -> None:
            rig.mode = choose.choice((Mode.CW, Mode.DATA, Mode.USB))
            rig.changed()

        match kind:
            case FaultKind.DIAL_CHATTERS:
                reach_hz = trouble.amount or 900
                self._repeat(kind, on, (20, 60), lambda: turn(centre_hz + choose.randint(-reach_hz, reach_hz)))
            case FaultKind.DIAL_SWEEPS:
                step_hz = trouble.amount or choose.choice((-40_000, -2_000, 2_000, 40_000))
                self._repeat(kind, on, (10, 30), lambda: turn(max(1_000_000, rig.frequency_hz + step_hz)))
            case FaultKind.DIAL_BOUNCES:
                self._repeat(kind, on, (100, 400), lambda: turn(choose.choice(BANDS_HZ)))
            case FaultKind.SPLIT_FLAPS:
                self._repeat(kind, on, (50, 200), flap_split)
            case FaultKind.MODE_FLAPS:
                self._repeat(kind, on, (50, 200), flap_mode)
            case FaultKind.OTHER_VFO_UNREADABLE:
                rig.troubles.other_unreadable = on
            case FaultKind.OPERATOR_HAMMERS:
                requests = (AmplifierRequest.OPERATE, AmplifierRequest.STANDBY)
                self._repeat(kind, on, (20, 150), lambda: self._world.ask(choose.choice(requests)))
            case _:
                raise ValueError(kind)

    def _disk(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        troubles = self._world.store.troubles
        match kind:
            case FaultKind.DISK_SLOW:
                troubles.slow_us = (trouble.amount or self._random.randint(50, 900) * MS) if on else 0
            case FaultKind.DISK_FULL:
                troubles.full = on
            case _:
                troubles.hangs = on
                if not on:
                    self._world.store.come_round()

    def _rest(self, kind: FaultKind, trouble: Trouble, on: bool) -> None:
        world = self._world
        match kind:
            case FaultKind.FEED_LINE_BROKEN:
                world.plant.reflected_share = 0.5 if on else 0.01
            case FaultKind.WALL_CLOCK_JUMPS:
                if on:
                    world.jump_clock(trouble.amount or self._random.choice((-60, 60, 700)))
            case FaultKind.LOOP_STALLS:
                if on:
                    world.stall(trouble.lasts_us or 200 * MS)
            case FaultKind.DAEMON_KILLED:
                if on:
                    world.kill()
                else:
                    world.restart()
            case FaultKind.NETWORK_OUT:
                world.rig.troubles.refused = on
                for device in world.devices.values():
                    device.troubles.unreachable = on
                    if on:
                        device.cut("network is unreachable")
                if on:
                    world.rig.cut("network is unreachable")
            case _:
                raise ValueError(kind)

    def _repeat(self, kind: FaultKind, on: bool, every_ms: tuple[int, int], act: Callable[[], None]) -> None:
        """Do something over and over while the fault lasts."""
        if not on:
            return
        self._lives += 1
        life = self._life[kind] = self._lives

        def again(_: object) -> None:
            if self._on[kind] and self._life[kind] == life:
                act()
                self._world.agenda.after(self._random.randint(*every_ms) * MS, again)

        again(None)

    def _devices(self, part: str) -> list[Device]:
        """The device with the trouble: the last of those that carry the command it is named by."""
        name = {"switch": SWITCH, "amplifier": AMPLIFIER, "permit": PERMIT}[part]
        return [device for device in self._world.devices.values() if name in device.plan.carries][-1:]
