"""Chance without a generator: numbers that follow from a seed and a place alone, however often one asks.

The mixing is that of splitmix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014; constants
from memory).
"""

_MASK = (1 << 64) - 1


def bits(seed: int, place: int) -> int:
    """64 bits that belong to this seed and place."""
    mixed = (seed * 0x9E3779B97F4A7C15 + place * 0xD1342543DE82EF95 + 0x9E3779B97F4A7C15) & _MASK
    mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & _MASK
    return mixed ^ (mixed >> 31)


def uniform(seed: int, place: int) -> float:
    """From 0 to below 1."""
    return (bits(seed, place) >> 11) / (1 << 53)


def bell(seed: int, place: int) -> float:
    """About normal, mean 0 and standard deviation 1, never beyond 3.5: four 16-bit numbers added up."""
    mixed = bits(seed, place)
    total = (mixed & 0xFFFF) + (mixed >> 16 & 0xFFFF) + (mixed >> 32 & 0xFFFF) + (mixed >> 48)
    return (total / 65_535 - 2) * 1.7320508075688772
