"""The second phase of a run: every fault has ended, and the station has to find to its target, or say why it does not."""

from qsyd_rules.command import CommandName
from qsyd_rules.placement import Placement
from qsyd_rules.rulebook import Situation
from qsyd_rules.words import AmplifierState
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.world import World

HEALS_WITHIN_US = 60 * S
CLOCK_WAIT_US = 61 * S
"""A change that only the clock brings waits for 60 s unkeyed; the healing counts from there where it is due."""
LOOK_EVERY_US = 200 * MS


def heal(world: World) -> None:
    """Let time pass until the station is where it should be; a violation of L2 where it does not get there."""
    world.verdict.exercised["L2"] += 1
    limit_us = world.now_us + HEALS_WITHIN_US
    if world.observer.account.minute != world.minute:
        limit_us += CLOCK_WAIT_US
    while True:
        lacks = what_lacks(world)
        if lacks is None:
            return
        if world.now_us >= limit_us:
            world.verdict.violate("L2", world.now_us, f"healed, and after 60 s: {lacks}")
            return
        world.run(world.now_us + LOOK_EVERY_US)


def what_lacks(world: World) -> str | None:
    """What is not yet as it should be, in words; None where the target is reached, or a latch explains it."""
    plant, account = world.plant, world.observer.account
    held = any(plant.held.values())
    if account.fault is not None or world.lockout is not None:
        return "the amplifier is in operate under a latch" if plant.in_operate else None
    place = _place(world)
    if place.inhibits:
        if not held and world.layout.is_guarded:
            return f"transmit is free although {place.inhibits[0]}"
        lost = plant.in_operate and place.antenna is None
        return "the amplifier is in operate where nothing serves" if lost else None
    if place.antenna is None:
        return None
    if world.layout.carries(CommandName.SELECT_ANTENNA) and plant.port != place.antenna.port:
        return f"the antenna is on port {plant.port}, not on {place.antenna.port}"
    if held:
        return "transmit is held although nothing forbids it"
    return _amplifier_lacks(world, place)


def _amplifier_lacks(world: World, place: Placement) -> str | None:
    plant, account, amplifier = world.plant, world.observer.account, world.layout.station.amplifier
    if amplifier is None:
        return None
    since_us = account.heater_since_us
    warm = since_us is not None and world.now_us >= since_us + amplifier.warm_up_us
    wanted = warm and account.wished and place.barefoot_because is None
    if wanted and not plant.in_operate:
        return "the amplifier is in standby although operate is wished for and allowed"
    if plant.in_operate and not wanted:
        return "the amplifier is in operate where it may not be"
    preset = place.preset
    if plant.in_operate and preset is not None and plant.tank != (preset.tune, preset.load):
        return f"the tank is not at {preset.antenna} on {preset.segment}"
    return None


def _place(world: World) -> Placement:
    rig = world.rig
    situation = Situation(rig.name, rig.transmit_hz, rig.mode, AmplifierState.STANDBY, False, world.minute)
    return world.atlas.place(situation, world.store.presets)
