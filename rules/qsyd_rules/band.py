"""Amateur bands: their names and edges by ITU region."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Band:
    """A band as this station has it. Both edges belong to the band."""

    name: str
    """ADIF name, such as `80m`."""
    low_hz: int
    high_hz: int

    def __contains__(self, frequency_hz: int) -> bool:
        return self.low_hz <= frequency_hz <= self.high_hz


def megahertz(frequency_hz: int) -> str:
    """A frequency for people: exact, in MHz, with three to six decimals, such as `14.160 MHz` or `5.3305 MHz`."""
    whole, part = divmod(frequency_hz, 1_000_000)
    decimals = f"{part:06}"
    return f"{whole}.{decimals[:3]}{decimals[3:].rstrip('0')} MHz"
