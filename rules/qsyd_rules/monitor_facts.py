"""What the monitor needs of a station, looked up once: bands, antennas, who carries what."""

from qsyd_rules.command import CommandName
from qsyd_rules.station import AmplifierLimits, Antenna, Station, WithoutPreset
from qsyd_rules.wiring import Wiring

KEPT_SAFE_BY = frozenset({CommandName.INHIBIT_TRANSMIT, CommandName.AMPLIFIER_STANDBY, CommandName.AMPLIFIER_OPERATE})
"""A broken link to an output that carries one of these calls for the safe state. That of the switch alone does not: what
was asked of it is asked again."""


class Facts:
    """Immutable. A station, with the questions that the monitor asks of it."""

    __slots__ = (
        "amplifier",
        "amplifier_outputs",
        "antennas",
        "estimates",
        "followed",
        "heater_by_hand",
        "key_down_us",
        "lost_after_us",
        "needs_preset",
        "positions",
        "segments",
        "station",
        "times",
        "wiring",
    )

    def __init__(self, station: Station, wiring: Wiring) -> None:
        self.station = station
        self.wiring = wiring
        self.times = station.change_over
        self.amplifier = station.amplifier
        rig = station.rigs[0]
        if station.amplifier is not None:
            rig = next(each for each in station.rigs if each.name == station.amplifier.follows)
        self.followed, self.lost_after_us = rig.name, rig.lost_after_us
        self.antennas = {antenna.name: antenna for antenna in station.antennas}
        self.segments = {segment.name: segment for segment in station.segments}
        limits = station.amplifier.limits if station.amplifier is not None else AmplifierLimits()
        self.key_down_us = limits.key_down_us
        self.heater_by_hand = not wiring.carries(CommandName.AMPLIFIER_ON)
        switched = (
            CommandName.AMPLIFIER_ON if wiring.carries(CommandName.AMPLIFIER_ON) else CommandName.AMPLIFIER_OPERATE
        )
        self.amplifier_outputs = frozenset(output for output, carried in wiring.outputs.items() if switched in carried)
        self.needs_preset = (
            wiring.carries(CommandName.RECALL_PRESET)
            and station.amplifier is not None
            and station.amplifier.without_preset is not WithoutPreset.OPERATE
        )
        self.estimates = station.amplifier is not None and station.amplifier.without_preset is WithoutPreset.ESTIMATE
        self.positions = any({"tune", "load"} <= meters.names for meters in wiring.meters.values())

    def band_at(self, frequency_hz: int) -> str | None:
        """The band that holds this frequency; None outside every one."""
        return next((band.name for band in self.station.bands if frequency_hz in band), None)

    def edges(self, segment: str) -> tuple[int, int] | None:
        """Both edges of a segment; None for one that this station does not have."""
        known = self.segments.get(segment)
        return None if known is None else (known.low_hz, known.high_hz)

    def covers(self, antenna: str, band: str) -> bool:
        """Whether this antenna is one of the station's and serves the band."""
        known: Antenna | None = self.antennas.get(antenna)
        return known is not None and band in known.bands

    def bears_amplifier(self, antenna: str) -> bool:
        """Whether this antenna takes the amplifier's full output."""
        known: Antenna | None = self.antennas.get(antenna)
        if known is None or self.amplifier is None:
            return False
        return known.max_power_w is None or known.max_power_w >= self.amplifier.output_w

    def bears_on_estimate(self, drive_w: int) -> bool:
        """Whether this much drive is little enough for a tank that stands on an estimate: a quarter of the limit."""
        limit_w = self.amplifier.limits.drive_w if self.amplifier is not None else None
        return limit_w is None or drive_w <= max(1, limit_w // 4)

    def stops_all(self, output: str) -> bool:
        """Whether losing this output is a reason to move nothing."""
        return bool(self.wiring.of(output) & KEPT_SAFE_BY)
