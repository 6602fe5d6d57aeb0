"""The amplifier's own protection: it takes itself out of the signal path, and stays out until it is reset."""

from dataclasses import dataclass

from qsyd_simulators.plant.stage import Reading


@dataclass(frozen=True, slots=True)
class Trips:
    """Where it trips. Slower and coarser than a careful operator would like; figures are common practice, no source."""

    grid_ma: float = 200.0
    plate_ma: float = 1_100.0
    reflected_w: float = 300.0
    anode_c: float = 230.0

    def cause(self, seen: Reading, anode_c: float) -> str | None:
        """What is beyond its limit, in words, or None."""
        if seen.point.grid_a * 1000 > self.grid_ma:
            return f"grid current {seen.point.grid_a * 1000:.0f} mA"
        if seen.point.plate_a * 1000 > self.plate_ma:
            return f"plate current {seen.point.plate_a * 1000:.0f} mA"
        if seen.reflected_w > self.reflected_w:
            return f"reflected power {seen.reflected_w:.0f} W"
        if anode_c > self.anode_c:
            return f"anode at {anode_c:.0f} degrees"
        return None
