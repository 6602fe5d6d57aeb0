"""What the monitor takes from events alone: whether anybody keys, and whether the heater has been on without a doubt."""

from dataclasses import dataclass, replace

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.words import AmplifierState

KEYED_ABOVE_W = 10.0
"""Forward power above this means that somebody transmits, whatever the rig says. Common practice, no source."""
HEATED = frozenset({AmplifierState.WARM_UP, AmplifierState.STANDBY, AmplifierState.OPERATE})
"""An amplifier that tells one of these has its heater on; nobody knows since when."""
OFF_LASTS_US = 2_000_000
"""An amplifier that says it is off for longer than this is. A reading may be from before its heater came on."""
EVIDENCE_GAP_US = 5_000_000
"""Out of sight for longer than this, nobody knows whether the heater stayed on."""


@dataclass(frozen=True, slots=True)
class Key:
    """Who says that the rig is keyed: any source counts, those that do not know count for nothing."""

    rig: bool = False
    sensed: bool = False
    power_until_us: tuple[tuple[str, int], ...] = ()
    """For each output that has told forward power, until when that is believed."""
    since_us: int | None = None
    """Since when somebody has been keyed without a break; None while nobody was at the last event."""
    unkeyed_us: int = 0
    """When the last source but power let go."""

    def is_down(self, at_us: int) -> bool:
        """Whether any source says keyed."""
        return self.rig or self.sensed or any(until_us > at_us for _, until_us in self.power_until_us)

    def quiet_us(self) -> int:
        """Since when nobody has been keyed; only to be asked while nobody is."""
        return max(self.unkeyed_us, *(until_us for _, until_us in self.power_until_us), 0)

    def turned(self, at_us: int, *, rig: bool | None = None, sensed: bool | None = None) -> "Key":
        """One source says something else; None leaves it."""
        rig, sensed = self.rig if rig is None else rig, self.sensed if sensed is None else sensed
        turned = self if (rig, sensed) == (self.rig, self.sensed) else replace(self, rig=rig, sensed=sensed)
        return turned._since(self, at_us)

    def powered(self, at_us: int, output: str, until_us: int) -> "Key":
        """An output tells forward power, believed until `until_us`; in the past if it tells none."""
        known = dict(self.power_until_us)
        known[output] = until_us if until_us > at_us else min(at_us, known.get(output, 0))
        return replace(self, power_until_us=tuple(known.items()))._since(self, at_us)

    def _since(self, before: "Key", at_us: int) -> "Key":
        was, down = before.since_us is not None and before.is_down(at_us), self.is_down(at_us)
        since_us = None if not down else before.since_us if was else at_us
        unkeyed_us = at_us if was and not down else self.unkeyed_us
        if (since_us, unkeyed_us) == (self.since_us, self.unkeyed_us):
            return self
        return replace(self, since_us=since_us, unkeyed_us=unkeyed_us)


@dataclass(frozen=True, slots=True)
class Heater:
    """Since when the heater has been on, as far as anybody can tell."""

    since_us: int | None = None
    """None while it is not known to be on."""
    unseen_us: int | None = None
    """Since when the amplifier's link has been gone."""
    off_us: int | None = None
    """Since when the amplifier has said that it is off."""
    cooling_us: int | None = None
    """When an operator asked for `off`: the heater stays on until the cool-down is over."""
    shut_down: bool = False
    """High voltage was taken away: what the amplifier says of itself does not count until the heater is on anew."""

    def lost(self, at_us: int) -> "Heater":
        """The amplifier's link broke."""
        return self if self.unseen_us is not None else replace(self, unseen_us=at_us)

    def found(self, at_us: int) -> "Heater":
        """The amplifier's link is open again."""
        gone_us = at_us - self.unseen_us if self.unseen_us is not None else 0
        return replace(self, unseen_us=None, since_us=None if gone_us > EVIDENCE_GAP_US else self.since_us)

    def asked(self, at_us: int, request: AmplifierRequest, cool_down_us: int) -> "Heater":
        """An operator's word, where nothing carries `amplifier-on`: whoever says so has switched it on by hand."""
        match request:
            case AmplifierRequest.ON:
                cold = self.cooling_us is not None and at_us - self.cooling_us > cool_down_us
                since_us = at_us if self.since_us is None or cold else self.since_us
                return replace(self, since_us=since_us, cooling_us=None, shut_down=False)
            case AmplifierRequest.OFF:
                return self if self.cooling_us is not None else replace(self, cooling_us=at_us)
            case AmplifierRequest.OFF_NOW:
                return replace(self, since_us=None, cooling_us=None)
            case AmplifierRequest.STANDBY | AmplifierRequest.OPERATE | AmplifierRequest.OPERATE_WHEN_READY:
                return self

    def told_state(self, at_us: int, state: AmplifierState) -> "Heater":
        """The amplifier tells of itself: that its heater is on, or off."""
        if state is AmplifierState.OFF:
            off_us = at_us if self.off_us is None else self.off_us
            return replace(self, off_us=off_us, since_us=None if at_us - off_us > OFF_LASTS_US else self.since_us)
        found = state in HEATED and self.since_us is None and not self.shut_down
        return replace(self, off_us=None, since_us=at_us if found else self.since_us)

    def warmed_up(self, at_us: int, warm_up_us: int) -> bool:
        """Whether the whole warm-up has passed since, without a gap in what is known."""
        unseen = self.unseen_us is not None and at_us - self.unseen_us > EVIDENCE_GAP_US
        return self.since_us is not None and not unseen and self.off_us is None and at_us >= self.since_us + warm_up_us
