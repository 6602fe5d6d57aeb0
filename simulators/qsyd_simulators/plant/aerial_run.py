"""All that hangs on one port: matching unit, feed line, antenna, and the weather over it."""

from dataclasses import dataclass

from qsyd_simulators.plant.antenna import Antenna
from qsyd_simulators.plant.feed_line import FeedLine
from qsyd_simulators.plant.matching_unit import MatchingUnit, MatchSetting
from qsyd_simulators.plant.two_port import THROUGH, TwoPort
from qsyd_simulators.plant.weather import CALM, Weather


@dataclass(frozen=True, slots=True)
class AerialRun:
    """From a port of the switch to the sky."""

    antenna: Antenna
    line: FeedLine
    unit: MatchingUnit | None = None

    def feed_point_ohm(self, frequency_hz: int, at_us: int, weather: Weather = CALM) -> complex:
        """At the antenna."""
        shift, damping = weather.over(self.antenna.name, at_us)
        return self.antenna.ohm(frequency_hz, shift, damping)

    def two_port(self, frequency_hz: int, setting: MatchSetting | None = None) -> TwoPort:
        """From the port to the feed point."""
        line = self.line.two_port(frequency_hz)
        unit = THROUGH if self.unit is None or setting is None else self.unit.two_port(frequency_hz, setting)
        return unit.then(line)
