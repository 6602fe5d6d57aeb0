"""What a tune-up sees of the station at one moment."""

from dataclasses import dataclass

from qsyd_rules.actuator import rests_at
from qsyd_rules.amplifier import ready_in_us
from qsyd_rules.command import CommandName
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.judgement import needs, operate_refusal
from qsyd_rules.readings import Readings
from qsyd_rules.state import Permit, StationState
from qsyd_rules.tuning import Tuning
from qsyd_rules.turn import Turn
from qsyd_rules.words import AmplifierState


@dataclass(frozen=True, slots=True)
class Sight:
    """Immutable; None for what is not known."""

    at_us: int
    rig_up: bool
    transmit_hz: int | None
    keyed: bool
    antenna: str | None
    """The antenna that is in force and rests there."""
    segment: str | None
    """The segment that the dial is in."""
    released: bool
    """Whether transmit is released."""
    inhibits: tuple[str, ...]
    amplifier: AmplifierState
    ready_in_us: int | None
    wish: bool
    refusal: str | None
    """Why the amplifier may not be in operate."""
    drive_w: int | None
    """The limit of this place, once the device that carries it rests there."""
    tuning: Tuning | None
    """What the core was last told of the tune-up."""
    readings: Readings
    read_us: int
    """When the newest of them arrived."""
    fault: str | None
    lockout: str | None
    stopping: bool
    silent: tuple[str, ...] = ()
    """Devices that do not answer."""
    split: bool = False
    moved_us: int = 0
    """When the transmit frequency last changed."""
    asked_us: int = 0
    """When the newest question behind it was sent."""
    held: str | None = None
    """The antenna that an operator holds, and in `held_by` who does; on `held_bands` no other one serves."""
    held_by: str = ""
    held_bands: frozenset[str] = frozenset()
    reasons_here: tuple[str, ...] = ()
    """What forbids transmitting at this place and mode for as long as they stay."""
    forbidden: bool = False
    """Whether the devices are known to keep everybody from transmitting."""


def sight_of(core: GuardedStation, state: StationState, now_us: int) -> Sight:
    """Look at the core's state."""
    turn = Turn(core.atlas, core.wiring, core.followed, state, now_us)
    target, here, rig, hold = state.target, state.here, turn.rig, state.hold
    antenna = target.antenna.name if target is not None and target.antenna is not None else None
    if core.wiring.carries(CommandName.SELECT_ANTENNA) and (antenna is None or not rests_at(state.antenna, antenna)):
        antenna = None
    drive_w = target.drive_w if target is not None else None
    fault = None
    if state.fault is not None:
        fault = f"fault {state.fault.code}: {state.fault.detail}. {state.fault.advice}"
    return Sight(
        at_us=now_us,
        rig_up=rig.up,
        transmit_hz=rig.transmit_hz if rig.up else None,
        keyed=turn.keyed,
        antenna=antenna,
        segment=here.segment.name if here is not None and here.segment is not None else None,
        released=state.reasons is None,
        inhibits=tuple(state.reasons or ()),
        amplifier=turn.amplifier_label,
        ready_in_us=ready_in_us(state.amplifier, now_us),
        wish=state.wish,
        refusal=operate_refusal(turn, needs(turn)),
        drive_w=drive_w if drive_w is not None and rests_at(state.drive, drive_w) else None,
        tuning=state.tuning,
        readings=turn.fresh_readings(),
        read_us=max((at_us for at_us, _ in state.readings.values()), default=0),
        fault=fault,
        lockout=f"maintenance lockout by {state.lockout.operator}" if state.lockout is not None else None,
        stopping=state.stopping,
        silent=tuple(sorted(state.failing)),
        split=rig.up and rig.split,
        moved_us=rig.moved_us,
        asked_us=rig.asked_us,
        held=hold.antenna if hold is not None else None,
        held_by=hold.operator if hold is not None else "",
        held_bands=frozenset(
            band
            for each in core.atlas.station.antennas
            if hold is not None and each.name == hold.antenna
            for band in each.bands
        ),
        reasons_here=here.inhibits if here is not None else (),
        forbidden=rests_at(state.permit, Permit.INHIBITED),
    )
