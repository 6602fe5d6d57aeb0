"""The honest plant: amplifier, antennas and feed lines as physics has them, so that a wrong setting hurts.

All of it is a function of what it was told and of the time that is passed in: no clock, no randomness without a seed.
"""
