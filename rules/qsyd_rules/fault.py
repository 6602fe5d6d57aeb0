"""Faults of the amplifier: our codes, how severe each is, and what a person can do about it."""

from dataclasses import dataclass
from enum import StrEnum

from qsyd_rules.readings import Readings


class FaultCode(StrEnum):
    """What went wrong, one word each."""

    GRID_CURRENT = "grid-current"
    PLATE_CURRENT = "plate-current"
    REFLECTED_POWER = "reflected-power"
    SWR = "swr"
    DRIVE = "drive"
    GAIN_LOW = "gain-low"
    GAIN_HIGH = "gain-high"
    ANODE_HOT = "anode-hot"
    EXHAUST_HOT = "exhaust-hot"
    PLATE_VOLTAGE_LOW = "plate-voltage-low"
    PLATE_VOLTAGE_HIGH = "plate-voltage-high"
    HEATER_LOST = "heater-lost"
    NOT_READY = "power-while-not-ready"
    KEYED_TOO_LONG = "keyed-too-long"
    TOLD = "told-by-amplifier"
    UNSAFE_COMMAND = "unsafe-command"


class Severity(StrEnum):
    """`offline`: out of the signal path, the tube kept hot. `shutdown`: high voltage off, blower on."""

    OFFLINE = "offline"
    SHUTDOWN = "shutdown"


SEVERITY = {
    FaultCode.GRID_CURRENT: Severity.OFFLINE,
    FaultCode.PLATE_CURRENT: Severity.OFFLINE,
    FaultCode.REFLECTED_POWER: Severity.OFFLINE,
    FaultCode.SWR: Severity.OFFLINE,
    FaultCode.DRIVE: Severity.OFFLINE,
    FaultCode.GAIN_LOW: Severity.OFFLINE,
    FaultCode.GAIN_HIGH: Severity.OFFLINE,
    FaultCode.ANODE_HOT: Severity.OFFLINE,
    FaultCode.EXHAUST_HOT: Severity.SHUTDOWN,
    FaultCode.PLATE_VOLTAGE_LOW: Severity.SHUTDOWN,
    FaultCode.PLATE_VOLTAGE_HIGH: Severity.SHUTDOWN,
    FaultCode.HEATER_LOST: Severity.SHUTDOWN,
    FaultCode.NOT_READY: Severity.SHUTDOWN,
    FaultCode.KEYED_TOO_LONG: Severity.OFFLINE,
    FaultCode.TOLD: Severity.SHUTDOWN,
    FaultCode.UNSAFE_COMMAND: Severity.SHUTDOWN,
}
"""A tube that may go on when the cause has gone is only taken off the air; where supply, air or bias are in doubt,
the high voltage goes."""

ADVICE = {
    FaultCode.GRID_CURRENT: "Cut the drive, then give the tank more loading; tune up anew before full power.",
    FaultCode.PLATE_CURRENT: "Cut the drive and dip the plate current with the tune capacitor before full power.",
    FaultCode.REFLECTED_POWER: "Look at the antenna and its feed line; is the right antenna selected?",
    FaultCode.SWR: "Look at the antenna, its feed line and the switch's port before transmitting again.",
    FaultCode.DRIVE: "Turn the rig's power down to the preset's drive.",
    FaultCode.GAIN_LOW: "Tune and load up anew; if the gain stays low on every band, suspect the tube.",
    FaultCode.GAIN_HIGH: "Suspect an oscillation or a wrong power meter; do not go on with full drive.",
    FaultCode.ANODE_HOT: "Let the blower run, shorten the overs or the power, and look at the tuning.",
    FaultCode.EXHAUST_HOT: "Is the air path free and the blower running? Let the tube cool before anything else.",
    FaultCode.PLATE_VOLTAGE_LOW: "Look at the mains and the plate supply, with the covers on and the mains off first.",
    FaultCode.PLATE_VOLTAGE_HIGH: "Look at the mains voltage and the supply's tap; keep the covers on.",
    FaultCode.HEATER_LOST: "Look at heater supply and fuse; the whole warm-up runs again after this.",
    FaultCode.NOT_READY: "Do not key: the amplifier amplifies while it should not. Look at bias and transfer relay.",
    FaultCode.KEYED_TOO_LONG: "Unkey; look for a stuck key, foot switch or keying line before transmitting again.",
    FaultCode.TOLD: "The amplifier reports a fault of its own: read its display and its manual.",
    FaultCode.UNSAFE_COMMAND: "qsyd was about to do, or did, something unsafe: report it, and look at the station.",
}

INHIBITING = frozenset({FaultCode.KEYED_TOO_LONG, FaultCode.NOT_READY, FaultCode.UNSAFE_COMMAND})
"""Faults with which not even barefoot is safe."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault as it was found. `number` tells one from the next of the same code; an acknowledgement names it."""

    number: int
    code: FaultCode
    detail: str
    at_us: int
    readings: Readings

    @property
    def severity(self) -> Severity:
        """How much has to be switched off."""
        return SEVERITY[self.code]

    @property
    def advice(self) -> str:
        """What a person can do, in one sentence."""
        return ADVICE[self.code]
